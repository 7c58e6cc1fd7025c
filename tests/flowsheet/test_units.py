"""Units of measure: exact factors and refusals."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oretally.flowsheet import Dimension, UnitError, is_unit, parse_unit
from oretally.flowsheet.units import offered_units, units_of


def test_exact_factors(reference: Callable[[str], dict[str, Any]]) -> None:
    """NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C (from memory): exact."""
    exact = reference("mass_units_exact")["inputs"]["exact"]
    grain = Fraction("64.79891") / 1_000_000  # kg
    assert grain * 1_000_000 == Fraction(str(exact["grain_mg"]))
    assert parse_unit("ozt").factor == exact["troy_ounce_grains"] * grain
    assert parse_unit("ozt").factor == Fraction(str(exact["troy_ounce_g"])) / 1000
    assert parse_unit("lb").factor == exact["avoirdupois_pound_grains"] * grain
    assert parse_unit("lb").factor == Fraction(str(exact["avoirdupois_pound_g"])) / 1000
    assert parse_unit("st").factor == Fraction(str(exact["short_ton_kg"]))
    assert parse_unit("lt").factor == 2240 * parse_unit("lb").factor
    published = reference("mass_units_exact")["published"]
    per_ton = parse_unit("ozt/st").factor / parse_unit("g/t").factor
    assert per_ton == Fraction(240, 7)
    assert float(per_ton) == pytest.approx(published["troy_oz_per_short_ton_in_g_per_t"], abs=5e-5)
    count = parse_unit("st").factor / parse_unit("ozt").factor
    assert float(count) == pytest.approx(published["troy_oz_per_short_ton_count"], abs=5e-3)
    sample = parse_unit("assay ton").factor / parse_unit("g").factor
    assert sample == Fraction(175, 6)
    assert float(sample) == pytest.approx(published["assay_ton_short_g"], abs=5e-5)


@pytest.mark.parametrize(
    ("one", "factor", "other"),
    [
        ("t/d", Fraction(1, 24), "t/h"), ("st/h", Fraction("0.90718474"), "t/h"),
        ("kg/min", Fraction("0.06"), "t/h"), ("ppm", Fraction(1), "g/t"),
        ("%", Fraction(10_000), "g/t"), ("kg/t", Fraction(1000), "g/t"),
        ("ppb", Fraction(1, 1000), "g/t"), ("lb/st", Fraction(500), "g/t"),
        # a pennyweight is 24 of the 480 grains of a troy ounce, a grain 1/7000 lb
        ("dwt/st", Fraction(1, 20), "ozt/st"), ("grain/st", Fraction(1, 480), "ozt/st"),
        ("grain/st", Fraction(1, 14), "g/t"), ("dwt/lt", Fraction(1, 20), "ozt/lt"),
        ("ozav/st", Fraction(125, 4), "g/t"), ("ug/g", Fraction(1), "g/t"),
        ("mg/g", Fraction(1000), "g/t"), ("ng/g", Fraction(1), "ppb"),
        ("ug/kg", Fraction(1), "ppb"),
    ],
)  # fmt: skip
def test_ratios(one: str, factor: Fraction, other: str) -> None:
    """Follow from the definitions; common practice, no source."""
    assert parse_unit(one).factor == factor * parse_unit(other).factor


@pytest.mark.parametrize(
    ("spelling", "symbol"),
    [
        ("dwt/ST", "dwt/st"), ("pennyweights/short ton", "dwt/st"), ("gr/st", "grain/st"),
        ("gr / short ton", "grain/st"), ("\N{MICRO SIGN}g/g", "ug/g"),
        ("\N{GREEK SMALL LETTER MU}g/g", "ug/g"), ("UG/G", "ug/g"), ("wt%", "%"), ("Wt.%", "%"),
        ("wt %", "%"), ("% w/w", "%"), ("gpt", "g/t"), ("GPT", "g/t"), ("gms/tonne", "g/t"),
        ("t/hour", "t/h"), ("short tons/day", "st/d"), ("m\N{SUPERSCRIPT THREE}/hr", "m3/h"),
        ("m^3/h", "m3/h"), ("Mg/L", "mg/L"), ("MG/L", "mg/L"),
        ("kg/m\N{SUPERSCRIPT THREE}", "kg/m3"),
    ],
)  # fmt: skip
def test_spellings(spelling: str, symbol: str) -> None:
    """As laboratories write them; common practice, no source."""
    assert parse_unit(spelling).symbol == symbol
    assert is_unit(spelling)


def test_rare_units_are_read_but_not_proposed() -> None:
    grades = offered_units(Dimension.GRADE)
    assert "dwt/st" in units_of(Dimension.GRADE) and "dwt/st" not in grades
    assert set(grades) < set(units_of(Dimension.GRADE))
    assert "grain" not in offered_units(Dimension.MASS)


MESSAGES = {
    ("", Dimension.GRADE): "A grade stands without a unit.\nWrite one of: %, g/g, g/kg, kg/t, g/t, "
    "mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt.",
    ("", Dimension.MASS): "A mass stands without a unit.\n"
    "Write one of: mg, g, kg, t, lb, st, lt, ozt.",
    ("", Dimension.RATE): "A mass rate stands without a unit.\n"
    "Write a mass and a time, for example t/h, kg/h, t/d, st/h or lb/h.",
    (
        "mg/AT",
        Dimension.GRADE,
    ): "'mg/AT' can be read in two ways: milligrams in a short or in a long "
    "assay ton, ozt/st = 34.2857 g/t, ozt/lt = 30.6122 g/t.\nWrite ozt/st or ozt/lt.",
    (
        "stones",
        Dimension.MASS,
    ): "'stones' is not a unit known here.\nWrite it in lb or kg: 1 stone = "
    "14 lb = 6.35029318 kg. (st is the short ton.)",
    ("oz/ton", Dimension.GRADE): "'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, "
    "ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means.",
    ("opt", Dimension.GRADE): "'opt' can be read in three ways: ozt/st = 34.2857 g/t, "
    "ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means.",
    ("tons", Dimension.MASS): "'tons' can be read in three ways: t = 1000 kg, st = 907.185 kg, "
    "lt = 1016.047 kg.\nWrite t (tonne), st (short ton) or lt (long ton).",
    ("ton/h", Dimension.RATE): "'ton/h' can be read in three ways: t = 1000 kg, st = 907.185 kg, "
    "lt = 1016.047 kg.\nWrite t (tonne), st (short ton) or lt (long ton).",
    ("oz", Dimension.MASS): "'oz' can be read in two ways: troy ounce 31.1035 g, avoirdupois ounce "
    "28.3495 g.\nWrite ozt for troy ounces, ozav for avoirdupois ounces.",
    ("kg", Dimension.GRADE): "'kg' is the unit of a mass, but a grade is wanted.\nWrite one of: %, "
    "g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt.",
    ("furlong", Dimension.MASS): "'furlong' is not a unit known here.\n"
    "Write one of: mg, g, kg, t, lb, st, lt, ozt.",
}


@pytest.mark.parametrize(("text", "dimension"), list(MESSAGES))
def test_refusal(text: str, dimension: Dimension) -> None:
    with pytest.raises(UnitError) as refused:
        parse_unit(text, dimension)
    assert str(refused.value) == MESSAGES[text, dimension]


TIMES = ("s", "min", "h", "d", "wk")


@given(
    value=st.floats(1e-9, 1e9),
    symbol=st.sampled_from([s for d in Dimension for s in units_of(d)]),
)
def test_there_and_back(value: float, symbol: str) -> None:
    unit = parse_unit(symbol)
    assert unit.from_base(unit.to_base(value)) == pytest.approx(value, rel=1e-15)
    if not (symbol in ("mg", "mL") or is_rate(symbol)):  # in capitals also mega-
        assert parse_unit(f"  {symbol.upper()} ") == unit


def is_rate(symbol: str) -> bool:
    """Tell whether a symbol is so many mg or mL in a time."""
    return symbol.partition("/")[0] in ("mg", "mL") and symbol.partition("/")[2] in TIMES
