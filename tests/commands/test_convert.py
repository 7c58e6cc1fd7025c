"""Conversions: exact factors, their sources, refusals with every reading worked out."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often

from oretally.flowsheet import Dimension, UnitError, parse_unit, units_of
from oretally.flowsheet.units import convert, read_exactly
from oretally.flowsheet.units.table import find_unit
from oretally.io.cli import main
from oretally.io.commands.convert import conversion_text

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
@settings(max_examples=often(500), deadline=None, derandomize=True)
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
        if symbol not in IN_CAPITALS:
            assert parse_unit(symbol.upper(), dimension).symbol == symbol


IN_CAPITALS = {
    "mg",
    "mL",
    *(f"{m}/{t}" for m in ("mg", "mL") for t in ("s", "min", "h", "d", "wk")),
}


@pytest.mark.parametrize("symbol", sorted(IN_CAPITALS))
def test_mega_or_milli(symbol: str) -> None:
    """'MG' and 'ML' are the only capitals that could be another unit: a thousand million times."""
    head, _, time = symbol.upper().partition("/")
    rest = f"/{time.lower()}" if time else ""
    for written in (symbol.upper(), head.capitalize() + rest):
        with pytest.raises(UnitError) as refused:
            parse_unit(written)
        mega, milli = ("t", "mg") if head == "MG" else ("megalitre", "mL")
        assert refused.value.readings == (mega + rest, milli + rest)
        sizes = [parse_unit(reading).factor for reading in refused.value.readings]
        assert sizes[0] / sizes[1] == 10**9
    assert parse_unit(symbol).symbol == symbol


def test_capitals_with_one_meaning() -> None:
    """As laboratories print them: nothing holds tonnes in a litre."""
    shown = [parse_unit(s).symbol for s in ("MG/L", "MG/KG", "G/T", "PPM", "Mg/L")]
    assert shown == ["mg/L", "mg/kg", "g/t", "ppm", "mg/L"]


_E11 = "from    ASTM E11, table 1: nominal openings"
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
    ("\N{MINUS SIGN}3", "kg", "g"): "-3 kg = -3000 g\nfactor  1000, exact",
    ("3", "dwt/st", "g/t"): """3 dwt/st = 5.14286 g/t
factor  12/7 (1.71429...), exact
from    1 dwt (pennyweight) = 1/20 ozt = 24 grains of 1/7000 lb = 1.55517384 g exactly
        1 st (short ton) = 2000 lb
        1 lb = 0.45359237 kg exactly (international pound, 1959)
        1 t = 1000 kg
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("5", "gr/st", "g/t"): """5 grain/st = 0.357143 g/t
factor  1/14 (0.0714286...), exact
read    'gr/st' is read as grain per short ton
from    1 grain = 1/7000 lb = 64.79891 mg exactly
        1 st (short ton) = 2000 lb
        1 lb = 0.45359237 kg exactly (international pound, 1959)
        1 t = 1000 kg
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("3", "GPT", "ppm"): """3 g/t = 3 ppm
factor  1, exact
read    'gpt' is read as gram per tonne (g/t): common practice, no source
from    1 t = 1000 kg
        1 ppm = 1 g/t, mass by mass
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("1", "ozav", "g"): """1 ozav = 28.3495 g
factor  28.349523125, exact
from    1 ozav (avoirdupois ounce) = 1/16 lb = 28.349523125 g exactly
        1 lb = 0.45359237 kg exactly (international pound, 1959)
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("250", "\N{MICRO SIGN}g/g", "mg/kg"): "250 ug/g = 250 mg/kg\nfactor  1, exact",
    ("2", "wt.%", "kg/t"): """2 % = 20 kg/t
factor  10, exact
from    1 t = 1000 kg
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("5", "g/L", "mg/l"): "5 g/L = 5000 mg/L\nfactor  1000, exact",
    ("200", "mesh [astm e11]", "mm"): f"200 mesh [ASTM E11] = 0.075 mm\n{_E11}",
    ("1", "200 mesh [ASTM E11]", "um"): f"200 mesh [ASTM E11] = 75 um\n{_E11}",
    ("1.0", "3/8 in [ASTM E11]", "in"): f"3/8 in [ASTM E11] = 0.374015748 in\n{_E11}",
    ("0.075", "mm", "mesh [ASTM E11]"): f"0.075 mm = No. 200 [ASTM E11]\n{_E11}",
    ("75", "µm", "mm"): "75 um = 0.075 mm\nfactor  0.001, exact",
    ("1", "AT", "g"): """1 assay ton = 29.1667 g
factor  175/6 (29.1667...), exact
read    'AT' is read as assay ton, that of the short ton
from    1 assay ton = 175/6 g exactly: 1 mg in it is 1 ozt in a short ton (Bugbee, A Textbook of \
Fire Assaying)
        1 ozt = 480 grains of 1/7000 lb = 31.1034768 g exactly
        1 st (short ton) = 2000 lb
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
    ("3", "long assay tons", "g"): """3 long assay ton = 98 g
