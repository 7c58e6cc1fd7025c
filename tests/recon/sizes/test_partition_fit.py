"""Laws fitted to partition curves: closed forms, properties, simulated errors."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from partition_curves import (
    BOUNDS,
    FEED,
    OPEN,
    OPENING,
    PLITT,
    SIZE,
    WHITEN,
    Floats,
    fitted_curve,
    found_fit,
    joint_covariance,
    made_curve,
    printed,
)
from scipy.optimize import least_squares, minimize
from scipy.special import expit, logit
from scipy.stats import chi2

from oretally.recon.result import NoFit, PartitionLaw, Sharpness, UnusedClass
from oretally.recon.sizes.partition import (
    cut_size,
    partition_curve,
    sharpness,
)
from oretally.recon.sizes.partition_fit import fit_partition


def _averages(law: PartitionLaw, d50c: float, exponent: float, R: float) -> Floats:
    """The curve's averages over the classes of FEED: a plain sum over 400 sizes in each."""
    t = (np.arange(400) + 0.5) / 400.0
    size = BOUNDS[1:, None] * (BOUNDS[:-1] / BOUNDS[1:])[:, None] ** t
    return np.asarray(printed(law, size, d50c, exponent, R).mean(axis=1))


exponents = {PLITT: st.floats(1.0, 5.0), WHITEN: st.floats(1.0, 8.0)}


@pytest.mark.parametrize("law", PartitionLaw)
@settings(max_examples=often(25, 0.4))
@given(data=st.data(), d50c=st.floats(60.0, 200.0), R=st.floats(0.0, 0.4))
def test_a_curve_gives_its_parameters_back(
    law: PartitionLaw, data: st.DataObject, d50c: float, R: float
) -> None:
    exponent = data.draw(exponents[law])
    curve = made_curve(_averages(law, d50c, exponent, R))
    hows: tuple[dict[str, Any], ...] = ({}, {"bypass": R}, {"bypass": R, "bypass_sd": 0.01})
    for how in hows:
        fit = fitted_curve(curve, law, **how)
        assert (fit.d50c_um, fit.exponent) == pytest.approx((d50c, exponent), rel=1e-4)
        assert fit.bypass == pytest.approx(R, abs=1e-5)
        assert fit.chi_square < 1e-6
        assert fit.doubt == ""
        assert fit.share(SIZE) == pytest.approx(printed(law, SIZE, d50c, exponent, R), abs=1e-5)
        corrected = fit.cut_size(corrected=True)
        assert (corrected.size_um, corrected.sd_um) == pytest.approx((fit.d50c_um, fit.sds[0]))
        for percent in (45.0, 50.0, 90.0):
            size = fit.cut_size(percent)
            assert fit.share(found_fit(size)) == pytest.approx(percent / 100.0, abs=1e-9)
            # a bypass of 0 is told to 1e-9, and moves the size by a few times as much
            assert found_fit(size) <= found_fit(fit.cut_size(percent, corrected=True)) * (
                1.0 + 1e-8
            )


@settings(max_examples=often(30, 0.4))
@given(st.floats(1.0, 5.0), st.floats(60.0, 200.0))
def test_sharpness_of_plitts_curve(m: float, d50c: float) -> None:
    """Closed form: d25 / d75 = (ln(4/3) / ln 4)^(1/m), so d ln kappa / d m = -ln kappa / m."""
    fit = fitted_curve(made_curve(_averages(PLITT, d50c, m, 0.1)), PLITT)
    found = fit.sharpness()
    kappa = (np.log(4.0 / 3.0) / np.log(4.0)) ** (1.0 / fit.exponent)
    assert found.kappa == pytest.approx(kappa, rel=1e-9)
    assert found.kappa_sd == pytest.approx(-kappa * np.log(kappa) / fit.exponent * fit.sds[1])
    d25, d75 = (d50c * (np.log(q) / np.log(2.0)) ** (1.0 / m) for q in (4.0 / 3.0, 4.0))
    assert found.ecart_probable_um == pytest.approx((d75 - d25) / 2.0, rel=1e-3)


