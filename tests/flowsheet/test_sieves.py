"""Sieves: every row of the table, the geometric steps of the series, refusals with whole text."""

from __future__ import annotations

import csv
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import REFERENCE

from oretally.flowsheet import UnitError
from oretally.flowsheet.units import SIEVES, Series, belongs, opening_um, openings_of, outside


def _rows() -> list[dict[str, str]]:
    lines = (REFERENCE / "sieve_openings_astm_e11.csv").read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", _rows(), ids=lambda row: row["alternative_designation"])
def test_every_row_of_astm_e11(row: dict[str, str]) -> None:
    """ASTM E11 table 1 (1995, 2001); some rows and the series from memory, as the file says."""
    name = row["alternative_designation"]
    opening = float(Fraction(row["opening_mm"]) * 1000)
    assert opening_um(name, "ASTM E11") == opening
    assert opening_um(f"{row['opening_mm']} mm") == opening
    assert opening_um(f"{opening:g} um", Series.ISO_R20_3) == opening
    if name.startswith("No. "):
        number = name.removeprefix("No. ")
        for spelling in (number, f"#{number}", f"{number} mesh", f"no.{number}", f"Mesh {number}"):
            assert opening_um(spelling, "ASTM E11") == opening
    assert belongs([opening], "ASTM E11")
    assert belongs([opening], "ISO 565 R40/3") == (row["in_R40_3"] == "yes")
    assert belongs([opening], "ISO 565 R20/3") == (row["in_R20_3"] == "yes")


def test_the_table_has_no_other_rows() -> None:
    assert [s.designation for s in SIEVES] == [r["alternative_designation"] for r in _rows()]
    assert list(openings_of("ASTM E11")) == sorted((s.opening_um for s in SIEVES), reverse=True)
    assert all((s.number is None) != (s.inches is None) for s in SIEVES)


@pytest.mark.parametrize(("series", "step"), [(Series.ISO_R20_3, 6), (Series.ISO_R40_3, 3)])
def test_geometric_steps(series: Series, step: int) -> None:
    """ISO 565: from 10^(84/40) mm down in steps of 10^(6/40) or 10^(3/40), none left out."""
    openings = openings_of(series)
    ideal = [1000.0 * 10.0 ** ((84 - step * i) / 40.0) for i in range(len(openings))]
    # preferred numbers are rounded from the ideal ones: by 1.26 % at most
    assert openings == pytest.approx(ideal, rel=0.013)
    assert openings[-1] == 32.0


@pytest.mark.parametrize(
    ("text", "series", "opening"),
    [
        ("75 um", None, 75.0), ("75um", None, 75.0), ("75 \u00b5m", None, 75.0),
        ("75 \u03bcm", None, 75.0), ("75 microns", None, 75.0), ("0.075 mm", None, 75.0),
        (".075 MM", None, 75.0), ("0.0075 cm", None, 75.0), ("74 um", "ASTM E11", 74.0),
        ("200", "astm  e11", 75.0), ("3-1/2", "ASTM E11", 5600.0), ("3/8 in", "ASTM E11", 9500.0),
        ('3/8"', "ASTM E11", 9500.0), ("0.375 inch", "ASTM E11", 9500.0),
        ("1 in.", "ASTM E11", 25000.0), ("1-1/2 inches", "ASTM E11", 37500.0),
    ],
)  # fmt: skip
def test_spellings(text: str, series: str | None, opening: float) -> None:
    """Common practice, no source."""
    assert opening_um(text, series) == opening