factor  98/3 (32.6667...), exact
from    1 long assay ton = 98/3 g exactly: 1 mg in it is 1 ozt in a long ton (Beringer, A \
Text-book of Assaying)
        1 ozt = 480 grains of 1/7000 lb = 31.1034768 g exactly
        1 lt (long ton) = 2240 lb
        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C""",
}


@pytest.mark.parametrize("asked", list(TEXTS))
def test_text(asked: tuple[str, str, str]) -> None:
    assert conversion_text(*asked) == (TEXTS[asked], True)


@pytest.mark.parametrize(
    ("number", "unit", "other", "result"),
    [
        ("1234567", "lb", "kg", "559990.17"),  # 559990.17145379
        ("12", "lb", "kg", "5.44310844"),
        ("1234567", "kg", "lb", "2721754.3"),
        ("1234567", "t", "lb", "2721754336"),  # every digit before the point
        ("0.00012345678", "g", "lb", "2.7217561e-07"),
        ("12345678901", "kg", "g", "12345678901000"),
        ("0.1234567890123456789", "kg", "g", "123.4567890123456789"),
        ("1e-20", "kg", "g", "1e-17"),
        ("1e20", "kg", "lb", "2.20462262184878e+20"),
        ("0", "kg", "lb", "0"),
    ],
)
def test_as_many_digits_as_were_typed(number: str, unit: str, other: str, result: str) -> None:
    text, _ = conversion_text(number, unit, other)
    assert text.partition("\n")[0].partition(" = ")[2] == f"{result} {other}"


@given(number=st.decimals(-(10**9), 10**9, allow_nan=False, places=3), one=st.sampled_from(EVERY))
@settings(max_examples=often(500), deadline=None, derandomize=True)
def test_no_digit_is_lost(number: Decimal, one: tuple[Dimension, str]) -> None:
    """What is shown lies within half a unit of the last typed digit, and of the sixth."""
    dimension, symbol = one
    for other in units_of(dimension):
        text, understood = conversion_text(f"{number:f}", symbol, other)
        if not understood:  # such as '%' of a length
            continue
        shown = Fraction(text.partition("\n")[0].partition(" = ")[2].split()[0])
        exact = convert(f"{number:f}", symbol, other).result
        digits = max(6, len(number.as_tuple().digits))
        assert abs(shown - exact) <= abs(exact) * Fraction(1, 2 * 10 ** (digits - 1))


def test_assay_tons() -> None:
    """1 mg in an assay ton is 1 ozt in its ton; a short one unless 'long' is spelt out."""
    for name, ton in (("assay ton", "st"), ("AT", "st"), ("long assay ton", "lt")):
        of_bead = parse_unit("mg").factor / parse_unit(name).factor
        assert of_bead == parse_unit(f"ozt/{ton}").factor
    with pytest.raises(UnitError, match="not a unit known here"):
        parse_unit("long AT")
    with pytest.raises(UnitError, match="not a unit known here"):
        parse_unit("AT/h")


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
    ("7", "oz", "g"): """'oz' can be read in two ways: troy ounce 31.1035 g, avoirdupois ounce \
28.3495 g.
  as ozt: 7 ozt = 217.7243376 g
  as ozav: 7 ozav = 198.447 g
Write ozt for troy ounces, ozav for avoirdupois ounces.""",
    ("3", "oz/st", "g/t"): """'oz/st' can be read in two ways: ozt/st = 34.2857 g/t, \
ozav/st = 31.25 g/t.
  as ozt/st: 3 ozt/st = 102.857 g/t
  as ozav/st: 3 ozav/st = 93.75 g/t
Write ozt for troy ounces, ozav for avoirdupois ounces.""",
    ("7", "oz/tonne", "g/t"): """'oz/tonne' can be read in two ways: ozt/t = 31.1035 g/t, \
ozav/t = 28.3495 g/t.
  as ozt/t: 7 ozt/t = 217.7243376 g/t
  as ozav/t: 7 ozav/t = 198.447 g/t
Write ozt for troy ounces, ozav for avoirdupois ounces.""",
    ("3", "g/ton", "g/t"): """'g/ton' can be read in three ways: g/t = 1 g/t, \
g/st = 1.10231 g/t, g/lt = 0.984207 g/t.
  as g/t: 3 g/t = 3 g/t
  as g/st: 3 g/st = 3.30693 g/t
  as g/lt: 3 g/lt = 2.95262 g/t
