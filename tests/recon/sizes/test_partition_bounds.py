"""Fitted partition curves against the pan and the coarsest class, which are open to one side."""

from __future__ import annotations

import numpy as np
import pytest
from bounded_curves import (
    PLITT,
    SIEVES,
    bounded_curve,
    cyclone_flows,
    fitted_bounded,
    joint_flows,
    law_value,
    survey_of_a_cyclone,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from scipy.special import exp1

from oretally.recon.result import (
    Meets,
    NoFit,
    PartitionLaw,
    UnusedClass,
)
from oretally.recon.sizes.class_averages import average_sizes
from oretally.recon.sizes.partition import PartitionCurve, partition_curve
from oretally.recon.sizes.partition_fit import PartitionFit, fit_partition


def _without(curve: PartitionCurve, *places: int) -> PartitionCurve:
    """Return the curve with the shares of some classes not known."""
    share = curve.share.copy()
    share[list(places)] = np.nan
    return PartitionCurve(curve.bound_um, curve.size_um, curve.feed, share, curve.covariance)


@pytest.mark.parametrize(("d50c", "m"), [(90.0, 0.8), (150.0, 2.2), (300.0, 5.0)])
def test_averages_of_plitts_curve_in_closed_form(d50c: float, m: float) -> None:
    """A feed with as much in each ratio of sizes, so that the passing is straight in ln size.

    With z = ln 2 (d/d50c)^m, dz = m z d ln d: the average of exp(-z) between two sieves is
    (E1(z_low) - E1(z_high)) / ln(z_high / z_low), E1 the exponential integral.
    """
    feed = np.array([7.0, *np.log(SIEVES[:-1] / SIEVES[1:]), 3.0])
    at, weight = average_sizes(np.array([np.inf, *SIEVES, 0.0]), feed)
    assert np.isnan(at[[0, -1]]).all()  # nothing says how the feed is spread there
    assert np.isnan(weight[[0, -1]]).all()
    assert weight[1:-1].sum(axis=1) == pytest.approx(np.ones(6))
    found = np.sum(weight[1:-1] * law_value(PLITT, np.exp(at[1:-1]), d50c, m), axis=1)
    z = np.log(2.0) * (SIEVES / d50c) ** m
    expected = 1.0 - (exp1(z[1:]) - exp1(z[:-1])) / np.log(z[:-1] / z[1:])
    assert found == pytest.approx(expected, abs=1e-12)


def test_averages_over_a_feed_that_is_not_even() -> None:
    """Between sieves a factor 1.41 apart the spline is worth 0.0002 of a share, the mean 0.005."""
    feed, coarse = cyclone_flows(PLITT, SIEVES, 150.0, 2.2, 0.15)
    at, weight = average_sizes(np.array([np.inf, *SIEVES, 0.0]), feed)
    y = 0.15 + 0.85 * np.sum(weight * law_value(PLITT, np.exp(at), 150.0, 2.2), axis=1)
    mean = 0.15 + 0.85 * law_value(PLITT, np.sqrt(SIEVES[1:] * SIEVES[:-1]), 150.0, 2.2)
    share = (coarse / feed)[1:-1]
    assert np.abs(y[1:-1] - share).max() < 2e-4
    assert np.abs(mean - share).max() > 5e-3


def test_averages_of_a_ragged_feed_are_averages() -> None:
    """Weights are never below 0, even where a spline would fall."""
    feed = np.array([0.0, 30.0, 0.1, 25.0, 0.0, 0.2, 40.0, 5.0])
    at, weight = average_sizes(np.array([np.inf, *SIEVES, 0.0]), feed)
    assert (weight[1:-1] >= 0.0).all()
    assert weight[1:-1].sum(axis=1) == pytest.approx(np.ones(6))
    assert (np.exp(at[1:-1]) < SIEVES[:-1, None]).all()
    assert (np.exp(at[1:-1]) > SIEVES[1:, None]).all()
    for few in (SIEVES[:1], SIEVES[:2], SIEVES[:3]):
        at, weight = average_sizes(np.array([np.inf, *few, 0.0]), np.ones(len(few) + 1))
        assert np.isfinite(weight[1:-1]).all() and np.isnan(weight[[0, -1]]).all()


@pytest.mark.parametrize("law", PartitionLaw)
def test_a_pan_below_the_bypass_contradicts_the_curve(law: PartitionLaw) -> None:
    curve = survey_of_a_cyclone(law)
    blind = fitted_bounded(_without(curve, 7), law)
    assert blind.doubt == ""
    free, sd = blind.bypass, blind.sds[2]
    assert free == pytest.approx(0.40, abs=0.002) and free - 0.372 > 6.0 * sd
    fit = fitted_bounded(curve, law)
    assert fit.doubt.startswith("the curve misses the points by more than their errors explain")
    # between the two, where both pull alike: nearly the pan's share, which is the better known
    assert 0.372 < fit.bypass < 0.372 + 5.0 * 0.0007
    assert fit.bypass_held
    assert (fit.dof, blind.dof) == (4, 3)
    pan = fit.open_classes[1]
    assert (pan.place, pan.meets) == (7, Meets.LEAST)
    assert pan.least == pytest.approx(fit.bypass)
    told = f"{100.0 * free:#.3g} % (sd {100.0 * sd:.2g} %)"
    assert fit.note == f"the free fit gives a bypass of {told}, above the share of the pan."
    # no + - 0; it may be off down to where the pan ceases to hold it
    low, high = fit.bypass_range
    assert 0.0002 < high - fit.bypass < 0.0008
    assert 0.0 < fit.bypass - low < 0.0008
    assert fit.sds[2] == pytest.approx((high - low) / 2.0)


def test_the_least_chi_square_under_the_pan_by_hand() -> None:
    """Near the least the other classes are a parabola: (R - R0)^2 / s0^2 beside (R - p)^2 / sp^2.

    So R = (R0 / s0^2 + p / sp^2) / (1 / s0^2 + 1 / sp^2), chi-square grows by (R0 - p)^2 /
    (s0^2 + sp^2), and the sd of R is root of 1 / (1 / s0^2 + 1 / sp^2) where the pan holds it.
    """
    feed, coarse = cyclone_flows(PLITT, SIEVES, 165.0, 2.0, 0.40)
    share, sp = coarse / feed, 0.002
    share[-1] = 0.394
    curve = bounded_curve(share, np.array([0.004] * 7 + [sp]), feed)
    blind, fit = fitted_bounded(_without(curve, 7)), fitted_bounded(curve)
    R0, s0 = blind.bypass, blind.sds[2]
    weights = np.array([1.0 / s0**2, 1.0 / sp**2])
    R = float(weights @ [R0, 0.394] / weights.sum())
    assert fit.bypass == pytest.approx(R, abs=2e-4)
    rise = (R0 - 0.394) ** 2 / (s0**2 + sp**2)
    assert fit.chi_square - blind.chi_square == pytest.approx(rise, rel=0.1)
    high = fit.bypass_range[1] - fit.bypass
    assert high == pytest.approx(weights.sum() ** -0.5, rel=0.05)


@pytest.mark.parametrize(("place", "share"), [(7, 0.60), (0, 0.90)])
def test_a_pan_above_the_curve_and_a_top_class_below_it(place: int, share: float) -> None:
    """Fines that go to the coarse product again, and coarse ones that are lost: no rising curve."""
    feed, coarse = cyclone_flows(PLITT, SIEVES, 165.0, 2.0, 0.20)
    y = coarse / feed
    y[place] = share
    curve = bounded_curve(y, 0.005, feed)
    fit = fitted_bounded(curve)
    held = {o.place: o for o in fit.open_classes}
    assert held[place].meets is (Meets.MOST if place else Meets.LEAST)
    if place == 0:
        assert held[7].meets is Meets.WITHIN
    blind = fitted_bounded(_without(curve, place))
    at = np.array([SIEVES[-1] if place else SIEVES[0]])
    assert abs(fit.share(at)[0] - share) < abs(blind.share(at)[0] - share)
    assert held[place].most == pytest.approx(fit.share(at)[0] if place else 1.0)
    assert held[place].least == pytest.approx(fit.bypass if place else fit.share(at)[0])
    assert fit.dof == 3 + sum(o.meets is not Meets.WITHIN for o in fit.open_classes)
    assert fit.p is not None and fit.p < 0.01


def test_the_pan_also_bounds_a_bypass_that_is_stated() -> None:
    curve = survey_of_a_cyclone()
    for sd in (0.0, 0.004):
        fit = fitted_bounded(curve, bypass=0.4, bypass_sd=sd)
        assert fit.open_classes[1].meets is Meets.LEAST
        assert fit.dof == 5  # the pan counts, and either one unknown less or one reading more
        assert fit.p is not None and fit.p < 1e-6
    below = fitted_bounded(curve, bypass=0.3)
    assert below.open_classes[1].meets is Meets.WITHIN and below.bypass == 0.3


@pytest.mark.parametrize("law", PartitionLaw)
def test_open_classes_within_their_bounds_change_nothing(law: PartitionLaw) -> None:
    """Also where their errors go with those of others: each has a size of its own to take up."""
    rng = np.random.default_rng(8)
    feed, coarse = cyclone_flows(law, SIEVES, 165.0, 2.0, 0.2)
    V = joint_flows(coarse, feed, 0.01)
    drawn = rng.multivariate_normal(np.concatenate([coarse, feed]), V)
    curve = partition_curve(SIEVES, drawn[:8], drawn[8:], covariance=V)
    fit, blind = fitted_bounded(curve, law), fitted_bounded(_without(curve, 0, 7), law)
    assert [o.meets for o in fit.open_classes] == [Meets.WITHIN] * 2
    assert blind.left_out == (UnusedClass(0, "it has no feed"), UnusedClass(7, "it has no feed"))
    for name in ("d50c_um", "exponent", "bypass", "chi_square"):
        assert getattr(fit, name) == pytest.approx(getattr(blind, name), rel=1e-7)
    assert (fit.dof, fit.note, fit.bypass_held) == (blind.dof, "", False)
    # what a pan within reach adds: the errors may be smaller, never larger
    assert all(a <= b * (1.0 + 1e-9) for a, b in zip(fit.sds, blind.sds, strict=True))
    assert fit.sds == pytest.approx(blind.sds, rel=0.05)


def test_what_is_left_out_and_why() -> None:
    feed, coarse = cyclone_flows(PLITT, SIEVES, 165.0, 2.0, 0.2)
    feed[0] = coarse[0] = 0.0
    sd = np.array([0.0] + [0.004] * 6 + [0.0])
    fit = fitted_bounded(bounded_curve(coarse / np.where(feed > 0.0, feed, 1.0), sd, feed))
    assert fit.left_out == (UnusedClass(0, "it has no feed"), UnusedClass(7, "its share is exact"))
    assert fit.open_classes == ()


def test_an_open_class_that_follows_from_the_others_does_not_stop_the_fit() -> None:
    feed, coarse = cyclone_flows(PLITT, SIEVES, 165.0, 2.0, 0.2)
    V = np.zeros((16, 16))
    V[:8, :8] = np.diag((0.004 * feed) ** 2)
    V[7, :] = V[:, 7] = V[7, 7] = 0.0
    J = np.eye(16)
    J[7, 1:7] = -1.0  # what the pan has is what the others lack: their sum is exact
    curve = partition_curve(SIEVES, coarse, feed, covariance=J @ V @ J.T)
    assert fitted_bounded(curve).left_out == (UnusedClass(7, "its share follows from the others"),)


def test_a_coarse_stack_still_says_what_is_missing() -> None:
    few = partition_curve(
        [300.0, 150.0, 75.0], [9.0, 7.0, 4.0, 2.0], [10.0] * 4, covariance=np.eye(8) * 1e-4
    )
    assert fit_partition(few) == NoFit(
        "3 unknown values, but 2 classes to fit: those with feed, a size and a share that is not "
        "exact."
    )
    # with a stated bypass two are enough, and the pan still bounds
    fit = fit_partition(few, bypass=0.3)
    assert isinstance(fit, PartitionFit)
    assert [o.meets for o in fit.open_classes] == [Meets.LEAST] * 2
    assert fit.dof == 2  # two classes, two unknowns, and both ends check


@settings(max_examples=often(20, 0.4))
@given(st.floats(0.01, 100.0), st.floats(1e-3, 1e3))
def test_free_of_units(size_unit: float, flow_unit: float) -> None:
    one = survey_of_a_cyclone()
    feed, V = one.feed, np.zeros((16, 16))
    assert one.covariance is not None
    V[:8, :8] = one.covariance * np.outer(feed, feed)
    other = partition_curve(
        size_unit * SIEVES,
        flow_unit * feed * one.share,
        flow_unit * feed,
        covariance=flow_unit**2 * V,
    )
    f, g = fitted_bounded(one), fitted_bounded(other)
    assert g.d50c_um == pytest.approx(size_unit * f.d50c_um, rel=1e-5)
    assert (g.exponent, g.bypass, g.chi_square) == pytest.approx(
        (f.exponent, f.bypass, f.chi_square), rel=1e-4
    )
    assert g.bypass_range == pytest.approx(f.bypass_range, rel=1e-4)
