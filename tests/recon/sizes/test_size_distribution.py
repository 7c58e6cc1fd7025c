"""Size distributions: published exercise, closed forms, properties, simulated errors, refusals."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often
from scipy.optimize import minimize
from scipy.stats import chi2

from oretally.recon.result import NoFit, SizeAt, SizeLaw
from oretally.recon.sizes.curves import crossing
from oretally.recon.sizes.distribution import (
    Interpolation,
    SizeDistribution,
    SizeFit,
    fit_size_law,
    passing_size,
    size_distribution,
)

Reference = Callable[[str], dict[str, Any]]
Floats = NDArray[np.float64]
GGS, RR = SizeLaw.GATES_GAUDIN_SCHUHMANN, SizeLaw.ROSIN_RAMMLER
OPENING = np.array([300.0, 212.0, 150.0, 106.0, 75.0, 53.0, 38.0])


def _passing(law: SizeLaw, exponent: float, size: float, at: Floats = OPENING) -> Floats:
    """Both laws as the books print them."""
    if law is GGS:
        return np.asarray(np.minimum((at / size) ** exponent, 1.0))
    return np.asarray(1.0 - np.exp(-((at / size) ** exponent)))


def _masses(passing: Floats) -> Floats:
    return np.asarray(-np.diff(np.concatenate([[1.0], passing, [0.0]])))


def _correlated(mass: Floats, relative: float) -> Floats:
    """Errors of each class, and one that moves neighbours against each other."""
    n = len(mass)
    swap = np.eye(n)[1:] - np.eye(n)[:-1]
    lost = relative * np.minimum(mass[1:], mass[:-1])[:, None] * swap
    return np.asarray(np.diag((relative * mass) ** 2) + lost.T @ lost)


def _fitted(sizes: SizeDistribution, law: SizeLaw, weighted: bool) -> SizeFit:
    fit = fit_size_law(sizes, law, weighted=weighted)
    assert isinstance(fit, SizeFit)
    return fit


def _found(size: SizeAt) -> float:
    assert size.size_um is not None
    return size.size_um


def _phosphate(reference: Reference, relative: float | None = None) -> SizeDistribution:
    given_ = reference("psd_ggs_phosphate")["inputs"]
    mass = np.array([*given_["weight_retained_pct"], given_["pan_pct"]])
    V = None if relative is None else np.diag((relative * mass) ** 2)
    return size_distribution(given_["sieve_um"], mass, V)


def test_ground_phosphate_rock(reference: Reference) -> None:
    """Teaching wiki for mineral engineers, page on sieve analysis (looked up): five sieves.

    Its d80 is a plain line through all five points, carried on beyond the coarsest sieve.
    """
    data, sizes = reference("psd_ggs_phosphate"), _phosphate(reference)
    percent = data["inputs"]["cumulative_passing_pct"]
    assert 100.0 * sizes.passing == pytest.approx(percent, abs=1e-9)
    fit = _fitted(sizes, GGS, weighted=False)
    d80 = fit.passing_size(80.0)
    assert d80.size_um == pytest.approx(data["published"]["d80_um"], abs=0.005)
    own = data["recomputed"]
    assert d80.size_um == pytest.approx(own["d80_um"], abs=5e-9)
    assert fit.exponent == pytest.approx(own["slope"], abs=5e-11)
    assert fit.size_um == pytest.approx(own["size_modulus_um"], abs=5e-9)
    assert d80.extrapolated
    assert not fit.passing_size(50.0).extrapolated
    assert (fit.dof, fit.p, fit.doubt, fit.exponent_sd, d80.sd_um) == (3, None, "", None, None)


def test_no_size_beyond_the_openings(reference: Reference) -> None:
    """Only the law goes beyond the coarsest sieve; the interpolation says why it does not."""
    for by in Interpolation:
        p80 = passing_size(_phosphate(reference), 80.0, by)
        assert (p80.size_um, p80.sd_um) == (None, None)
        assert p80.reason == (
            "80 % is not reached: the curve runs from 27.1 to 62.8 %, at 38 to 125 um."
        )
    assert passing_size(_phosphate(reference), 20.0).reason.startswith("20 % is not reached")


def test_a_law_that_does_not_hold_is_doubted(reference: Reference) -> None:
    """Masses stated to 1 % do not lie on a line: the weighted fit says so in words."""
    fit = _fitted(_phosphate(reference, 0.01), GGS, weighted=True)
    assert fit.p is not None
    assert fit.p < 1e-6
    assert fit.doubt.startswith("the curve misses the points by more than their errors explain")
    assert "on 3 degrees of freedom" in fit.doubt


@settings(max_examples=50)
@given(st.floats(0.3, 1.5), st.floats(250.0, 900.0), st.booleans())
def test_gates_gaudin_schuhmann_gives_its_parameters_back(
    m: float, k: float, weighted: bool
) -> None:
    mass = _masses(_passing(GGS, m, k))
    fit = _fitted(size_distribution(OPENING, mass, _correlated(mass, 0.02)), GGS, weighted)
    assert (fit.exponent, fit.size_um) == pytest.approx((m, k), rel=1e-7)
    assert fit.left_out_um == tuple(OPENING[k <= OPENING])
    assert fit.residual == pytest.approx(np.zeros(len(fit.opening_um)), abs=1e-9)
    assert _found(fit.passing_size(80.0)) == pytest.approx(k * 0.8 ** (1.0 / m), rel=1e-7)
    assert fit.passing(OPENING) == pytest.approx(_passing(GGS, m, k), abs=1e-7)


@settings(max_examples=50)
@example(1.98046875, 65.0, True)  # 1e-9 of the mass is coarser than the coarsest opening
@given(st.floats(0.5, 2.0), st.floats(40.0, 300.0), st.booleans())
def test_rosin_rammler_gives_its_parameters_back(n: float, d: float, weighted: bool) -> None:
    mass = _masses(_passing(RR, n, d))
    fit = _fitted(size_distribution(OPENING, mass, _correlated(mass, 0.02)), RR, weighted)
    assert (fit.exponent, fit.size_um) == pytest.approx((n, d), rel=1e-6)
    assert fit.passing(d) == pytest.approx(1.0 - np.exp(-1.0), abs=1e-6)
    p80 = fit.passing_size(80.0)
    assert _found(p80) == pytest.approx(d * np.log(5.0) ** (1.0 / n), rel=1e-6)
    assert p80.extrapolated == (not 38.0 <= _found(p80) <= 300.0)


def test_an_interpolation_is_exact_at_the_openings() -> None:
    mass = _masses(_passing(RR, 1.1, 110.0))
    sizes = size_distribution(OPENING, mass, _correlated(mass, 0.02))
    for by in Interpolation:
        for opening, P in zip(OPENING, sizes.passing, strict=True):
            assert _found(passing_size(sizes, 100.0 * P, by)) == pytest.approx(opening, rel=1e-12)


def test_sd_at_a_corner_is_between_those_of_its_sides() -> None:
    mass = np.array([0.25, 0.25, 0.125, 0.375])  # exact in binary: 75, 50 and 37.5 % pass
    sizes = size_distribution([200.0, 100.0, 50.0], mass, np.diag((0.01 * mass) ** 2))
    low, at, high = (passing_size(sizes, 50.0 + e).sd_um for e in (-1e-7, 0.0, 1e-7))
    assert low is not None
    assert high is not None
    assert at == pytest.approx((low + high) / 2.0, rel=1e-6)
    assert low > 1.5 * high


@given(st.floats(0.3, 1.5), st.floats(29.0, 95.0))
def test_log_log_is_exact_for_gates_gaudin_schuhmann(m: float, percent: float) -> None:
    """Both are straight lines in the same logarithms."""
    sizes = size_distribution(OPENING, _masses(_passing(GGS, m, 301.0)))
    found = passing_size(sizes, percent, Interpolation.LOG_LOG)
    exact = 301.0 * (percent / 100.0) ** (1.0 / m)
    if exact < 38.0:
        assert found.size_um is None
    else:
        assert found.size_um == pytest.approx(exact, rel=1e-9)


def test_semi_log_by_hand() -> None:
    """80 % lies half way between 90 and 70 %: at the geometric mean of 200 and 100 um.

    Var(ln x) = (ln 2 / 0.2)^2 Var((P1 + P2) / 2), with exact total mass and independent classes 2
    and 3: P1 = s2 + s3 and P2 = s3, the rest exact.
    """
    V = np.diag([0.0, 0.01**2, 0.02**2])
    V[0] = V[:, 0] = -V.sum(axis=0)
    V[0, 0] = 0.01**2 + 0.02**2
    p80 = passing_size(size_distribution([200.0, 100.0], [0.1, 0.2, 0.7], V), 80.0)
    assert p80.size_um == pytest.approx(np.sqrt(2.0) * 100.0, rel=1e-12)
    slope = np.sqrt(2.0) * 100.0 * np.log(2.0) / 0.2
    assert p80.sd_um == pytest.approx(slope * np.hypot(0.5 * 0.01, 0.02), rel=1e-9)


def test_what_nothing_passes_has_no_logarithm() -> None:
    sizes = size_distribution([200.0, 100.0, 50.0], [1.0, 1.0, 2.0, 0.0], np.eye(4) * 1e-4)
    p60 = passing_size(sizes, 60.0, Interpolation.LOG_LOG)
    assert p60.size_um == pytest.approx(100.0 * 2.0 ** (np.log(1.2) / np.log(1.5)), rel=1e-12)
    assert p60.sd_um is not None
    low = passing_size(sizes, 25.0, Interpolation.LOG_LOG)
    assert low.reason == "25 % is not reached: the curve runs from 50 to 75 %, at 100 to 200 um."
    assert _found(passing_size(sizes, 25.0)) == pytest.approx(np.sqrt(50.0 * 100.0))


def test_a_level_along_a_flat_stretch_has_no_size() -> None:
    sizes = size_distribution([200.0, 100.0, 50.0], [1.0, 0.0, 0.5, 0.5])
    p50 = passing_size(sizes, 50.0)
    assert p50.size_um is None
    assert p50.reason == ("the curve stays at 50 % from 100 to 200 um: no one size can be named.")
    one = passing_size(size_distribution([100.0], [1.0, 1.0]), 50.0)
    assert one.reason == "50 % lies at the only size, 100 um: no line runs there."


def test_a_curve_that_touches_or_crosses_twice() -> None:
    u = np.log([400.0, 200.0, 100.0])
    touched = crossing(u, np.array([0.6, 0.5, 0.6]), 0.5)
    assert touched.reason.startswith("the curve meets 50 % several times, at 200, 200 um")
    twice = crossing(u, np.array([0.4, 0.6, 0.4]), 0.5)
    assert twice.log_size is None
    assert twice.reason == (
        "the curve meets 50 % several times, at 282.8, 141.4 um: no one size can be named."
    )
    assert crossing(u[:0], u[:0], 0.5).reason == "no size has a value of the curve."


masses = st.lists(st.floats(0.01, 1.0), min_size=3, max_size=9).map(np.array)


@given(masses, st.floats(0.01, 100.0), st.floats(1e-3, 1e3), st.floats(5.0, 95.0))
def test_monotone_sums_to_one_and_free_of_units(
    mass: Floats, size_unit: float, mass_unit: float, percent: float
) -> None:
    opening = 1000.0 / 2.0 ** np.arange(len(mass) - 1)
    V = _correlated(mass, 0.05)
    one = size_distribution(opening, mass, V)
    other = size_distribution(size_unit * opening, mass_unit * mass, mass_unit**2 * V)
    assert one.share.sum() == pytest.approx(1.0)
    assert np.all(np.diff(one.passing) < 0.0)
    assert np.all((one.passing > 0.0) & (one.passing < 1.0))
    assert one.retained == pytest.approx(np.cumsum(one.share)[:-1])
    assert one.share_covariance is not None
    assert one.share_covariance.sum(axis=0) == pytest.approx(np.zeros(len(mass)), abs=1e-12)
    assert one.passing_sd == pytest.approx(other.passing_sd, rel=1e-6)
    for by in Interpolation:
        a, b = passing_size(one, percent, by), passing_size(other, percent, by)
        assert (a.size_um is None) == (b.size_um is None)
        if a.size_um is not None and b.size_um is not None:
            assert b.size_um == pytest.approx(size_unit * a.size_um, rel=1e-9)
            assert opening[-1] <= a.size_um * (1 + 1e-12) <= opening[0] * (1 + 2e-12)
    a_fit, b_fit = (_fitted(s, RR, weighted=False) for s in (one, other))
    assert b_fit.exponent == pytest.approx(a_fit.exponent, rel=1e-6)
    assert b_fit.size_um == pytest.approx(size_unit * a_fit.size_um, rel=1e-6)


def test_shares_that_know_their_sum_keep_their_covariance() -> None:
    mass = np.array([3.0, 4.0, 2.0, 1.0])
    once = size_distribution([200.0, 100.0, 50.0], mass, _correlated(mass, 0.03))
    assert once.share_covariance is not None
    again = size_distribution(once.opening_um, once.share, once.share_covariance)
    assert again.share_covariance == pytest.approx(once.share_covariance, abs=1e-15)


@pytest.mark.parametrize(("law", "exponent", "size"), [(GGS, 0.7, 320.0), (RR, 1.1, 110.0)])
def test_weighted_fit_is_the_least_of_its_objective(
    law: SizeLaw, exponent: float, size: float
) -> None:
    """Another minimiser, which knows no derivatives, finds the same parameters."""
    rng = np.random.default_rng(20)
    mass = _masses(_passing(law, exponent, size))
    V = _correlated(mass, 0.03)
    sizes = size_distribution(OPENING, rng.multivariate_normal(mass, V), V)
    fit = _fitted(sizes, law, weighted=True)
    assert sizes.passing_covariance is not None
    weight = np.linalg.inv(sizes.passing_covariance)

    def objective(theta: Floats) -> float:
        at = OPENING / (size * theta[1])
        line = at ** (exponent * theta[0])
        r = sizes.passing - (line if law is GGS else 1.0 - np.exp(-line))
        return float(r @ weight @ r)

    options: Any = {"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}
    other = minimize(objective, np.ones(2), method="Nelder-Mead", options=options)
    assert fit.chi_square == pytest.approx(other.fun, rel=1e-6)
    assert (fit.exponent, fit.size_um) == pytest.approx(other.x * [exponent, size], rel=1e-5)
    assert fit.chi_square is not None
    assert fit.p == pytest.approx(chi2.sf(fit.chi_square, len(OPENING) - 2), rel=1e-9)


@pytest.mark.parametrize(("law", "exponent", "size"), [(GGS, 0.7, 320.0), (RR, 1.1, 110.0)])
def test_stated_sds_are_those_of_simulated_errors(
    law: SizeLaw, exponent: float, size: float
) -> None:
    """1,000 surveys with errors of 0.5 %, by day a fifth: an sd of n of them has an sd of 1 in
    sqrt(2n), four of these allowed."""
    rng, n = np.random.default_rng(7), often(1000)
    mass = _masses(_passing(law, exponent, size))
    V = _correlated(mass, 0.005)

    def answers(m: Floats) -> tuple[list[float | None], list[float | None], SizeFit]:
        sizes = size_distribution(OPENING, m, V)
        plain, fit = (_fitted(sizes, law, weighted) for weighted in (False, True))
        found = [passing_size(sizes, 60.0), passing_size(sizes, 60.0, Interpolation.LOG_LOG),
                 plain.passing_size(80.0), fit.passing_size(80.0)]  # fmt: skip
        values = [plain.exponent, plain.size_um, fit.exponent, fit.size_um]
        sds = [plain.exponent_sd, plain.size_sd_um, fit.exponent_sd, fit.size_sd_um]
        return [*values, *(s.size_um for s in found)], [*sds, *(s.sd_um for s in found)], fit

    drawn = [answers(m) for m in rng.multivariate_normal(mass, V, size=n)]
    values = np.array([v for v, _, _ in drawn], float)
    truth, stated, _ = answers(mass)
    assert np.array(stated, float) == pytest.approx(
        values.std(axis=0, ddof=1), rel=4.0 / (2 * n) ** 0.5
    )
    assert np.all(np.abs(values.mean(axis=0) / np.array(truth, float) - 1.0) < 2e-3)
    # no tighter estimate than the weighted one
    assert stated[2] is not None
    assert stated[0] is not None
    assert stated[2] < stated[0]
    # the goodness of fit is even between 0 and 1: mean 0.5 within four of its own sds
    p = np.array([fit.p for _, _, fit in drawn], float)
    assert abs(p.mean() - 0.5) < 4.0 * np.sqrt(1.0 / 12.0 / n)


def test_no_law_and_why() -> None:
    few = fit_size_law(size_distribution([200.0, 100.0], [0.0, 1.0, 1.0]), GGS, weighted=False)
    assert few == NoFit(
        "a Gates-Gaudin-Schuhmann law needs 2 openings that part of the mass passes: 1 found."
    )
    flat = fit_size_law(size_distribution([200.0, 100.0], [1.0, 0.0, 1.0]), RR, weighted=False)
    assert flat == NoFit(
        "the cumulative passing is all but the same at all openings used: no law has a slope."
    )
    hardly = fit_size_law(size_distribution([200.0, 100.0], [1.0, 1e-6, 1.0], np.eye(3)), GGS)
    assert hardly == flat
    V = np.diag([1e-4, 0.0, 1e-4, 1e-4])
    sizes = size_distribution([200.0, 100.0, 50.0], [1.0, 0.0, 1.0, 1.0], V)
    singular = fit_size_law(sizes, RR)
    assert singular == NoFit(
        "the covariance of the cumulative passing is singular: some values, or differences of "
        "them, are stated as exact. Join such classes."
    )


def test_two_openings_have_no_degree_of_freedom() -> None:
    fit = _fitted(size_distribution([200.0, 100.0], [1.0, 1.0, 1.0], np.eye(3) * 1e-4), RR, True)
    assert (fit.dof, fit.p, fit.doubt) == (0, None, "")
    assert fit.chi_square == pytest.approx(0.0, abs=1e-12)


_ONES = [1.0, 1.0, 1.0]
REFUSED: list[tuple[list[float], list[float], Any, str]] = [
    ([100.0, 200.0], _ONES, None, "the openings must descend, coarsest first: 200 um stands "
     "behind 100 um. Turn the order of the classes."),
    ([100.0, 100.0], _ONES, None, "the openings must descend, coarsest first: 100 um stands "
     "behind 100 um. Turn the order of the classes."),
    ([100.0, 0.0], _ONES, None, "every opening must be a finite number above 0, in um."),
    ([], [1.0], None, "the openings must be one row of at least 1 number, in um."),
    ([200.0, 100.0], [1.0, -0.5, 1.0], None,
     "the mass of class 2 is -0.5: it must be a finite number not below 0."),
    ([200.0, 100.0], [1.0, 1.0, np.nan], None,
     "the mass of class 3 is nan: it must be a finite number not below 0."),
    ([200.0, 100.0], [1.0, 1.0], None, "2 openings bound 3 size classes, pan included: the mass "
     "has the shape (2,). Give one number for each class."),
    ([200.0, 100.0], [0.0, 0.0, 0.0], None,
     "the masses of the classes sum to 0. Give a stream that has mass."),
    ([200.0, 100.0], _ONES, np.eye(2), "the covariance must have the shape (3, 3), not (2, 2)."),
    ([200.0, 100.0], _ONES, np.full((3, 3), np.inf),
     "every number of the covariance must be finite."),
    ([200.0, 100.0], _ONES, np.triu(np.ones((3, 3))), "the covariance is not symmetric."),
    ([200.0, 100.0], _ONES, np.diag([1.0, -1.0, 1.0]),
     "the covariance has a negative variance in some direction."),
]  # fmt: skip


@pytest.mark.parametrize(("opening", "mass", "covariance", "message"), REFUSED)
def test_refusals(opening: list[float], mass: list[float], covariance: Any, message: str) -> None:
    with pytest.raises(ValueError, match=".") as caught:
        size_distribution(opening, mass, covariance)
    assert str(caught.value) == message


@settings(max_examples=20)
@given(st.sampled_from([0.0, 100.0, -5.0, float("nan")]))
def test_percentages_outside_are_refused(percent: float) -> None:
    sizes = size_distribution([200.0, 100.0], _ONES)
    with pytest.raises(ValueError, match="it must lie between 0 and 100"):
        passing_size(sizes, percent)


def test_a_weighted_fit_needs_a_covariance() -> None:
    with pytest.raises(ValueError, match="a weighted fit needs a covariance of the masses"):
        fit_size_law(size_distribution([200.0, 100.0], _ONES), GGS)