Write t (tonne), st (short ton) or lt (long ton).""",
    ("3", "DWT/ton", "g/t"): """'DWT/ton' can be read in three ways: dwt/t = 1.55517 g/t, \
dwt/st = 1.71429 g/t, dwt/lt = 1.53061 g/t.
  as dwt/t: 3 dwt/t = 4.66552152 g/t
  as dwt/st: 3 dwt/st = 5.14286 g/t
  as dwt/lt: 3 dwt/lt = 4.59184 g/t
Write t (tonne), st (short ton) or lt (long ton).""",
    ("7", "gr/ton", "g/t"): """'gr/ton' can be read in six ways: g/t = 1 g/t, \
g/st = 1.10231 g/t, g/lt = 0.984207 g/t, grain/t = 0.0647989 g/t, grain/st = 0.0714286 g/t, \
grain/lt = 0.0637755 g/t.
  as g/t: 7 g/t = 7 g/t
  as g/st: 7 g/st = 7.71618 g/t
  as g/lt: 7 g/lt = 6.88945 g/t
  as grain/t: 7 grain/t = 0.45359237 g/t
  as grain/st: 7 grain/st = 0.5 g/t
  as grain/lt: 7 grain/lt = 0.446429 g/t
Write g for gram, grain for grain. Write t (tonne), st (short ton) or lt (long ton).""",
    ("7", "gr/t", "g/t"): """'gr/t' can be read in two ways: g/t = 1 g/t, grain/t = 0.0647989 g/t.
  as g/t: 7 g/t = 7 g/t
  as grain/t: 7 grain/t = 0.45359237 g/t
Write g for gram, grain for grain.""",
    ("7", "gr", "g"): """'gr' can be read in two ways: gram, or grain = 0.06479891 g.
  as g: 7 g = 7 g
  as grain: 7 grain = 0.45359237 g
Write g for gram, grain for grain.""",
    ("24", "tons/day", "t/h"): """'tons/day' can be read in three ways: t = 1000 kg, \
st = 907.185 kg, lt = 1016.047 kg.
  as t/d: 24 t/d = 1 t/h
  as st/d: 24 st/d = 0.90718474 t/h
  as lt/d: 24 lt/d = 1.01605 t/h
Write t (tonne), st (short ton) or lt (long ton).""",
    ("5", "Mg", "kg"): """'Mg' can be read in two ways: megagram = 1 t, or milligram.
  as t: 5 t = 5000 kg
  as mg: 5 mg = 5e-06 kg
Write t or mg.""",
    ("1", "MG", "kg"): """'MG' can be read in two ways: megagram = 1 t, or milligram.
  as t: 1 t = 1000 kg
  as mg: 1 mg = 1e-06 kg
Write t or mg.""",
    ("5", "ML/D", "m3/h"): """'ML/D' can be read in two ways: megalitre = 1000 m3, or millilitre.
  as megalitre/d: 5 megalitre/d = 208.333 m3/h
  as mL/d: 5 mL/d = 2.08333e-07 m3/h
Write megalitre or mL.""",
    ("2", "g/ML", "g/L"): """'g/ML' can be read in two ways: gram per megalitre = ug/L, or gram \
per millilitre = g/cm3.
  as ug/L: 2 ug/L = 2e-06 g/L
  as g/cm3: 2 g/cm3 = 2000 g/L
Write ug/L or g/cm3.""",
    ("200", "mesh", "um"): """'200 mesh' is a sieve number without a series, and ASTM E11, Tyler \
and BS 410 number sieves differently; as ASTM E11 No. 200 it is 75 um.
  as 200 mesh [ASTM E11]: 75 um
  as ISO 565: no reading, it names sieves by their openings; ISO 565 R40/3 holds 75 um
  as Tyler or BS 410: not in the tables here
Write "200 mesh [ASTM E11]" if that is meant, else the opening on its plate.""",
    ("635", "#", "mm"): """'No. 635' is a sieve number without a series, and ASTM E11, Tyler \
and BS 410 number sieves differently; as ASTM E11 No. 635 it is 20 um.
  as No. 635 [ASTM E11]: 0.02 mm
  as ISO 565: no reading, it names sieves by their openings; neither R20/3 nor R40/3 holds 0.02 mm
  as Tyler or BS 410: not in the tables here
Write "No. 635 [ASTM E11]" if that is meant, else the opening on its plate.""",
    ("1", "3/8 in", "mm"): """'3/8 in' can be read in two ways: as ASTM E11 3/8 in it is 9500 um, \
as a length 9525 um.
  as 3/8 in [ASTM E11]: 9.5 mm
  as a length: 9.525 mm