@settings(max_examples=often(30, 0.4))
@given(st.floats(0.01, 100.0), st.floats(1e-3, 1e3))
def test_free_of_units(size_unit: float, flow_unit: float) -> None:
    rng = np.random.default_rng(3)
    p = FEED * np.clip(printed(PLITT, SIZE, 90.0, 2.0, 0.15) + rng.normal(0, 0.01, 9), 0.0, 1.0)
    V = joint_covariance(p, FEED, 0.03)
    one = partition_curve(OPENING, p, FEED, covariance=V, **OPEN)
    bounds: dict[str, Any] = {name: size_unit * bound for name, bound in OPEN.items()}
    other = partition_curve(
        size_unit * OPENING, flow_unit * p, flow_unit * FEED, covariance=flow_unit**2 * V, **bounds
    )
    a, b = cut_size(one), cut_size(other)
    assert b.size_um == pytest.approx(size_unit * found_fit(a), rel=1e-9)
    assert (a.sd_um or 0.0) * size_unit == pytest.approx(b.sd_um, rel=1e-7)
    f, g = fitted_curve(one, PLITT), fitted_curve(other, PLITT)
    assert g.d50c_um == pytest.approx(size_unit * f.d50c_um, rel=1e-5)
    assert (g.exponent, g.bypass) == pytest.approx((f.exponent, f.bypass), rel=1e-4)
    assert sharpness(other).imperfection == pytest.approx(sharpness(one).imperfection, rel=1e-9)


