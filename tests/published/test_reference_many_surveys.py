"""Published checks of what many surveys tell: variance components, pooling, charts, changes."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from published import REFERENCE

from oretally.recon.trends import (
    Between,
    cusum,
    cusum_run_length,
    ewma,
    level_change,
    pooled,
    rules_run_length,
    several_changes,
)
from oretally.recon.variance_components import Components, fitted_components, mixed_model

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def _read(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((REFERENCE / f"{name}.json").read_text("utf-8"))
    return found


def _fitted(y: Floats, factors: list[Ints]) -> tuple[Components, float]:
    """Return the fit with one mean, and -2 log likelihood with its constant, as it is printed."""
    k = len(factors) + 1
    found = fitted_components(
        mixed_model(y, np.ones((y.size, 1)), factors), np.full(k, y.var() / k)
    )
    assert found.converged
    criterion = -2.0 * found.log_likelihood + (y.size - 1) * math.log(2.0 * math.pi)
    return found, criterion


def test_variance_between_batches_of_dyestuff() -> None:
    """Davies and Goldsmith (1972), 6.4, as open libraries for mixed models print it."""
    data = _read("varcomp_dyestuff")
    y = np.array([v for batch in data["inputs"]["batches"].values() for v in batch], dtype=float)
    found, criterion = _fitted(y, [np.repeat(np.arange(6), 5)])
    told = data["published"]["reml"]
    assert found.theta[0] == pytest.approx(told["variance_batch"], abs=0.5)
    assert found.theta[1] == pytest.approx(told["variance_within"], abs=0.5)
    assert found.theta[0] ** 0.5 == pytest.approx(told["sd_batch"], abs=5e-5)
    assert found.theta[1] ** 0.5 == pytest.approx(told["sd_within"], abs=5e-5)
    assert found.effects[0] == pytest.approx(told["mean"], abs=0.05)
    assert found.effects_covariance[0, 0] ** 0.5 == pytest.approx(told["se_mean"], abs=0.005)
    assert criterion == pytest.approx(told["criterion"], abs=5e-5)


def test_variance_between_deliveries_and_casks_of_paste() -> None:
    """Davies and Goldsmith (1972), 6.5, nested, as open libraries for mixed models print it."""
    data = _read("varcomp_pastes_nested")
    casks = [cask for delivery in data["inputs"]["deliveries"].values() for cask in delivery]
    y = np.array([v for cask in casks for v in cask])
    found, criterion = _fitted(y, [np.repeat(np.arange(30), 2), np.repeat(np.arange(10), 6)])
    told = data["published"]["reml"]
    for k, name in enumerate(("cask", "delivery", "analysis")):
        assert found.theta[k] == pytest.approx(told[f"variance_{name}"], abs=5e-4)
        assert found.theta[k] ** 0.5 == pytest.approx(told[f"sd_{name}"], abs=5e-5)
    assert found.effects[0] == pytest.approx(told["mean"], abs=5e-5)
    assert found.effects_covariance[0, 0] ** 0.5 == pytest.approx(told["se_mean"], abs=5e-5)
    assert criterion == pytest.approx(told["criterion"], abs=5e-7)


def _day_and_run(*, balanced: bool) -> Components:
    data = _read("varcomp_unbalanced_day_run")["inputs"]
    rows = np.array(data["values"])
    if not balanced:
        rows = np.delete(rows, np.array(data["rows_left_out_for_the_unbalanced_case"]) - 1, axis=0)
    day, run = rows[:, 0].astype(int), rows[:, 1].astype(int)
    return _fitted(rows[:, 2], [day, 10 * day + run])[0]


def test_variance_between_days_and_runs() -> None:
    """Precision study of 20 days, of an open package for variance components: REML, unbalanced.

    The printed values differ from the minimum by 1.5e-4: its optimiser stopped early (the file).
    """
    data = _read("varcomp_unbalanced_day_run")
    found = _day_and_run(balanced=False)
    assert found.theta == pytest.approx([*data["published"]["unbalanced_reml"].values()], rel=2e-4)
    ours = [*data["recomputed"]["unbalanced_reml"].values()]
    assert found.theta == pytest.approx(ours, rel=5e-6)


def test_variance_between_days_and_runs_balanced() -> None:
    """Balanced, and with no component below 0, REML is the analysis of variance (same source)."""
    data = _read("varcomp_unbalanced_day_run")["published"]["balanced_anova"]
    found = _day_and_run(balanced=True)
    told = [data["day"], data["run"], data["error"]]
    assert found.theta == pytest.approx(told, abs=2e-6)


@pytest.mark.parametrize(("name", "between", "key", "digits"), [
    ("pooled_nine_stays", Between.NONE, "common", 2e-4),
    ("pooled_nine_stays", Between.DERSIMONIAN_LAIRD, "dersimonian_laird", 2e-4),
    ("pooled_nine_stays", Between.REML, "reml", 2e-4),
    ("pooled_thirteen_trials", Between.NONE, "common", 5e-5),
    ("pooled_thirteen_trials", Between.DERSIMONIAN_LAIRD, "dersimonian_laird", 5e-5),
    ("pooled_thirteen_trials", Between.REML, "reml", 5e-5),
])  # fmt: skip
def test_pooled(name: str, between: Between, key: str, digits: float) -> None:
    """Normand (1999) and Colditz and others (1994), as open packages for meta-analysis print."""
    data = _read(name)
    y, v = np.array(data["inputs"]["y"], float), np.array(data["inputs"]["variance"])
    found, told = pooled(y, v**0.5, between), data["published"][key]
    if "estimate" in told:
        assert found.mean == pytest.approx(told["estimate"], abs=digits)
        half = 1.959964 * found.sd
        ends = [found.mean - half, found.mean + half]
        assert ends == pytest.approx(told["interval95"], abs=digits)
    if "tau2" in told:
        # the variances of the nine stays are printed to four decimals
        assert found.between**2 == pytest.approx(told["tau2"], abs=max(digits, 15 * digits))
    if "Q" in told:
        assert found.heterogeneity == pytest.approx(told["Q"], abs=5e-4)


@pytest.mark.parametrize("name", ["pooled_nine_stays", "pooled_thirteen_trials"])
def test_pooled_by_paule_and_mandel(name: str) -> None:
    """Recomputed elsewhere, not published."""
    data = _read(name)
    y, v = np.array(data["inputs"]["y"], float), np.array(data["inputs"]["variance"])
    found, told = pooled(y, v**0.5), data["recomputed"]["paule_mandel"]
    assert found.between**2 == pytest.approx(told["tau2"], rel=1e-6)
    assert found.mean == pytest.approx(told["estimate"], rel=1e-6)


def _half_unit(value: float) -> float:
    """Return half a unit of the third digit, or of the second decimal below 10."""
    return 0.5 if value >= 100.0 else 0.05 if value >= 10.0 else 0.005


@pytest.mark.parametrize("h", [4, 5])
def test_run_lengths_of_a_cusum(h: int) -> None:
    """Lucas and Crosier (1982); Montgomery and Runger; one-sided: handbook, but for one value."""
    data = _read("cusum_arl_k05")
    for i, shift in enumerate(data["inputs"]["shift_sd"]):
        told = data["published"]["two_sided"][f"h{h}"][i]
        assert cusum_run_length(shift, decision=h) == pytest.approx(told, abs=_half_unit(told))
        ours = data["recomputed"]["one_sided_upper"][f"h{h}"][i]
        found = cusum_run_length(shift, decision=h, both_sides=False)
        assert found == pytest.approx(ours, rel=1e-6)
        told = data["published"]["one_sided_upper"][f"h{h}"][i]
        if told != 336:  # misremembered, as the file says
            assert found == pytest.approx(told, abs=0.05 if told > 100.0 else 0.005)


def test_run_lengths_of_rules() -> None:
    """Champ and Woodall (1987), table 1: 3 sd alone, and with eight in a row on one side."""
    data = _read("shewhart_arl_eight_on_one_side")
    told = data["published"]
    for i, shift in enumerate(data["inputs"]["shift_sd"]):
        alone, both = told["arl_3sd"][i], told["arl_3sd_or_8_on_one_side"][i]
        digits = 0.05 if alone == 370.4 else 0.005
        assert rules_run_length(shift, run=None) == pytest.approx(alone, abs=digits + 1e-9)
        assert rules_run_length(shift) == pytest.approx(both, abs=0.005)


def test_cusum_of_concentrations() -> None:
    """Montgomery and Runger, example 16-6: all 40 sums."""
    data = _read("cusum_series_concentration")
    given, told = data["inputs"], data["published"]
    z = np.array(given["x"]) - given["target"]
    found = cusum(z, reference=given["K"], decision=given["H"])
    assert found.up == pytest.approx(told["upper"], abs=1e-9)
    assert found.down == pytest.approx(told["lower"], abs=1e-9)
    assert found.signal is None


def test_ewma_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 6.3.2.4; its limits are those of the steady state."""
    data = _read("ewma_chart_handbook")
    given, told = data["inputs"], data["published"]
    x = np.array(given["x"])
    settled = np.concatenate([np.full(200, given["start"], float), x])
    found = ewma(settled, given["start"], np.full(settled.size, given["sd"]),
                 weight=given["lambda"], factor=given["factor"])  # fmt: skip
    assert found.average[200:] == pytest.approx(told["ewma"], abs=0.00501)
    assert found.high[-1] == pytest.approx(told["ucl"], abs=1e-4)
    assert found.low[-1] == pytest.approx(told["lcl"], abs=1e-4)
    assert found.signals == ()


