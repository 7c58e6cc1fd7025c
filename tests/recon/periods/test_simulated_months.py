"""The ± of a month is how far simulated months scatter, with the shared errors drawn.

By day few draws of three shifts, at night 400 of twelve.
"""

from __future__ import annotations

import numpy as np
import pytest
from often import NIGHTLY
from scipy.special import chdtrc
from shift_surveys import Mill

from oretally.recon.periods import PRODUCED, balance_period

DRAWS, SHIFTS = (400, 12) if NIGHTLY else (6, 3)
OVER = {"belt scale": "campaign", "laboratory": "campaign"}


@pytest.fixture(scope="module")
def months() -> np.ndarray:
    """Metal produced [t], its sd and its sd without shared errors; recovery and its sd; a draw."""
    rows = []
    for seed in range(DRAWS):
        mill = Mill(SHIFTS, over=OVER, missing=[(1, "feed", "Pb"), (2, "ore", "dry mass")])
        found = balance_period(
            mill.surveys(1000 + seed), feed="feed", products=["concentrate", "tailings"]
        )
        made = next(a for a in found.whole.amounts if (a.item, a.quantity) == (PRODUCED, "Pb"))
        recovery = next(r for r in found.whole.recoveries if r.kept)
        rows.append(
            (made.check_out, made.check_out_sd, made.apart_sd, recovery.check_out,
             recovery.check_out_sd)
        )  # fmt: skip
    return np.array(rows, dtype=float)


def _off(found: np.ndarray, sd: np.ndarray, truth: float) -> float:
    """Return how likely draws are as far from the truth, or farther."""
    return float(chdtrc(len(found), (((found - truth) / sd) ** 2).sum()))


def test_the_stated_sd_is_the_scatter_about_the_truth(months: np.ndarray) -> None:
    mill = Mill(SHIFTS)
    made, fed = (mill.total(stream, "Pb") / 1000.0 for stream in ("concentrate", "feed"))
    assert 1e-3 < _off(months[:, 0], months[:, 1], made) < 1.0 - 1e-3
    assert 1e-3 < _off(months[:, 3], months[:, 4], 100.0 * made / fed) < 1.0 - 1e-3
    # and errors taken as those of each shift would say far too little
    assert months[:, 1].mean() > 1.2 * months[:, 2].mean()


@pytest.mark.skipif(not NIGHTLY, reason="hundreds of months: at night")
def test_limits_cover_and_those_without_shared_errors_do_not(months: np.ndarray) -> None:
    truth = Mill(SHIFTS).total("concentrate", "Pb") / 1000.0
    scatter = months[:, 0].std(ddof=1)
    assert scatter == pytest.approx(months[:, 1].mean(), rel=3.5 / np.sqrt(2 * DRAWS))
    assert scatter > 1.3 * months[:, 2].mean()
    hit, short = (np.abs(months[:, 0] - truth) <= 1.96 * months[:, j] for j in (1, 2))
    assert hit.mean() == pytest.approx(0.95, abs=3.5 * np.sqrt(0.95 * 0.05 / DRAWS))
    assert short.mean() < 0.90