@pytest.mark.parametrize("law", PartitionLaw)
def test_fit_is_the_least_of_its_objective(law: PartitionLaw) -> None:
    """Another minimiser, which knows no derivatives, finds the same parameters."""
    rng = np.random.default_rng(12)
    y = _averages(law, 130.0, 1.5, 0.15)
    V = joint_covariance(FEED * y, FEED, 0.03)
    drawn = rng.multivariate_normal(np.concatenate([FEED * y, FEED]), V)[:9]
    curve = partition_curve(OPENING, np.minimum(drawn, FEED), FEED, covariance=V, **OPEN)
    assert curve.covariance is not None
    weight = np.linalg.inv(curve.covariance)
    hows: tuple[tuple[dict[str, Any], int], ...] = (
        ({}, 0),
        ({"bypass": 0.12, "bypass_sd": 0.01}, 1),
    )
    for how, extra in hows:
        fit = fitted_curve(curve, law, **how)

        def objective(theta: Floats, extra: int = extra) -> float:
            R = 0.15 * theta[2]
            r = curve.share - _averages(law, 130.0 * theta[0], 1.5 * theta[1], R)
            return float(r @ weight @ r + extra * ((R - 0.12) / 0.01) ** 2)

        options: Any = {"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000}
        other = minimize(objective, np.ones(3), method="Nelder-Mead", options=options)
        assert fit.chi_square == pytest.approx(other.fun, rel=1e-6)
        assert (fit.d50c_um, fit.exponent, fit.bypass) == pytest.approx(
            other.x * [130.0, 1.5, 0.15], rel=1e-4
        )
        assert fit.dof == 6 + extra
        assert fit.p == pytest.approx(chi2.sf(fit.chi_square, fit.dof), rel=1e-9)


@pytest.mark.parametrize("law", PartitionLaw)
def test_stated_sds_are_those_of_simulated_errors(law: PartitionLaw) -> None:
    """Surveys with errors of 0.5 %: an sd of n is known to 1/sqrt(2n), four of these allowed."""
    rng, n = np.random.default_rng(5), often(300)
    y = _averages(law, 95.0, 2.2, 0.15)
    V = joint_covariance(FEED * y, FEED, 0.005)

    def answers(drawn: Floats) -> tuple[Floats, Floats, float]:
        curve = partition_curve(OPENING, drawn[:9], drawn[9:], covariance=V, **OPEN)
        fit = fitted_curve(curve, law)
        sizes = [cut_size(curve), cut_size(curve, 75.0), fit.cut_size(), fit.cut_size(30.0)]
        values: list[float | None] = [fit.d50c_um, fit.exponent, fit.bypass]
        sds: list[float | None] = [*fit.sds]
        for s in sizes:
            values, sds = [*values, s.size_um], [*sds, s.sd_um]
        for m in (sharpness(curve), fit.sharpness()):
            values += [m.ecart_probable_um, m.imperfection, m.kappa]
            sds += [m.ecart_probable_sd_um, m.imperfection_sd, m.kappa_sd]
        assert fit.p is not None
        return np.array(values, float), np.array(sds, float), fit.p

    truth = np.concatenate([FEED * y, FEED])
    found = [answers(d) for d in rng.multivariate_normal(truth, V, size=n)]
    values = np.array([v for v, _, _ in found])
    true_values, stated, _ = answers(truth)
    assert stated == pytest.approx(values.std(axis=0, ddof=1), rel=4.0 / (2 * n) ** 0.5)
    assert values.mean(axis=0) == pytest.approx(true_values, rel=5e-3 * (300 / n) ** 0.5)
    p = np.array([p for _, _, p in found])
    assert abs(p.mean() - 0.5) < 4.0 * np.sqrt(1.0 / 12.0 / n)


def test_a_bypass_below_nothing_is_held_at_nothing() -> None:
    """Shares of fine classes lower than Plitt's curve lets them be: a bypass of -3 % fits them."""
    y = np.maximum(_averages(PLITT, 90.0, 1.5, -0.03), 0.001)
    fit = fitted_curve(made_curve(y), PLITT)
    assert fit.bypass_held
    assert fit.bypass == 0.0
    assert fit.note.startswith("the free fit gives a bypass of -")
    assert fit.note.endswith("none can be below 0, so 0 is held.")
    # it may be off upwards only, by less than the free fit would have it
    (low, high), (*_, sd) = fit.bypass_range, fit.sds
    assert low == 0.0 and 0.0 < high and sd == pytest.approx(high / 2.0)
    held = fitted_curve(made_curve(y), PLITT, bypass=0.0)
    assert (held.d50c_um, held.exponent, held.dof, held.note) == pytest.approx(
        (fit.d50c_um, fit.exponent, fit.dof, "")
    )
    assert (held.bypass_range, held.sds[2]) == ((0.0, 0.0), 0.0)


def test_a_bypass_above_half_leaves_no_uncorrected_d50() -> None:
    fit = fitted_curve(made_curve(_averages(PLITT, 100.0, 2.0, 0.6)), PLITT)
    none = fit.cut_size()
    assert none.size_um is None
    assert none.reason == "the bypass alone carries 60 %: no size has 50 %."
    assert found_fit(fit.cut_size(corrected=True)) == pytest.approx(100.0)


def test_exact_shares_carry_no_weight() -> None:
    """A class that goes to the coarse product whole has a share at its bound, sd 0."""
    y = _averages(PLITT, 90.0, 2.0, 0.1)
    y[0] = 1.0
    fit = fitted_curve(made_curve(y), PLITT)
    assert fit.left_out == (UnusedClass(0, "its share is exact"),)
    assert (fit.d50c_um, fit.exponent, fit.bypass) == pytest.approx((90.0, 2.0, 0.1), rel=1e-5)


def test_a_curve_that_does_not_hold_is_doubted() -> None:
    y = printed(PLITT, SIZE, 90.0, 2.0, 0.1) + 0.05 * np.array([0, 0, -1, 1, -1, 1, -1, 1, 0])
    fit = fitted_curve(made_curve(y, 0.01), PLITT)
    assert fit.p is not None
    assert fit.p < 0.01
    assert "than their errors explain" in fit.doubt


@pytest.mark.parametrize("law", PartitionLaw)
def test_the_start_does_not_decide(law: PartitionLaw) -> None:
    """With errors of 10 %, searches from many other places find nothing better."""
    rng = np.random.default_rng(31)
    for _ in range(6):
        d50c, exponent, R = rng.uniform([50, 1, 0], [200, 6, 0.5])
        y = np.clip(_averages(law, d50c, exponent, R), 1e-4, 1.0 - 1e-4)
        coarse = FEED * expit(logit(y) + rng.uniform(-0.2, 0.2, 9))
        curve = partition_curve(
            OPENING, coarse, FEED, covariance=joint_covariance(coarse, FEED, 0.1), **OPEN
        )
        fit = fit_partition(curve, law)
        if isinstance(fit, NoFit) or fit.bypass_held:
            continue
        used = [i for i in range(9) if i not in [c.place for c in fit.left_out]]
        assert curve.covariance is not None
        W = np.linalg.inv(np.linalg.cholesky(curve.covariance[np.ix_(used, used)]))

        def misfit(
            theta: Floats, W: Floats = W, share: Floats = curve.share, used: list[int] = used
        ) -> Floats:
            d, a = np.exp(np.clip(theta[:2], [3.3, -3.0], [7.0, 2.5]))
            return np.asarray(W @ (share - _averages(law, d, a, theta[2]))[used])

        for first in ((4.0, 0.0, 0.0), (5.0, 2.0, 0.2), (6.0, 1.0, 0.4)):
            other = least_squares(misfit, np.array(first))
            assert 2.0 * other.cost > fit.chi_square * (1.0 - 1e-5)


def test_no_curve_and_why() -> None:
    step = np.where(SIZE > 90.0, 0.995, 0.005)
    none = fit_partition(made_curve(step))
    assert none == NoFit(
        "the classes do not fix cut size and exponent of the Plitt curve: too few of them have "
        "shares between the bypass and 100 %."
    )
    few = partition_curve([200.0, 100.0], [9.0, 5.0, 1.0], [10.0] * 3, covariance=np.eye(6) * 1e-4)
    assert fit_partition(few) == NoFit(
        "3 unknown values, but 1 class to fit: those with feed, a size and a share that is not "
        "exact."
    )
    p = FEED * printed(PLITT, SIZE, 90.0, 2.0, 0.1)
    together = np.outer(np.append(p, 0 * p), np.append(p, 0 * p)) * 1e-4
    same = fit_partition(partition_curve(OPENING, p, FEED, covariance=together, **OPEN))
    assert isinstance(same, NoFit)
    assert same.reason.startswith("the covariance of the shares is singular")


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"opening_um": [100.0, 200.0]}, "the openings must descend, coarsest first: 200 um stands "
     "behind 100 um. Turn the order of the classes."),
    ({"product": [1.0, -1.0, 1.0]},
     "the product of class 2 is -1: it must be a finite number not below 0."),
    ({"feed": [2.0, 2.0]}, "2 openings bound 3 size classes, pan included: the feed has the shape "
     "(2,). Give one number for each class."),
    ({"product": [1.0, 1.0, 3.0]},
     "class 3 has more in the product, 3, than in the feed, 2. Give balanced flows."),
    ({"covariance": np.eye(3)}, "the covariance must have the shape (6, 6), not (3, 3)."),
    ({"upper_um": 200.0}, "the upper bound of the coarsest class is 200 um: it must be above its "
     "opening, 200 um."),
    ({"lower_um": 100.0}, "the lower bound of the pan is 100 um: it must lie between 0 and the "
     "finest opening, 100 um."),
]  # fmt: skip