def test_ewma_and_cusum_of_thirty_values() -> None:
    """Montgomery, chapter on cumulative sums and moving averages: the shift is seen at 29."""
    data = _read("ewma_cusum_thirty_values")
    given, told = data["inputs"], data["published"]
    x, sd = np.array(given["x"]), np.full(30, float(given["sd"]))
    found = ewma(x, given["target"], sd, weight=given["ewma"]["lambda"],
                 factor=given["ewma"]["factor"])  # fmt: skip
    assert found.average == pytest.approx(told["ewma"], rel=5e-6)
    for i, key in ((0, "first"), (1, "second"), (29, "steady")):
        assert [found.low[i], found.high[i]] == pytest.approx(told["ewma_limits"][key], abs=0.005)
    assert found.signals[0] + 1 == told["ewma_first_signal"]
    sums = cusum(x - given["target"], reference=given["cusum"]["K"], decision=given["cusum"]["H"])
    assert sums.signal is not None
    assert sums.signal + 1 == told["cusum_first_signal"]
    assert sums.up[28] == pytest.approx(told["cusum_upper_at_29"], abs=0.005)


def test_change_of_the_nile() -> None:
    """Cobb (1978); break, F, squares and BIC as a package on structural change prints them.

    Its interval, 1895 to 1902, is Bai's with a variance of its own before and after; ours is the
    posterior with one variance, 1896 to 1899, and lies within it.
    """
    data = _read("change_point_nile")
    y, told = np.array(data["inputs"]["flow"], float), data["published"]
    one = level_change(y, np.ones(100), least=15)
    assert one.index == told["index"]
    assert one.F == pytest.approx(told["sup_F"], abs=0.005)
    two = several_changes(y, np.ones(100), 2, least=15)
    first = data["inputs"]["first_year"] - 1
    assert [first + i for i in two.indices] == told["two_breaks"]
    for k, (name, rss) in enumerate(
        {"no_break": one.rss_without, "one": one.rss, "two": two.rss}.items()
    ):
        assert rss == pytest.approx(told["rss"][name], abs=0.5)
        bic = 100.0 * (math.log(2.0 * math.pi * rss / 100.0) + 1.0) + (2 * k + 2) * math.log(100.0)
        assert bic == pytest.approx(told["bic"][name], abs=0.5)
    low, high = (first + i for i in one.places)
    assert told["interval95"][0] <= low <= 1898 <= high <= told["interval95"][1]
    assert several_changes(y, np.ones(100), 1, least=15).indices == (28,)
