"""Published checks of sampling: Gy's sample mass of a lead ore, screened metallics of silver."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oretally.flowsheet import parse_unit
from oretally.recon.laboratory import (
    Ore,
    SieveFraction,
    Stage,
    composition_factor,
    fundamental_error,
    liberation_factor,
    mass_needed,
    metallics_grade,
    sampling_constant,
)

Reference = Callable[[str], dict[str, Any]]
LEAD = Ore(0.05, 0.866, 7.5, 2.65, liberation_um=150.0)
ores = st.builds(
    Ore,
    grade=st.floats(1e-6, 0.45),
    mineral_grade=st.floats(0.5, 1.0),
    mineral_density=st.floats(2.0, 20.0),
    gangue_density=st.floats(2.0, 5.0),
    liberation_um=st.floats(1.0, 10_000.0),
    shape=st.floats(0.1, 0.6),
)
sizes = st.floats(10.0, 100_000.0)
masses = st.floats(1e-3, 1e6)


def test_sample_mass_of_a_lead_ore(reference: Reference) -> None:
    """B.A. Wills (1982), worksheet for Gy's sample mass, later edition (2005).

    Convention of the worksheet: 95 % confidence (1.96), the variance shared by four equal stages,
    a safety factor of 2 on each mass, no mass of the lot.
    """
    data = reference("gy_sample_mass_lead_ore")
    given_, own = data["inputs"], data["recomputed"]
    ore = Ore(
        grade=given_["ore_assay_pct"] / 100.0,
        mineral_grade=given_["mineral_assay_pct"] / 100.0,
        mineral_density=given_["mineral_density"],
        gangue_density=given_["gangue_density"],
        liberation_um=given_["liberation_size_cm"] * 10_000.0,
        shape=given_["shape_factor_f"],
    )
    g, stages = given_["granulometric_factor_g"], given_["sampling_stages"]
    sd = given_["relative_error_total_pct"] / 100.0 / 1.96 / math.sqrt(stages)
    assert composition_factor(ore) == pytest.approx(own["composition_factor_m"], abs=5e-9)
    found = []
    # the file's own coarse C is good to 1e-9 only, whatever digits it shows
    for i, cm in enumerate(given_["top_size_cm"]):
        um = cm * 10_000.0
        freed = liberation_factor(ore, um)
        assert freed == pytest.approx(own["liberation_factor"][i], abs=5e-11)
        assert sampling_constant(ore, um, g) == pytest.approx(own["C"][i], rel=1e-9)
        found.append(given_["safety_factor"] * mass_needed(ore, um, sd, g=g) * 1000.0)
    published = data["published"]["sample_mass_g"]
    assert found[0] == pytest.approx(published[0], abs=0.5)
    assert found[1] == pytest.approx(published[1], abs=0.005)
    assert found[0] == pytest.approx(own["sample_mass_g"][0], abs=5e-5)
    assert found[1] == pytest.approx(own["sample_mass_g"][1], abs=5e-8)
    # with these masses at every stage, the error of all four is the printed one
    top = given_["top_size_cm"][0] * 10_000.0
    one = fundamental_error(ore, [Stage(top, math.inf, found[0] / 1000.0, g)]).relative_sd
    achieved = 100.0 * 1.96 * one * math.sqrt(stages)
    assert achieved == pytest.approx(data["published"]["relative_error_pct"], abs=0.05)


def test_limits() -> None:
    """The whole lot has no error; a free mineral's variance goes with the cube of the size."""
    assert fundamental_error(LEAD, [Stage(1000.0, 5.0, 5.0)]).relative_sd == 0.0
    coarse = fundamental_error(LEAD, [Stage(150.0, 10.0, 1.0)])
    fine = fundamental_error(LEAD, [Stage(75.0, 10.0, 1.0)])
    assert coarse.stage_variances[0] == pytest.approx(8.0 * fine.stage_variances[0], rel=1e-12)
    # above the liberation size the variance goes with d^2.5
    coarse = fundamental_error(LEAD, [Stage(2000.0, 10.0, 1.0)])
    fine = fundamental_error(LEAD, [Stage(1000.0, 10.0, 1.0)])
    ratio = coarse.stage_variances[0] / fine.stage_variances[0]
    assert ratio == pytest.approx(2.0**2.5, rel=1e-12)
    assert liberation_factor(LEAD, 150.0) == 1.0
    pure = replace(LEAD, grade=0.866)
    assert fundamental_error(pure, [Stage(1000.0, 10.0, 1.0)]).sd == 0.0
    assert mass_needed(pure, 1000.0, 0.01) == 0.0