@pytest.mark.parametrize(("change", "message"), REFUSED)
def test_refusals(change: dict[str, Any], message: str) -> None:
    good = {"opening_um": [200.0, 100.0], "product": [1.0] * 3, "feed": [2.0] * 3}
    with pytest.raises(ValueError, match=".") as caught:
        partition_curve(**(good | change))
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"bypass": 1.0}, "the bypass is 1: it must be at least 0 and below 1."),
        ({"bypass": -0.1}, "the bypass is -0.1: it must be at least 0 and below 1."),
        ({"bypass": 0.1, "bypass_sd": -1.0},
         "the sd of the bypass is -1: it must be a finite number not below 0."),
    ],
)  # fmt: skip
def test_refusals_of_a_bypass(how: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=".") as caught:
        fit_partition(made_curve(printed(PLITT, SIZE, 90.0, 2.0, 0.1)), **how)
    assert str(caught.value) == message


def test_sharpness_holds_three_sizes() -> None:
    found = fitted_curve(made_curve(_averages(WHITEN, 90.0, 3.0, 0.1)), WHITEN).sharpness()
    assert isinstance(found, Sharpness)
    sizes = [found_fit(d) for d in (found.d25, found.d50, found.d75)]
    assert sizes == sorted(sizes)
    assert printed(WHITEN, np.array(sizes), 90.0, 3.0, 0.0) == pytest.approx(
        [0.25, 0.5, 0.75], abs=1e-5
    )
