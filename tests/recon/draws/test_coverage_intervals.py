"""Coverage intervals from samples, and the check of first order by them: JCGM 101, Fieller."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from oretally.recon.draws import (
    Interval,
    end_scatter,
    relieved,
    shortest_interval,
    symmetric_interval,
    validation,
)
from oretally.recon.draws.coverage_intervals import tolerance
from oretally.recon.propagation import Derived

Floats = NDArray[np.float64]
Reader = Callable[[str], dict[str, Any]]
DRAWS = 1_000_000
CASES = ("normal", "rectangular_equal", "rectangular_unequal")


def _additive(case: str, sd: list[float], seed: int) -> Floats:
    """Return draws of the sum of four inputs."""
    rng = np.random.default_rng(seed)
    if case == "normal":
        return np.asarray(rng.standard_normal((DRAWS, 4)) @ np.array(sd))
    return np.asarray(rng.uniform(-(3.0**0.5), 3.0**0.5, (DRAWS, 4)) @ np.array(sd))


@pytest.mark.parametrize("case", CASES)
def test_jcgm_101_additive_model(reference: Reader, case: str) -> None:
    """JCGM 101:2008, clause 9.2, tables 2 to 4: u and 95 % limits to the printed digits."""
    data = reference("jcgm101_additive")
    printed = data["published"][case]
    y = _additive(case, data["inputs"][case]["sd"], 1)
    u = float(y.std())
    assert u == pytest.approx(printed["u"], abs=0.06 if printed["u"] > 10.0 else 0.01)
    limits = printed.get("shortest95", printed.get("interval95"))
    # printed digits and five times the scatter; that of the shortest falls as n^(-1/3) only
    digit = 0.05 if case == "rectangular_unequal" else 0.005
    for ours, theirs, sd in zip(symmetric_interval(y), limits, end_scatter(y), strict=True):
        assert abs(ours - theirs) < digit + 5.0 * sd
    assert shortest_interval(y) == pytest.approx(limits, abs=0.2 if u > 10.0 else 0.06)
    if "first_order95" in printed:
        plain = (-1.959964 * u, 1.959964 * u)
        assert plain == pytest.approx(printed["first_order95"], abs=0.01)


@pytest.mark.parametrize(
    ("case", "delta", "off", "valid"),
    [("normal", 0.05, 0.0, True), ("rectangular_equal", 0.05, 0.04, True),
     ("rectangular_unequal", 0.5, 2.9, False)],
)  # fmt: skip
def test_jcgm_101_validates_the_additive_model(
    reference: Reader, case: str, delta: float, off: float, valid: bool
) -> None:
    """Clause 8 on the printed limits, two digits of u: what 9.2.2 to 9.2.4 conclude (memory)."""
    printed = reference("jcgm101_additive")["published"][case]
    limits = printed.get("shortest95", printed.get("interval95"))
    found = validation(0.0, printed["u"], Interval(*limits), digits=2)
    assert found.delta == delta
    assert (found.low_off, found.high_off) == pytest.approx(
        (off, off), abs=0.11 if off > 1 else 1e-2
    )
    assert found.valid is valid


def _mass(v: Any) -> Any:
    """Return the deviation from the nominal mass, of the inputs of clause 9.3 in their order."""
    reference_mass, delta, air, weight, standard = v
    return (reference_mass + delta) * (
        1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)
    ) - 100_000.0


def test_jcgm_101_mass_calibration(reference: Reader) -> None:
    """JCGM 101:2008, clause 9.3, table 6 (memory): first order is wrong by two fifths of u."""
    data = reference("jcgm101_mass_calibration")
    inputs, printed = data["inputs"], data["published"]
    rng = np.random.default_rng(3)
    names = ("m_Rc_mg", "delta_m_Rc_mg", "rho_a", "rho_W", "rho_R")
    drawn, mean, sd = [], [], []
    for name in names:
        d = inputs[name]
        if d["dist"] == "normal":
            drawn.append(rng.normal(d["mean"], d["sd"], DRAWS))
            mean.append(d["mean"])
            sd.append(d["sd"])
        else:
            drawn.append(rng.uniform(d["low"], d["high"], DRAWS))
            mean.append((d["low"] + d["high"]) / 2.0)
            sd.append((d["high"] - d["low"]) / 12.0**0.5)
    found = _mass([Derived(m, {i: 1.0}) for i, m in enumerate(mean)])
    value, u = found.value, sum((found.slopes[i] * s) ** 2 for i, s in enumerate(sd)) ** 0.5
    first = printed["first_order"]
    assert (value, u) == pytest.approx((first["value"], first["u"]), abs=5e-5)
    assert (value - 1.959964 * u, value + 1.959964 * u) == pytest.approx(
        first["interval95"], abs=1e-4
    )
    y = _mass(np.array(drawn))
    monte_carlo = printed["monte_carlo"]
    assert float(y.mean()) == pytest.approx(monte_carlo["value"], abs=3e-4)
    assert float(y.std()) == pytest.approx(monte_carlo["u"], abs=2e-4)
    assert shortest_interval(y) == pytest.approx(monte_carlo["shortest95"], abs=2e-3)
    # clause 8 with one digit: 0.005; d_low 0.0451 and d_high 0.0430 against first order
    wrong = validation(first["value"], first["u"], Interval(*monte_carlo["shortest95"]))
    assert wrong.delta == 0.005 and wrong.valid is False
    assert (wrong.low_off, wrong.high_off) == pytest.approx((0.0451, 0.0430), abs=2e-4)
    higher = printed["higher_order"]
    good = validation(higher["value"], higher["u"], Interval(*monte_carlo["shortest95"]))
    assert good.valid is True
    assert (good.low_off, good.high_off) == pytest.approx((0.0036, 0.0015), abs=2e-4)
    # and of our own draws, which do scatter
    ours = validation(value, u, symmetric_interval(y), scatter=end_scatter(y))
    assert ours.valid is False


def test_limits_of_a_ratio_are_fiellers(reference: Reader) -> None:
    """E.C. Fieller (1940): 14 +- 3 over 7 +- 2 with ten degrees of freedom, 90 % limits.

    Both errors have the sd that one sample of ten degrees of freedom gave. A draw with a
    denominator below 0 is beyond every ratio.
    """
    data = reference("fieller_ratio_fourteen_sevenths")
    given, printed = data["inputs"], data["published"]
    rng = np.random.default_rng(7)
    scale = (given["dof"] / rng.chisquare(given["dof"], DRAWS)) ** 0.5
    above = given["a"] + given["se_a"] * scale * rng.standard_normal(DRAWS)
    below = given["b"] + given["se_b"] * scale * rng.standard_normal(DRAWS)
    y = np.where(below > 0.0, above / below, np.inf)
    level = given["level_two_sided"]
    found, scatter = symmetric_interval(y, level), end_scatter(y, level)
    for ours, theirs, sd in zip(found, printed["limits"], scatter, strict=True):
        assert abs(ours - theirs) < 4.0 * sd + 1e-3
        assert sd < 0.02
    share = Derived(given["a"], {"a": 1.0}) / Derived(given["b"], {"b": 1.0})
    value, u = share.value, sum((share.slopes[i] * given[f"se_{i}"]) ** 2 for i in "ab") ** 0.5
    assert u == pytest.approx(printed["first_order_sd"], abs=1e-6)
    plain = validation(value, u, found, factor=printed["t"], scatter=scatter)
    assert plain.valid is False
    assert (plain.low_off, plain.high_off) == pytest.approx((0.346, 1.120), abs=0.03)


def test_numerical_tolerance() -> None:
    """JCGM 101:2008, clause 7.9.2: the digits as they are after rounding."""
    assert tolerance(2.0, 2) == 0.05
    assert tolerance(0.0754) == 0.005
    assert tolerance(9.7, 1) == 5.0  # 10 to one digit: 1 x 10^1
    assert tolerance(9.7, 2) == 0.05
    assert tolerance(35000.0, 2) == 500.0
    for u, digits in ((0.0, 1), (-1.0, 1), (float("nan"), 1), (1.0, 0)):
        with pytest.raises(ValueError, match="needed"):
            tolerance(u, digits)


def test_intervals_hold_what_they_say() -> None:
    """Clause 7.7: q = p M draws apart, as many beyond each end; of a skew sample the shorter."""
    rng = np.random.default_rng(2)
    for n in (40, 41, 999, 1000, 1001):
        y = np.exp(rng.standard_normal(n))
        q = int(0.95 * n + 0.5)
        for find in (symmetric_interval, shortest_interval):
            low, high = find(y)
            assert ((y >= low) & (y <= high)).sum() == q + 1
        low, high = symmetric_interval(y)
        assert abs((y < low).sum() - (y > high).sum()) <= 1
        short = shortest_interval(y)
        assert short.high - short.low <= high - low
    with pytest.raises(ValueError, match="39 samples"):
        symmetric_interval(np.zeros(39))
    with pytest.raises(ValueError, match="NaN"):
        shortest_interval(np.array([np.nan, *range(60)]))
    with pytest.raises(ValueError, match="between 0 and 1"):
        symmetric_interval(np.zeros(100), 95.0)


def test_a_limit_may_be_missing() -> None:
    y = np.concatenate([np.linspace(1.0, 2.0, 90), np.full(10, np.inf)])
    assert symmetric_interval(y).low == pytest.approx(1.02, abs=0.02)
    assert symmetric_interval(y).high == np.inf
    assert end_scatter(y).high == 0.0  # by no chance is there one
    assert validation(1.2, 0.1, symmetric_interval(y), scatter=end_scatter(y)).valid is False
    assert shortest_interval(y).low == 1.0
    assert symmetric_interval(np.full(50, np.inf)) == (np.inf, np.inf)
    # here it is chance whether there is a limit
    few = np.concatenate([np.linspace(1.0, 2.0, 97), np.full(3, np.inf)])
    assert end_scatter(few).high == np.inf
    assert validation(1.5, 0.24, symmetric_interval(few), scatter=end_scatter(few)).valid is None


def test_scatter_of_the_ends() -> None:
    """The sd that one simulation tells is that of many; with the same draws beside it is less."""
    rng = np.random.default_rng(4)
    ends, told, eased, eased_told = [], [], [], []
    many = rng.standard_normal(DRAWS) + 0.1 * rng.standard_normal(DRAWS) ** 2
    plain = Interval(-1.959964, 1.959964)
    for _ in range(300):
        x = rng.standard_normal(1000)
        y = x + 0.1 * rng.standard_normal(1000) ** 2
        ends.append(symmetric_interval(y))
        told.append(end_scatter(y))
        found, sd = relieved(y, x, plain)
        eased.append(found)
        eased_told.append(sd)
    true = symmetric_interval(many)
    for each, sds in ((ends, told), (eased, eased_told)):
        assert np.std(each, axis=0) == pytest.approx(np.mean(sds, axis=0), rel=0.3)
        assert np.mean(each, axis=0) == pytest.approx(true, abs=0.02)
    assert (np.std(eased, axis=0) < 0.6 * np.std(ends, axis=0)).all()
    # draws that have nothing to do with the samples are of no use, and do no harm
    other, sd = relieved(y, rng.standard_normal(1000), plain)
    assert other == symmetric_interval(y) and sd == end_scatter(y)