Write "3/8 in [ASTM E11]" if that is meant, else the opening on its plate.""",
    ("200", "mesh [Tyler]", "um"): "'Tyler' is not a series of sieves known here.\nWrite one of: "
    "'ASTM E11', 'ISO 565 R20/3', 'ISO 565 R40/3'.",
    ("200", "Tyler mesh", "um"): "'Tyler mesh' is no series of sieves known here.\nWrite the "
    'series in brackets: "mesh [ASTM E11]"\nor the opening that stands on the sieve.',
    ("75", "um", "US mesh"): "'US mesh' is no series of sieves known here.\nWrite the "
    'series in brackets: "mesh [ASTM E11]"\nor the opening that stands on the sieve.',
    ("200", "mesh [ISO 565 R40/3]", "um"): "'200 mesh' is no size of ISO 565 R40/3, which names "
    "sieves by openings in mm or um; as ASTM E11 No. 200 it is 75 um.\nWrite the opening, "
    "'75 um', or give the series 'ASTM E11' if that is meant.",
    ("201", "mesh", "um"): "'201 mesh' is no designation of ASTM E11.\nWrite the opening in um, or "
    "a designation of the series 'ASTM E11'; the nearest: No. 200 = 75 um and No. 230 = 63 um.",
    ("2", "200 mesh [ASTM E11]", "um"): "'200 mesh [ASTM E11]' names one sieve, not 2 of them.\n"
    'Write: convert 1 "200 mesh [ASTM E11]" um.',
    ("200", "mesh", "kg"): "'kg' is the unit of a mass, but a length is wanted.\nWrite one of: um, "
    "mm, cm, m, in.",
    ("200", "mesh", "mesh"): "'mesh' and 'mesh' are both designations of sieves.\nWrite a length "
    "on one side, for example um.",
    ("75", "um", "mesh"): "'mesh' does not say of which series: ASTM E11, Tyler and BS 410 number "
    'sieves differently.\n  as ASTM E11: 75 um = No. 200\nWrite "mesh [ASTM E11]" if that is '
    "meant.",
    ("74", "um", "mesh [ASTM E11]"): "ASTM E11 has no sieve of 74 um.\nThe nearest: No. 200 = "
    "75 um and No. 230 = 63 um.",
    ("75", "um", "mesh [ISO 565 R20/3]"): "ISO 565 R20/3 names sieves by openings in mm or um.\n"
    'Write um or mm\nor "mesh [ASTM E11]".',
    ("75", "um", "200 mesh"): "'200 mesh' names one sieve.\nWrite \"mesh [ASTM E11]\" for what is "
    "sought.",
    ("3", "g/t", "oz/ton"): """'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, \
ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.
  as ozt/st: 3 g/t = 0.0875 ozt/st
  as ozt/t: 3 g/t = 0.0964522 ozt/t
  as ozt/lt: 3 g/t = 0.098 ozt/lt
Write the one the laboratory means.""",
    ("3", "kg", "g/t"): "'kg' is the unit of a mass, but a grade is wanted.\nWrite one of: %, "
    "g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt.",
    ("1,5", "kg", "g"): "'1,5' has a decimal comma: 1.5.\nWrite decimals with a point, and nothing "
    "between thousands.",
    ("-1,234", "kg", "g"): "'-1,234' has a comma: it can be read as -1.234 or as -1234.\nWrite "
    "decimals with a point, and nothing between thousands.",
    ("1,234.5", "kg", "g"): "'1,234.5' has marks between its thousands: 1234.5.\nWrite decimals "
    "with a point, and nothing between thousands.",
    ("1.234.567,8", "kg", "g"): "'1.234.567,8' has marks between its thousands: 1234567.8.\nWrite "
    "decimals with a point, and nothing between thousands.",
    ("12 345", "kg", "g"): "'12 345' has marks between its thousands: 12345.\nWrite decimals with "
    "a point, and nothing between thousands.",
    ("1,23,456", "kg", "g"): "'1,23,456' is not a number.\nWrite it as in 0.31 or 12.5.",
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


def test_command_takes_negative_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    """A minus is no option; refusals go to standard error, with status 2."""
    with pytest.raises(SystemExit) as done:
        main(["convert", "-0.5", "DWT/ST", "ozt/st"])
    assert done.value.code == 0
    assert capsys.readouterr().out.startswith("-0.5 dwt/st = -0.025 ozt/st\nfactor  0.05, exact\n")
    with pytest.raises(SystemExit) as refused:
        main(["convert", "-7", "gr/t", "g/t"])
    assert refused.value.code == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == (
        "'gr/t' can be read in two ways: g/t = 1 g/t, grain/t = 0.0647989 g/t.\n"
        "  as g/t: -7 g/t = -7 g/t\n  as grain/t: -7 grain/t = -0.45359237 g/t\n"
        "Write g for gram, grain for grain.\n"
    )