_SEVERAL = (
    " is a sieve number without a series, and ASTM E11, Tyler and BS 410 number sieves "
    "differently; as ASTM E11 No. 200 it is 75 um.\n"
    "Write the opening, '75 um', or give the series 'ASTM E11' if that is meant."
)
_UNREADABLE = (
    " is not the opening or the designation of one sieve.\n"
    "Write a number (with a point for decimals) and a unit, for example '75 um' or '0.075 mm', "
    "or a designation and its series, for example '200' and 'ASTM E11'."
)
MESSAGES = {
    ("200 mesh", None): "'200 mesh'" + _SEVERAL,
    ("No. 200", None): "'No. 200'" + _SEVERAL,
    ("200", None): "'200'" + _SEVERAL
    + " If it is an opening, write its unit: '200 mm' or '200 um'.",
    ("3/8 in", None): "'3/8 in' can be read in two ways: as ASTM E11 3/8 in it is 9500 um, "
    "as a length 9525 um.\n"
    "Write the opening, '9500 um', or give the series 'ASTM E11' if that is meant.",
    ("No. 190", "ASTM E11"): "'No. 190' is no designation of ASTM E11.\nWrite the opening in um, "
    "or a designation of the series 'ASTM E11'; the nearest: No. 170 = 90 um and No. 200 = 75 um.",
    ("75", "ASTM E11"): "'75' is no designation of ASTM E11.\n"
    "Write the opening with its unit, '75 mm' or '75 um', or a designation of the series "
    "'ASTM E11'; the nearest: No. 70 = 212 um and No. 80 = 180 um.",
    ("3 mesh", "ASTM E11"): "'3 mesh' is no designation of ASTM E11.\nWrite the opening in um, "
    "or a designation of the series 'ASTM E11'; the nearest: No. 3 1/2 = 5600 um.",
    ("0.3 in", "ASTM E11"): "'0.3 in' is no designation of ASTM E11; as a length it is 7620 um.\n"
    "Write the opening in um, or a designation of the series 'ASTM E11'; "
    "the nearest: 5/16 in = 8000 um and 0.265 in = 6700 um.",
    ("10 in", "ASTM E11"): "'10 in' is no designation of ASTM E11; as a length it is 254000 um.\n"
    "Write the opening in um, or a designation of the series 'ASTM E11'; "
    "the nearest: 5 in = 125000 um.",
    ("No. 200", "ISO 565 R20/3"): "'No. 200' is no size of ISO 565 R20/3, which names sieves by "
    "openings in mm or um; as ASTM E11 No. 200 it is 75 um.\n"
    "Write the opening, '75 um', or give the series 'ASTM E11' if that is meant.",
    ("75", "ISO 565 R40/3"): "'75' is no size of ISO 565 R40/3, which names sieves by openings in "
    "mm or um.\nWrite the opening with its unit, '75 mm' or '75 um', or a designation of the "
    "series 'ASTM E11'; the nearest: No. 70 = 212 um and No. 80 = 180 um.",
    ("75 um", "Tyler"): "'Tyler' is not a series of sieves known here.\n"
    "Write one of: 'ASTM E11', 'ISO 565 R20/3', 'ISO 565 R40/3'.",
    ("0 um", None): "The size '0 um' is not above zero.\nWrite the sieve's opening.",
    ("-75 um", None): "'-75 um'" + _UNREADABLE,
    ("75,0 um", None): "'75,0 um'" + _UNREADABLE,
    ("No. 200 um", None): "'No. 200 um'" + _UNREADABLE,
    ("150 + 75 um", None): "'150 + 75 um'" + _UNREADABLE,
    ("", "ASTM E11"): "''" + _UNREADABLE,
}  # fmt: skip


@pytest.mark.parametrize(("text", "series"), MESSAGES)
def test_refusals(text: str, series: str | None) -> None:
    with pytest.raises(UnitError) as caught:
        opening_um(text, series)
    assert str(caught.value) == MESSAGES[text, series]


def test_openings_of_older_charts_are_outside() -> None:
    """Older charts print 74, 44 and 37 um for No. 200, 325 and 400."""
    assert outside([150.0, 74.0, 44.0, 37.0], "ASTM E11") == (74.0, 44.0, 37.0)
    assert [opening_um(n, "ASTM E11") for n in ("200", "325", "400")] == [75.0, 45.0, 38.0]
    assert not belongs([150.0, 74.0], "ASTM E11")


def test_sets_of_openings() -> None:
    assert belongs([180.0, 125.0, 90.0, 63.0], "ISO 565 R20/3")
    assert outside([180.0, 150.0, 125.0], "ISO 565 R20/3") == (150.0,)
    assert belongs([180.0, 150.0, 125.0], "ISO 565 R40/3")
    assert outside([100_000.0, float("nan")], "ISO 565 R40/3")[0] == 100_000.0
    assert not belongs([float("nan")], "ASTM E11")
    assert belongs([], "ASTM E11")


@given(st.text(max_size=12), st.sampled_from([None, *Series]))
def test_any_text_is_read_or_refused(text: str, series: Series | None) -> None:
    try:
        assert opening_um(text, series) > 0.0
    except UnitError as error:
        assert error.mend


@given(st.fractions(Fraction(1, 1000), 200_000, max_denominator=1000))
def test_a_unit_decides(number: Fraction) -> None:
    """The same opening in three units."""
    mm = f"{float(number):.9f}"
    um = opening_um(f"{mm} mm")
    assert um == pytest.approx(1000.0 * float(mm), rel=1e-12)
    assert opening_um(f"{mm} cm") == pytest.approx(10.0 * um, rel=1e-12)
    assert opening_um(f"{mm} um") == pytest.approx(um / 1000.0, rel=1e-12)