def test_stages_add() -> None:
    first, second = Stage(10_000.0, 1000.0, 50.0), Stage(1000.0, 50.0, 0.5)
    both = fundamental_error(LEAD, [first, second])
    alone = [fundamental_error(LEAD, [stage]).relative_sd for stage in (first, second)]
    assert both.relative_sd == pytest.approx(math.hypot(*alone), rel=1e-12)
    assert both.sd == pytest.approx(0.05 * both.relative_sd, rel=1e-12)
    # two splits at one size are one split
    halves = fundamental_error(LEAD, [Stage(1000.0, 8.0, 4.0), Stage(1000.0, 4.0, 1.0)])
    once = fundamental_error(LEAD, [Stage(1000.0, 8.0, 1.0)])
    assert halves.relative_sd == pytest.approx(once.relative_sd, rel=1e-12)


@settings(derandomize=True, deadline=None)
@given(ores, sizes, masses, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_more_mass_never_adds_error(
    ore: Ore, size: float, lot: float, one: float, other: float
) -> None:
    less, more = (max(share, 1e-6) * lot for share in sorted((one, other)))
    worse = fundamental_error(ore, [Stage(size, lot, less)])
    better = fundamental_error(ore, [Stage(size, lot, more)])
    assert 0.0 <= better.relative_sd <= worse.relative_sd
    assert better.relative_sd <= fundamental_error(ore, [Stage(size, math.inf, more)]).relative_sd


@settings(derandomize=True, deadline=None)
@given(ores, sizes, st.floats(1e-3, 0.3), st.one_of(masses, st.just(math.inf)))
def test_mass_needed_and_back(ore: Ore, size: float, sd: float, lot: float) -> None:
    mass = mass_needed(ore, size, sd, lot_kg=lot)
    assert mass <= lot
    # where nearly the whole lot is needed, 1/sample - 1/lot keeps few digits
    endless = fundamental_error(ore, [Stage(size, math.inf, mass)]).relative_sd
    found = fundamental_error(ore, [Stage(size, lot, mass)]).relative_sd
    assert abs(found**2 - sd**2) <= 1e-12 * max(endless**2, sd**2)


@pytest.mark.parametrize("lot", [0, 20_000])
def test_equal_spheres(lot: int) -> None:
    """Random choice among free spheres of one size: binomial, from a lot hypergeometric.

    There Gy's formula, with f = pi/6 and g = l = 1, is the first order in 1/n of the variance.
    Tolerance 1 %: the next order is 1 / (n p) = 0.3 % of the variance, and 200,000 draws give the
    sd to 0.16 %.
    """
    n, p, draws = 5000, 0.06, 200_000
    mineral, gangue, mm = 7.5, 2.65, 1.0
    rng = np.random.default_rng(20)
    if lot:
        count = rng.hypergeometric(int(p * lot), lot - int(p * lot), n, size=draws)
    else:
        count = rng.binomial(n, p, size=draws)
    grades = 0.866 * count * mineral / (count * mineral + (n - count) * gangue)
    density = p * mineral + (1.0 - p) * gangue
    sphere = math.pi / 6.0 * (mm / 10.0) ** 3 * density / 1000.0  # kg, the mean of both
    ore = Ore(0.866 * p * mineral / density, 0.866, mineral, gangue, 1000.0, math.pi / 6.0)
    stage = Stage(1000.0 * mm, lot * sphere if lot else math.inf, n * sphere, 1.0)
    error = fundamental_error(ore, [stage])
    assert grades.std() == pytest.approx(error.sd, rel=0.01)
    assert grades.mean() == pytest.approx(ore.grade, rel=5e-3)


def _ore(**changes: float) -> Callable[[], object]:
    return lambda: replace(LEAD, **changes)


_FRACTION = (
    ": it must be a finite number above 0 and at most 1. Give a mass fraction (5 % is 0.05)."
)
_PASSES = (
    ": it must be a finite number above 0. Give the opening that 95 % of the mass passes, in um."
)
_REFUSED: list[tuple[Callable[[], object], str]] = [
    (_ore(grade=5.0), "the grade of the ore is 5" + _FRACTION),
    (_ore(mineral_grade=86.6), "the grade of the mineral is 86.6" + _FRACTION),
    (_ore(grade=0.9), "the grade of the ore, 0.9, is above that of its mineral, 0.866. "
     "Give both for the same analyte, as mass fractions."),
    (_ore(mineral_density=0.0), "the density of the mineral is 0 g/cm3: it must be a finite number "
     "above 0. Give that of the grains, for example 2.65 for quartz."),
    (_ore(gangue_density=math.nan), "the density of the gangue is nan g/cm3: it must be a finite "
     "number above 0. Give that of the grains, for example 2.65 for quartz."),
    (_ore(liberation_um=-1.0), "the liberation size is -1 um: it must be a finite number above 0. "
     "Give the top size below which the mineral is free, in um."),
    (_ore(shape=2.0), "the shape factor is 2: it must be a finite number above 0 and at most 1. "
     "Most ores have 0.5, flaky gold 0.2."),
    (lambda: Stage(math.inf, 2.0, 1.0), "the top size is inf um" + _PASSES),
    (lambda: liberation_factor(LEAD, 0.0), "the top size is 0 um" + _PASSES),
    (lambda: Stage(100.0, 2.0, 1.0, 0.0), "the granulometric factor is 0: it must be a finite "
     "number above 0 and at most 1. With all sizes below the top size it is 0.25."),
    (lambda: Stage(100.0, 2.0, 0.0), "the mass of the sample is 0 kg: it must be a finite number "
     "above 0. Give its dry mass."),
    (lambda: Stage(100.0, math.nan, 1.0), "the mass of the lot is nan kg: it must be a finite "
     "number above 0. Give its dry mass, or math.inf."),
    (lambda: Stage(100.0, 1.0, 2.0), "the sample, 2 kg, is heavier than its lot, 1 kg. Give the "
     "dry mass before the split as the lot, the mass kept as the sample."),
    (lambda: mass_needed(LEAD, 100.0, 0.0), "the relative sd is 0: it must be a finite number "
     "above 0. Give one standard deviation over the grade (2 % is 0.02)."),
    (lambda: fundamental_error(LEAD, []), "no stage of sampling is given. Give one at least, "
     "coarsest first."),
    (lambda: fundamental_error(LEAD, [Stage(100.0, 9.0, 1.0), Stage(200.0, 1.0, 0.1)]),
     "the top size of stage 2, 200 um, is above that of the stage before, 100 um. "
     "Give the stages in the order of work."),
    (lambda: fundamental_error(LEAD, [Stage(100.0, 9.0, 3.0), Stage(100.0, 1.0, 0.1)]),
     "the lot of stage 2, 1 kg, is not the sample of the stage before, 3 kg. "
     "Give a split between them as a stage of its own."),
    (lambda: SieveFraction(0.0, (0.5,), 0.1), "the mass of a sieve fraction is 0 kg: it must be a "
     "finite number above 0. Give the dry mass of the fraction; if nothing stayed on the sieve, "
     "average the assays of the rest."),
    (lambda: SieveFraction(1.0, (0.5,), 0.1, -1.0), "the sd of the mass of a sieve fraction is "
     "-1 kg: it must be a finite number not below 0. Give one standard deviation, 0 if the mass "
     "counts as exact."),
    (lambda: SieveFraction(1.0, ()), "a sieve fraction has no assay. Give one at least."),
    (lambda: SieveFraction(1.0, (0.5, 52.5)), "the assay of a sieve fraction is 52.5: it must be a "
     "number from 0 to 1. Give a mass fraction (0.525 % is 0.00525, 1 g/t is 1e-6)."),
    (lambda: SieveFraction(1.0, (0.5,), -0.1), "the sd of the assays of a sieve fraction is -0.1: "
     "it must be a finite number not below 0. Give one standard deviation of a single assay, as a "
     "mass fraction."),
    (lambda: SieveFraction(1.0, (0.5,)), "the assays of a sieve fraction have no replicate, so "
     "they do not say how far they scatter. Give the sd of a single assay, at least that of its "
     "last digit."),
    (lambda: SieveFraction(1.0, (0.5, 0.5)), "the assays of a sieve fraction are all equal, so "
     "they do not say how far they scatter. Give the sd of a single assay, at least that of its "
     "last digit."),
]  # fmt: skip


@pytest.mark.parametrize(("make", "message"), _REFUSED, ids=[m[:40] for _, m in _REFUSED])
def test_refusals(make: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError) as caught:
        make()
    assert str(caught.value) == message


def test_silver_with_metallics(reference: Reference) -> None:
    """C. and J.J. Beringer (1904): 1 g on the sieve, 399 g through it."""
    data = reference("screened_metallics_silver")
    given_, printed, own = data["inputs"], data["published"], data["recomputed"]
    on, through = given_["metallics"], given_["sifted"]
    plus = SieveFraction(on["mass_g"] / 1000.0, (on["silver_found_g"] / on["mass_g"],), 0.0)
    aliquot = through["silver_in_aliquot_g"] / through["aliquot_g"]
    minus = SieveFraction(through["mass_g"] / 1000.0, (aliquot,), 0.0)
    assert 100.0 * plus.grade == pytest.approx(printed["metallics_pct"], abs=5e-5)
    assert 100.0 * minus.grade == pytest.approx(printed["sifted_pct"], abs=5e-5)
    found = metallics_grade(plus, minus)
    percent = parse_unit("%").from_base(found.grade)
    assert percent == pytest.approx(printed["whole_sample_pct"], abs=5e-5)
    assert percent == pytest.approx(own["whole_sample_pct"], abs=5e-11)
    ounces = parse_unit("ozt/lt").from_base(found.grade)
    assert ounces == pytest.approx(printed["whole_sample_oz_per_long_ton"], abs=0.01)
    assert ounces == pytest.approx(own["oz_per_long_ton_unrounded"], abs=5e-5)
    assert found.plus_share == pytest.approx(0.842 / (0.842 + 399.0 * 0.00525), rel=1e-12)
    assert found.sd == 0.0


def test_approximate_method_of_the_book(reference: Reference) -> None:
    """Beringer: silver of the metallics in 20 g of sample, added to that of 20 g of siftings."""
    data = reference("screened_metallics_silver")
    on, through = data["inputs"]["metallics"], data["inputs"]["sifted"]
    printed = data["published"]["approximate_method"]
    sample, aliquot = on["mass_g"] + through["mass_g"], through["aliquot_g"]
    silver = through["silver_in_aliquot_g"] + on["silver_found_g"] * aliquot / sample
    assert silver == pytest.approx(printed["silver_per_20g"], abs=5e-5)
    ounces = parse_unit("ozt/lt").from_base(silver / aliquot)
    assert ounces == pytest.approx(data["recomputed"]["approximate_oz_per_long_ton"], abs=5e-5)
    # 0.015, not 0.01: the book looked the printed 240.25 up in a table
    assert ounces == pytest.approx(printed["oz_per_long_ton"], abs=0.015)
    # it counts the siftings as the whole sample: too much by their grade times the metallics' share
    plus = SieveFraction(0.001, (0.842,), 0.0)
    minus = SieveFraction(0.399, (0.00525,), 0.0)
    excess = silver / aliquot - metallics_grade(plus, minus).grade
    assert excess == pytest.approx(0.00525 * 1.0 / 400.0, rel=1e-9)


@pytest.mark.parametrize("stated", [True, False])
def test_sd_of_screened_metallics(stated: bool) -> None:
    """Monte Carlo of the four inputs. Tolerance 1 %: 200,000 draws give the sd to 0.16 %."""
    assays = (0.00515, 0.00525, 0.00538)
    plus = SieveFraction(0.010, (0.842,), 0.01, mass_sd_kg=0.0002)
    minus = SieveFraction(0.390, assays, 0.0002 if stated else None, mass_sd_kg=0.004)
    found = metallics_grade(plus, minus)
    assert minus.grade_sd == pytest.approx(
        (0.0002 if stated else float(np.std(assays, ddof=1))) / math.sqrt(3), rel=1e-12
    )
    rng = np.random.default_rng(21)
    m_plus, m_minus, g_plus, g_minus = (
        rng.normal(mean, sd, 200_000)
        for mean, sd in (
            (plus.mass_kg, plus.mass_sd_kg), (minus.mass_kg, minus.mass_sd_kg),
            (plus.grade, plus.grade_sd), (minus.grade, minus.grade_sd),
        )
    )  # fmt: skip
    drawn = (m_plus * g_plus + m_minus * g_minus) / (m_plus + m_minus)
    assert drawn.std() == pytest.approx(found.sd, rel=0.01)
    assert drawn.mean() == pytest.approx(found.grade, rel=1e-3)
    sources = ["plus mass", "plus grade", "minus mass", "minus grade"]
    assert [c.source for c in found.contributions] == sources
    assert math.hypot(*(c.sd for c in found.contributions)) == pytest.approx(found.sd, rel=1e-12)
    assert min(c.sd for c in found.contributions) > 0.05 * found.sd


def test_fractions_of_one_grade_and_without_metal() -> None:
    """Of one grade, masses do not matter; without metal there is no share."""
    same = metallics_grade(SieveFraction(1.0, (0.5,), 0.0, 0.1), SieveFraction(3.0, (0.5,), 0.0, 1))
    assert (same.grade, same.sd, same.plus_share) == (0.5, 0.0, 0.25)
    empty = SieveFraction(1.0, (0.0,), 1e-6)
    assert metallics_grade(empty, empty).plus_share is None


@pytest.mark.parametrize("ounces", [1, 7, 240])
def test_two_thousand_pounds_hold_the_ounces_of_the_assay(ounces: int) -> None:
    """Common practice, no source: the assay in ozt/st counts troy ounces in 2000 lb of ore."""
    silver = 2000 * parse_unit("lb").factor * ounces * parse_unit("ozt/st").factor
    assert silver / parse_unit("ozt").factor == ounces
