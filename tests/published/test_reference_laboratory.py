"""Published checks of laboratory statistics: outlying readings, robust means, duplicates."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from published import REFERENCE
from scipy import stats

from oretally.recon.laboratory import blanks, dixon, grubbs, pooled_sd, standards
from oretally.recon.laboratory.duplicates import MEDIAN_TO_SD
from oretally.recon.laboratory.replicates import (
    algorithm_a,
    consistency_factor,
    dixon_limit,
    grubbs_limit,
    huber_proposal_2,
    interlaboratory,
    spread,
)

Floats = NDArray[np.float64]
Reference = Callable[[str], dict[str, Any]]

MISPRINTS = {(7, 0.05), (15, 0.01)}  # as the file's notes say
ROUNDED_UP = {(3, 0.05), (8, 0.05), (8, 0.01), (15, 0.05)}  # one unit from the formula in the last


def _rows(name: str) -> Iterator[dict[str, str]]:
    lines = (REFERENCE / name).read_text("utf-8").splitlines()
    return csv.DictReader(line for line in lines if not line.startswith("#"))


def _grubbs() -> list[tuple[int, float, float]]:
    return [
        (int(row["n"]), alpha, float(row[f"printed_alpha_{alpha:.2f}"]))
        for row in _rows("grubbs_critical.csv")
        for alpha in (0.05, 0.01)
    ]


@pytest.mark.parametrize(("n", "alpha", "printed"), _grubbs())
def test_grubbs_table(n: int, alpha: float, printed: float) -> None:
    """Open analytical-chemistry textbook, appendix: one outlier, two-sided."""
    if (n, alpha) in MISPRINTS:
        assert abs(grubbs_limit(n, alpha) - printed) > 0.05
    else:
        tolerance = 1.5e-3 if (n, alpha) in ROUNDED_UP else 5.1e-4
        assert grubbs_limit(n, alpha) == pytest.approx(printed, abs=tolerance)


def test_grubbs_limit_from_the_distribution() -> None:
    """The same from scipy.stats' Student's t, where no table is at hand."""
    for n, alpha in ((4, 0.10), (30, 0.05), (200, 0.01)):
        t = stats.t.isf(alpha / (2 * n), n - 2)
        expected = (n - 1) / n**0.5 * (t**2 / (n - 2 + t**2)) ** 0.5
        assert grubbs_limit(n, alpha) == pytest.approx(expected, rel=1e-10)


def test_dixon_table() -> None:
    """Rorabacher, Anal. Chem. 63 (1991) 139-146, every value as printed."""
    seen = 0
    for row in _rows("dixon_q_critical.csv"):
        for alpha in (0.10, 0.05, 0.04, 0.02, 0.01):
            printed = float(row[f"alpha_{alpha:.2f}"])
            assert dixon_limit(int(row["n"]), alpha) == printed
            seen += 1
    assert seen == 40


@pytest.mark.parametrize(("n", "alpha"), [(3, 0.05), (5, 0.10), (8, 0.01), (10, 0.05)])
def test_dixon_table_is_two_sided(n: int, alpha: float) -> None:
    """The larger of the two end gaps exceeds the printed value with chance alpha: 4e5 samples."""
    x = np.sort(np.random.default_rng(n).standard_normal((400_000, n)), axis=1)
    ends = np.maximum(x[:, 1] - x[:, 0], x[:, -1] - x[:, -2]) / (x[:, -1] - x[:, 0])
    beyond = float(np.mean(ends > dixon_limit(n, alpha)))
    # three decimals of the table move alpha by up to 2 % of it, four binomial sd by 1 to 3 % more
    assert beyond == pytest.approx(alpha, rel=0.05)


def test_dixon_example(reference: Reference) -> None:
    """Encyclopaedia article on the Q test: ten values, the lowest rejected at 90, kept at 95 %."""
    data = reference("dixon_example_ten")
    values, printed = data["inputs"]["values"], data["published"]
    at90, at95 = dixon(values, 0.10), dixon(values, 0.05)
    assert at90.statistic == pytest.approx(printed["Q"], abs=5e-4)
    assert (at90.critical, at95.critical) == (printed["Q90"], printed["Q95"])
    assert (at90.flagged, at95.flagged) == (True, False)
    assert at90.value == min(values) and values[at90.index] == min(values)


@pytest.mark.parametrize("level", ["level_1", "level_3"])
def test_interlaboratory(level: str, reference: Reference) -> None:
    """ISO 5725-2:1994, annex B, example 1: sulfur in coal, unequal numbers of results."""
    data = reference("iso5725_coal_sulfur_levels_1_3")
    found = interlaboratory(data["inputs"][level])
    printed, own = data["published"][level], data["recomputed"][level]
    digits = 5e-3 if level == "level_1" else 5e-4  # 0.69, 1.667
    assert found.mean == pytest.approx(printed["mean"], abs=digits)
    assert found.repeatability_sd == pytest.approx(printed["s_r"], abs=5e-4)
    assert found.reproducibility_sd == pytest.approx(printed["s_R"], abs=5e-4)
    assert found.mean == pytest.approx(own["mean"], abs=1e-6)
    assert found.repeatability_sd == pytest.approx(own["s_r"], abs=1e-6)
    assert found.reproducibility_sd == pytest.approx(own["s_R"], abs=1e-6)
    assert (found.n_laboratories, found.n_results, found.dof) == (8, 27, 19)
    assert pooled_sd(data["inputs"][level]).sd == found.repeatability_sd


def test_robust_mean_of_copper(reference: Reference) -> None:
    """Venables and Ripley (2002), section 5.5: 24 determinations, one of them wild."""
    data = reference("robust_mean_copper_flour")
    values, printed = data["inputs"]["values"], data["published"]
    own = data["recomputed"]["iso13528_algorithm_A"]
    huber, iso = huber_proposal_2(values), algorithm_a(values)
    assert huber.mean == pytest.approx(printed["huber_proposal2"]["mu"], abs=5e-5)
    assert huber.sd == pytest.approx(printed["huber_proposal2"]["s"], abs=5e-6)
    assert iso.mean == pytest.approx(own["x"], abs=5e-9)
    assert iso.sd == pytest.approx(own["s"], abs=5e-7)  # constants 1.483 and 1.134
    assert spread(values).mean == pytest.approx(printed["mean"], abs=5e-3)
    assert huber.moved == iso.moved == 2  # 5.28 and 28.95
    assert grubbs(values).flagged and grubbs(values).value == 28.95


def test_constants(reference: Reference) -> None:
    """Stanley and Lawie (2007): 1.04836; ISO 13528: 1.134, the root of 1 / beta at k = 1.5."""
    printed = reference("thompson_howarth_constants")["published"]
    assert MEDIAN_TO_SD == pytest.approx(printed["median_absolute_difference_to_sd"], abs=5e-6)
    assert consistency_factor(1.5) ** -0.5 == pytest.approx(1.134, abs=1e-3)  # 1.1334, rounded up


def test_clopper_pearson() -> None:
    """Limits of a part against scipy's exact binomial test."""
    for k, n in ((0, 9), (2, 12), (7, 7)):
        found = blanks([1.0] * k + [0.0] * (n - k), 0.5)
        exact = stats.binomtest(k, n).proportion_ci(0.95, "exact")
        assert (found.fraction_low, found.fraction_high) == pytest.approx(tuple(exact), abs=1e-12)


def test_carry_over_and_bias_against_scipy() -> None:
    """Slope and t against scipy.stats.linregress, Student's interval against ttest_1samp."""
    rng = np.random.default_rng(3)
    before, noise = rng.uniform(1.0, 50.0, 12), rng.normal(0.0, 0.05, 12)
    found = blanks(0.1 + 0.004 * before + noise, 0.3, before).carry_over
    line = stats.linregress(before, 0.1 + 0.004 * before + noise, alternative="greater")
    assert found is not None
    assert (found.slope, found.intercept) == pytest.approx((line.slope, line.intercept), rel=1e-9)
    assert (found.sd, found.p) == pytest.approx((line.stderr, line.pvalue), rel=1e-9)
    bias = standards(5.0 + noise, 5.0, 0.0, method_sd=0.05).bias
    student = stats.ttest_1samp(noise, 0.0)
    limits = student.confidence_interval(0.95)
    assert bias is not None
    assert (bias.low, bias.high) == pytest.approx((limits.low, limits.high), rel=1e-9)
    assert (bias.p, bias.dof) == pytest.approx((student.pvalue, 11.0), rel=1e-9)
