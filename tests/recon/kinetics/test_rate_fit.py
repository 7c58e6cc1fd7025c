"""Curves fitted to values against time: known truths, bounds, what is not determined."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import chi2, kstest

from oretally.recon.kinetics import best_of, curve, fit_rates
from oretally.recon.kinetics.rate_models import shape_of
from oretally.recon.result import RateFit, RateModel

Floats = NDArray[np.float64]
TIME = np.array([0.5, 1.0, 2.0, 4.0, 8.0])
LONG = np.array([0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0])
TRUTH = {
    RateModel.FIRST_ORDER: np.array([0.9, 0.8]),
    RateModel.RECTANGULAR: np.array([0.92, 2.0]),
    RateModel.TWO_COMPONENTS: np.array([0.7, 1.5, 0.02]),
}


def _cumulative(n: int, sd: float) -> Floats:
    """Return the covariance of cumulative values, whose steps have errors of their own."""
    L = np.tril(np.ones((n, n)))
    return sd**2 * L @ L.T


@pytest.mark.parametrize("model", RateModel)
def test_slopes_are_those_of_the_curve(model: RateModel) -> None:
    """The derivatives printed in the module, against differences."""
    x = TRUTH[model]
    value, slopes = curve(model, x, LONG)
    for i, step in enumerate(1e-6 * np.eye(len(x))):
        up, down = (curve(model, x + s * step, LONG)[0] for s in (1.0, -1.0))
        assert slopes[:, i] == pytest.approx((up - down) / 2e-6, abs=1e-8)
    assert np.all(np.diff(value) > 0.0)


def test_rectangular_series_meets_the_formula() -> None:
    """On both sides of where the series takes over, to rounding."""
    for k in (0.9999e-3, 1.0001e-3):
        shape, slope = shape_of(RateModel.RECTANGULAR, k, np.ones(1))
        exact = 1.0 + np.expm1(-k) / k
        assert shape[0] == pytest.approx(exact, rel=1e-9)
        assert slope[0] == pytest.approx(0.5 - k / 3.0 + k**2 / 8.0, rel=1e-6)


@pytest.mark.parametrize("model", RateModel)
def test_curve_without_error_is_found_again(model: RateModel) -> None:
    """Values on the curve: its parameters, chi-square 0."""
    value = curve(model, TRUTH[model], LONG)[0]
    fit = fit_rates(model, LONG, value, _cumulative(len(LONG), 0.002))
    found = [p.value for p in fit.parameters.values()]
    assert found == pytest.approx(TRUTH[model], rel=1e-6)
    assert fit.chi_square == pytest.approx(0.0, abs=1e-12)
    assert fit.reason == "" and fit.determined and fit.p == pytest.approx(1.0)
    assert fit.dof == len(LONG) - len(TRUTH[model])


@settings(max_examples=8)
@given(st.integers(0, 10**6), st.sampled_from([RateModel.FIRST_ORDER, RateModel.RECTANGULAR]))
def test_least_chi_square(seed: int, model: RateModel) -> None:
    """No other optimiser, from many starts, finds less within the bounds."""
    rng = np.random.default_rng(seed)
    V = _cumulative(5, 0.01)
    true = np.array([rng.uniform(0.5, 1.0), np.exp(rng.uniform(-1.5, 1.0))])
    value = curve(model, true, TIME)[0] + np.linalg.cholesky(V) @ rng.standard_normal(5)
    fit = fit_rates(model, TIME, value, V, ranges=False)
    W = np.linalg.inv(V)

    def chi_square(x: Floats) -> float:
        miss = value - curve(model, np.array([x[0], np.exp(x[1])]), TIME)[0]
        return float(miss @ W @ miss)

    if fit.determined and fit.parameters["rate"].sd is not None:
        others = [minimize(chi_square, (0.8, np.log(k)), bounds=((0.01, 1.0), (-6.0, 5.0))).fun
                  for k in (0.1, 0.5, 2.0)]  # fmt: skip
        assert fit.chi_square <= min(others) + 1e-6


def test_scatter_and_chi_square_over_400_draws() -> None:
    """The sds are the scatter of draws; chi-square tests keep their level."""
    V, rng = _cumulative(5, 0.004), np.random.default_rng(11)
    truth = curve(RateModel.FIRST_ORDER, TRUTH[RateModel.FIRST_ORDER], TIME)[0]
    stated = fit_rates(RateModel.FIRST_ORDER, TIME, truth, V)
    R = np.linalg.cholesky(V)
    fits = [
        fit_rates(RateModel.FIRST_ORDER, TIME, truth + R @ rng.standard_normal(5), V, ranges=False)
        for _ in range(400)
    ]
    found = np.array([[p.value for p in fit.parameters.values()] for fit in fits])
    sd = np.sqrt(np.diag(stated.covariance))
    # an sd of 400 draws has one of 3.5 % of its own
    assert found.std(axis=0, ddof=1) / sd == pytest.approx(1.0, abs=0.12)
    assert abs(np.corrcoef(found.T)[0, 1] - stated.correlation[0, 1]) < 0.1
    assert kstest([fit.chi_square for fit in fits], chi2(3).cdf).pvalue > 0.01


def test_slopes_by_the_values() -> None:
    """The change of rate and plateau with each value, against fits to changed values."""
    V = _cumulative(5, 0.01)
    value = curve(RateModel.RECTANGULAR, TRUTH[RateModel.RECTANGULAR], TIME)[0]
    fit = fit_rates(RateModel.RECTANGULAR, TIME, value, V)
    for i in range(5):
        step = np.zeros(5)
        step[i] = 1e-5
        up, down = (
            [p.value for p in fit_rates(fit.model, TIME, value + s * step, V).parameters.values()]
            for s in (1.0, -1.0)
        )
        assert fit.slopes[:, i] == pytest.approx(np.subtract(up, down) / 2e-5, rel=1e-3, abs=1e-4)
    assert fit.slopes @ V @ fit.slopes.T == pytest.approx(fit.covariance, rel=1e-8)


def test_time_in_another_unit() -> None:
    """Minutes as seconds: the rate is a sixtieth, nothing else changes."""
    V = _cumulative(5, 0.01)
    value = np.array([0.31, 0.52, 0.72, 0.86, 0.89])
    per_min = fit_rates(RateModel.FIRST_ORDER, TIME, value, V)
    per_s = fit_rates(RateModel.FIRST_ORDER, 60.0 * TIME, value, V)
    assert per_s.parameters["rate"].value * 60.0 == pytest.approx(per_min.parameters["rate"].value)
    assert per_s.chi_square == pytest.approx(per_min.chi_square)
    low, high = per_min.parameters["plateau"].low, per_min.parameters["plateau"].high
    assert low is not None and high is not None
    assert (low, high) == pytest.approx(
        (per_s.parameters["plateau"].low, per_s.parameters["plateau"].high), rel=1e-4
    )
    assert low < per_min.parameters["plateau"].value < high


def test_range_holds_95_percent_of_the_truths() -> None:
    """Where chi-square rises by 3.84: its own definition, and how often the truth is within."""
    V, rng = _cumulative(5, 0.02), np.random.default_rng(5)
    x = TRUTH[RateModel.FIRST_ORDER]
    R, truth = np.linalg.cholesky(V), curve(RateModel.FIRST_ORDER, x, TIME)[0]
    inside = 0
    for _ in range(40):
        fit = fit_rates(RateModel.FIRST_ORDER, TIME, truth + R @ rng.standard_normal(5), V)
        rate = fit.parameters["rate"]
        assert rate.low is not None and rate.high is not None
        inside += rate.low <= x[1] <= rate.high
    assert inside >= 34  # binomial: 38 +- 1.4


def _told(fit: RateFit) -> str:
    assert fit.reason
    return fit.reason


def test_test_that_ends_before_the_curve_bends() -> None:
    """A straight line explains the values: neither plateau nor rate is told."""
    fit = fit_rates(RateModel.FIRST_ORDER, TIME, 0.05 * TIME + 0.001, _cumulative(5, 0.01))
    assert not fit.determined
    assert _told(fit) == (
        "the test ends before the curve bends: a straight line explains it as well, and neither "
        "plateau nor rate can be told. Go on for longer."
    )
    assert all(p.sd is None and p.low is None for p in fit.parameters.values())


def test_first_value_at_the_plateau() -> None:
    """A constant explains the values: the plateau is told, the rate from below only."""
    value = np.array([0.90, 0.905, 0.899, 0.902, 0.901])
    fit = fit_rates(RateModel.FIRST_ORDER, TIME, value, 0.01**2 * np.eye(5))
    assert "already at the plateau" in _told(fit)
    plateau, rate = fit.parameters["plateau"], fit.parameters["rate"]
    assert plateau.value == pytest.approx(value.mean(), abs=1e-6)
    assert plateau.sd == pytest.approx(0.01 / 5**0.5, rel=1e-3)
    assert rate.sd is None and rate.high is None and rate.low is not None and rate.low > 5.0


def test_plateau_beyond_the_whole_is_held_at_it() -> None:
    """More than there is would fit best: the plateau is all of it, and that is said."""
    value = curve(RateModel.FIRST_ORDER, np.array([1.08, 0.5]), TIME)[0]
    fit = fit_rates(RateModel.FIRST_ORDER, TIME, value, _cumulative(5, 0.01))
    assert fit.parameters["plateau"].value == 1.0 and fit.parameters["plateau"].sd is None
    assert "108 % of the whole" in _told(fit)
    assert fit.parameters["rate"].sd is not None and fit.dof == 4
    low = fit.parameters["plateau"].low
    assert low is not None and 0.9 < low < 1.0 and fit.parameters["plateau"].high is None


def test_two_components_come_down_to_one() -> None:
    """What one component explains is said to be one."""
    value = curve(RateModel.FIRST_ORDER, TRUTH[RateModel.FIRST_ORDER], LONG)[0]
    fit = fit_rates(RateModel.TWO_COMPONENTS, LONG, value, _cumulative(8, 0.01))
    assert _told(fit) == (
        "the slow part does not move in this time: it is first order with a plateau."
    )
    assert fit.parameters["fast share"].value == pytest.approx(0.9)
    all_of_it = curve(RateModel.FIRST_ORDER, np.array([1.0, 0.3]), LONG)[0]
    fit = fit_rates(RateModel.TWO_COMPONENTS, LONG, all_of_it, _cumulative(8, 0.01))
    assert fit.parameters["fast rate"].value == pytest.approx(0.3, rel=1e-4)


def test_too_few_values() -> None:
    """Fewer values than parameters, and values that depend on each other wholly."""
    fit = fit_rates(RateModel.TWO_COMPONENTS, TIME[:2], [0.3, 0.5], _cumulative(2, 0.01))
    assert not fit.determined and fit.p is None and fit.aicc is None
    assert _told(fit) == (
        "a curve of 3 parameters needs 3 values with errors of their own at least; there are 2."
    )
    together = fit_rates(RateModel.FIRST_ORDER, TIME, 0.1 * TIME, np.full((5, 5), 1e-4))
    assert "there is 1." in _told(together)


def test_singular_covariance_has_its_rank() -> None:
    """A value that is a sum of others counts once: as the fit to the others alone."""
    value = curve(RateModel.FIRST_ORDER, np.array([0.9, 0.5]), TIME)[0] + [0.01, -0.01, 0, 0.01, 0]
    V = np.zeros((5, 5))
    V[:4, :4] = _cumulative(4, 0.01)
    fit = fit_rates(RateModel.FIRST_ORDER, TIME, value, V)
    alone = fit_rates(RateModel.FIRST_ORDER, TIME[:4], value[:4], V[:4, :4])
    assert fit.dof == alone.dof == 2
    for name, found in fit.parameters.items():
        assert found.value == pytest.approx(alone.parameters[name].value, rel=1e-7)


def test_the_true_curve_is_preferred() -> None:
    """AICc with its weights: they sum to 1, and the truth of the draws leads."""
    V, rng = _cumulative(8, 0.004), np.random.default_rng(2)
    truth = curve(RateModel.RECTANGULAR, TRUTH[RateModel.RECTANGULAR], LONG)[0]
    led = 0
    for _ in range(6):
        value = truth + np.linalg.cholesky(V) @ rng.standard_normal(8)
        ranked = best_of([fit_rates(model, LONG, value, V) for model in RateModel])
        assert sum(w for _, w in ranked) == pytest.approx(1.0)
        found = [fit.aicc for fit, _ in ranked if fit.aicc is not None]
        assert len(found) == len(ranked) and found == sorted(found)
        led += ranked[0][0].model is RateModel.RECTANGULAR
    assert led >= 5


def test_aicc_by_hand() -> None:
    """chi-square + 2 p + 2 p (p + 1) / (n - p - 1): 5 values, 2 parameters add 10."""
    value = np.array([0.31, 0.52, 0.72, 0.86, 0.89])
    fit = fit_rates(RateModel.FIRST_ORDER, TIME, value, _cumulative(5, 0.01))
    assert fit.aicc == pytest.approx(fit.chi_square + 10.0)
    assert fit_rates(RateModel.FIRST_ORDER, TIME[:3], value[:3], np.eye(3)).aicc is None


@pytest.mark.parametrize(
    ("time", "value", "covariance", "whole", "words"),
    [
        ([1.0, 1.0], [0.1, 0.2], np.eye(2), 1.0, "the times must rise, from above 0."),
        ([0.0, 1.0], [0.1, 0.2], np.eye(2), 1.0, "the times must rise, from above 0."),
        ([1.0, 2.0], [0.1, np.nan], np.eye(2), 1.0, "must be a finite number"),
        ([1.0, 2.0], [0.1, 0.2], np.zeros((2, 2)), 1.0, "no value has an error"),
        ([1.0, 2.0], [0.1, 0.2], [[1.0, 0.5], [0.0, 1.0]], 1.0, "not symmetric"),
        ([1.0, 2.0], [0.1], np.eye(2), 1.0, "must have the shapes"),
        ([1.0, 2.0], [0.1, 0.2], np.eye(2), 0.0, "the whole is 0"),
    ],
)
def test_refusals(
    time: list[float], value: list[float], covariance: Floats, whole: float, words: str
) -> None:
    """Inputs that are none are refused in words."""
    with pytest.raises(ValueError, match=words):
        fit_rates(RateModel.FIRST_ORDER, time, value, covariance, whole=whole)


def test_two_components_of_an_infinite_whole() -> None:
    """They come to the whole in the end: there must be one."""
    with pytest.raises(ValueError, match="finite whole"):
        fit_rates(RateModel.TWO_COMPONENTS, TIME, 0.1 * TIME, np.eye(5), whole=np.inf)
