"""Bottle rolls drawn around a truth: ± against scatter, and which mistyped number is found.

By day a few draws; ORETALLY_NIGHTLY=1 takes 400 and 360.
"""

from __future__ import annotations

import numpy as np
import pytest
from bottle_rolls import GRADE, HOURS, drawn, leach_of, true_case, truth
from often import NIGHTLY
from published import within_binomial
from scipy.stats import chi2

from oretally.flowsheet import Survey
from oretally.io import Case
from oretally.recon import Balance, reconcile
from oretally.recon.leach_over_time import courses
from oretally.recon.propagation import joint_estimate
from oretally.recon.result import RateModel

DRAWS = 400 if NIGHTLY else 6
SLIPS = [(hour, factor) for factor in (1.4, 0.7, 1.25, 0.8, 10.0, 0.1) for hour in HOURS]
REPEATS = 10
CLEAN = 100 if NIGHTLY else 2


def _balance(case: Case, survey: Survey) -> Balance:
    return reconcile(case.circuit, survey, feed=case.feeds, products=case.products,
                     second_opinions=False)  # fmt: skip


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A bottle roll without errors."""
    return true_case(tmp_path_factory.mktemp("bottle"))


def test_joint_covariance_is_that_of_draws(case: Case) -> None:
    """Weighted squares of what the extractions are off by are chi-square, six a draw."""
    generator, total = np.random.default_rng(20), 0.0
    for _ in range(DRAWS):
        leach = leach_of(case.circuit, drawn(case.survey, generator))
        joint = joint_estimate(leach.covariance, leach.recoveries(0))
        assert joint is not None
        off = joint[0] - np.array(truth().extracted)
        total += float(off @ np.linalg.solve(joint[1], off))
    low, high = (float(chi2.ppf(p, len(HOURS) * DRAWS)) for p in (0.0005, 0.9995))
    # sds follow the drawn values, which leaves a few percent; so it was measured
    assert 0.9 * low < total < 1.1 * high


@pytest.mark.skipif(not NIGHTLY, reason="minutes: set ORETALLY_NIGHTLY=1")
def test_plateau_and_rate(case: Case) -> None:
    """± of plateau and rate are the scatter of draws; chi-square tests fail as often as stated."""
    generator = np.random.default_rng(21)
    fits, sds, failed = [], [], 0
    for _ in range(DRAWS):
        leach = leach_of(case.circuit, drawn(case.survey, generator))
        (course,) = courses(leach)
        curve = next(c for c in course.curves if c.model is RateModel.FIRST_ORDER)
        fits.append([p.value for p in curve.parameters])
        sds.append([p.sd for p in curve.parameters])
        failed += curve.holds is False
    scatter = np.std(np.array(fits, float), axis=0, ddof=1)
    assert scatter == pytest.approx(np.mean(np.array(sds, float), axis=0), rel=0.12)
    assert within_binomial(failed, DRAWS, 0.05)


def test_clean_rolls_are_left_alone(case: Case) -> None:
    """With nothing wrong in it hardly ever a number is suspected."""
    generator = np.random.default_rng(23)
    sound = [_balance(case, drawn(case.survey, generator)).gross_errors.sound for _ in range(CLEAN)]
    assert sum(s is not None and s < 0.5 for s in sound) <= 0.05 * CLEAN


def test_mistyped_assays_are_found(case: Case) -> None:
    """An assay of a sample badly off, up or down, is the first suspect in 90 % of what is seen."""
    generator = np.random.default_rng(22)
    slips = SLIPS * REPEATS if NIGHTLY else [SLIPS[i] for i in (15, 22)]
    seen = right = 0
    for hour, factor in slips:
        stream = f"sample at {hour:g} h"
        balance = _balance(case, drawn(case.survey, generator, {(stream, GRADE): factor}))
        sound = balance.gross_errors.sound
        if sound is not None and sound < 0.5:
            seen += 1
            first = balance.suspects[0].group[0] if balance.suspects else None
            right += first is not None and (first.where, first.quantity) == (stream, GRADE)
    assert seen >= 0.9 * len(slips)
    assert right >= (0.9 if NIGHTLY else 0.7) * seen
