"""Conversions: exact factors, their sources, refusals with every reading worked out."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oretally.flowsheet import Dimension, UnitError, parse_unit, units_of
from oretally.flowsheet.conversion import convert, read_exactly
from oretally.flowsheet.unit_table import find_unit
from oretally.io.conversion_text import conversion_text

EVERY = [(d, s) for d in Dimension for s in units_of(d)]


@pytest.mark.parametrize(
    ("one", "factor", "other", "dimension"),
    [
        # NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C (from memory), exact
        ("in", Fraction("25.4"), "mm", Dimension.LENGTH),
        ("ft3", Fraction("0.028316846592"), "m3", Dimension.VOLUME),
        ("usgal", Fraction("3.785411784"), "L", Dimension.VOLUME),
        ("impgal", Fraction("4.54609"), "L", Dimension.VOLUME),
        ("usgal/min", Fraction("0.22712470704"), "m3/h", Dimension.VOLUME_RATE),
        ("lb/ft3", Fraction("0.45359237") / Fraction("0.028316846592"), "kg/m3", Dimension.DENSITY),
        # powers of ten
        ("g/cm3", Fraction(1), "kg/L", Dimension.DENSITY),
        ("mg/L", Fraction(1, 1000), "g/L", Dimension.SOLUTION),
        ("um", Fraction(1, 1000), "mm", Dimension.LENGTH),
        ("L/s", Fraction("3.6"), "m3/h", Dimension.VOLUME_RATE),
    ],
)
def test_factors(one: str, factor: Fraction, other: str, dimension: Dimension) -> None:
    ratio = parse_unit(one, dimension).factor / parse_unit(other, dimension).factor
    assert ratio == factor


def test_ounces_in_a_sample() -> None:
    """A 2000 lb sample of N ozt/st ore holds N troy ounces; common practice, no source."""
    held = convert("2000", "lb", "kg").result * parse_unit("ozt/st").factor * 7
    assert held == 7 * parse_unit("ozt").factor


@given(one=st.sampled_from(EVERY), number=st.fractions(0, 10**6))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_there_and_back(one: tuple[Dimension, str], number: Fraction) -> None:
    """Exact both ways, for every pair of units of one dimension."""
    dimension, symbol = one
    unit = parse_unit(symbol, dimension)
    for other in units_of(dimension):
        factor = unit.factor / parse_unit(other, dimension).factor
        assert number * factor / factor == number
        assert factor > 0


def test_every_symbol_is_read_as_itself() -> None:
    for dimension, symbol in EVERY:
        assert parse_unit(symbol, dimension) == find_unit(symbol.casefold(), dimension)
        assert parse_unit(symbol.upper(), dimension).symbol == symbol


TEXTS = {
    ("0.31", "ozt/st", "g/t"): """0.31 ozt/st = 10.6286 g/t
factor  240/7 (34.2857...), exact
from    1 ozt = 480 grains of 1/7000 lb = 31.1034768 g exactly
        1 st (short ton) = 2000 lb
        1 lb = 0.45359237 kg exactly (international pound, 1959)
        1 t = 1000 kg
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("2.7", "g/cm3", "kg/L"): "2.7 g/cm3 = 2.7 kg/L\nfactor  1, exact",
    ("65", "%", "g/g"): "65 % = 0.65 g/g\nfactor  0.01, exact",
    ("-3", "kg", "g"): "-3 kg = -3000 g\nfactor  1000, exact",
    ("75", "µm", "mm"): "75 um = 0.075 mm\nfactor  0.001, exact",
}


@pytest.mark.parametrize("asked", list(TEXTS))
def test_text(asked: tuple[str, str, str]) -> None:
    assert conversion_text(*asked) == (TEXTS[asked], True)


REFUSED = {
    ("0.31", "oz/ton", "g/t"): """'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, \
ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.
  as ozt/st: 0.31 ozt/st = 10.6286 g/t
  as ozt/t: 0.31 ozt/t = 9.642077808 g/t
  as ozt/lt: 0.31 ozt/lt = 9.4898 g/t
Write the one the laboratory means.""",
    ("3", "tons", "kg"): """'tons' can be read in three ways: t = 1000 kg, st = 907.185 kg, \
lt = 1016.047 kg.
  as t: 3 t = 3000 kg
  as st: 3 st = 2721.55422 kg
  as lt: 3 lt = 3048.14 kg
Write t (tonne), st (short ton) or lt (long ton).""",
    ("5", "gpm", "m3/h"): """'gpm' can be read in two ways: US gallon 3.78541 L, imperial gallon \
4.54609 L.
  as usgal/min: 5 usgal/min = 1.13562 m3/h
  as impgal/min: 5 impgal/min = 1.363827 m3/h
Write usgal or impgal, as in usgal/min.""",
    ("7", "oz", "g"): "'oz' can be read in two ways: troy ounce 31.1035 g, avoirdupois ounce "
    "28.3495 g.\nWrite ozt for troy ounces; give avoirdupois ounces in lb or g.",
    ("3", "kg", "g/t"): "'kg' is the unit of a mass, but a grade is wanted.\nWrite one of: %, "
    "g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt.",
    ("1,5", "kg", "g"): "'1,5' has a comma: it can be read as 1.5 or as 15.\nWrite decimals with "
    "a point, and nothing between thousands.",
    ("ten", "kg", "g"): "'ten' is not a number.\nWrite it as in 0.31 or 12.5.",
    ("1", "furlong", "m"): "'furlong' is not a unit known here.\nWrite one of: um, mm, cm, m, in.",
}


@pytest.mark.parametrize("asked", list(REFUSED))
def test_refused(asked: tuple[str, str, str]) -> None:
    assert conversion_text(*asked) == (REFUSED[asked], False)


def test_ppm_of_a_solution_has_two_readings() -> None:
    with pytest.raises(UnitError, match="two ways: mg/L, or mass by mass"):
        parse_unit("ppm", Dimension.SOLUTION)


def test_numbers_are_read_exactly() -> None:
    assert read_exactly("0.1") == Fraction(1, 10)
    assert read_exactly("1e-3") == Fraction(1, 1000)
