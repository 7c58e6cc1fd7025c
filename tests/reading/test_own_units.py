"""Cells that name their own unit: measurements, sizes and stocks."""

from __future__ import annotations

from pathlib import Path

import pytest
from own_units_rows import CIRCUIT, HEADER, ROW, Read, row_with

from oretally.flowsheet import InputError, Survey
from oretally.io import read_case


@pytest.fixture
def survey(tmp_path: Path) -> Read:
    """Return a reader of the numbers of a case: one row, and other files."""

    def read(row: list[str], header: str = HEADER, **files: str) -> Survey:
        (tmp_path / "circuit.toml").write_text(CIRCUIT, "utf-8")
        text = f"{header}{','.join(row)}\nconc,1,,,,,,,,,\ntails,24,,,,,,,,,\n"
        (tmp_path / "measurements.csv").write_text(text, "utf-8")
        for name, content in files.items():
            (tmp_path / f"{name}.csv").write_text(content, "utf-8")
        return read_case(tmp_path).survey

    return read


def _refusals(read: Read, row: list[str], header: str = HEADER, **files: str) -> list[str]:
    with pytest.raises(InputError) as refused:
        read(row, header, **files)
    return [str(f) for f in refused.value.faults]


STATED = [
    ("C", "1 lb", "wet mass", 0.45359237),
    ("C", "1.5 rel %", "wet mass", 0.015 * 25.4),
    ("E", "0.5 %", "% solids", 0.005),
    ("E", "0.004 g/g", "% solids", 0.004),
    ("E", "5 rel. %", "% solids", 0.004),
    ("G", "3 %", "Au", 0.03 * 4.2e-6),
    ("G", "5 %rel", "Au", 0.05 * 4.2e-6),
    ("G", "0.3 g/t", "Au", 0.3e-6),
    ("G", "200 ppb", "Au", 0.2e-6),
    ("G", "0.01 ozt/st", "Au", 0.01 * 3 / 87500),
    ("I", "0.05 wt%", "Sn", 0.0005),
    ("I", "500 ppm", "Sn", 0.0005),
    ("I", "4 rel %", "Sn", 0.04 * 0.0082),
    ("K", "30 ug/L", "Au in solution", 30e-9),
    ("K", "5 rel %", "Au in solution", 0.05 * 0.5e-6),
]


@pytest.mark.parametrize(("column", "cell", "quantity", "sd"), STATED)
def test_a_stated_error_may_name_its_own_unit(
    column: str, cell: str, quantity: str, sd: float, survey: Read
) -> None:
    m = survey(row_with(**{column: cell})).measured("feed", quantity)
    assert m is not None
    assert m.sd_base == pytest.approx(sd, rel=1e-12)
    assert m.error_source == ("propagated" if quantity == "% solids" else "row")


def test_a_relative_error_is_of_the_value_in_its_own_unit(survey: Read) -> None:
    m = survey(row_with(F="0.1 ozt/st", G="3 %")).measured("feed", "Au")
    assert m is not None
    assert m.sd_base == pytest.approx(0.03 * 0.1 * 3 / 87500, rel=1e-12)


_AT = "measurements.csv, cell {}2, stream 'feed', {}: "


REFUSED = {
    ("I", "10 %"): ("Sn", "The stated error '10 %' can be read as 10 percent of the value or as an "
                    "error of 0.1 g/g.\nWrite 10 rel %\nor 0.1 g/g."),
    ("C", "0.5 %"): ("wet mass", "The stated error '0.5 %' can be read as 0.5 percent of the value "
                     "or as 0.005 kg, shown as a percentage.\nWrite 0.5 rel %\nor 0.005 kg."),
    ("K", "4 pct"): ("Au in solution", "The stated error '4 pct' can be read as 4 percent of the "
                     "value or as 0.04 mg/L, shown as a percentage.\nWrite 4 rel %\nor 0.04 mg/L."),
    ("C", "1 oz"): ("wet mass", "'oz' can be read in two ways: troy ounce 31.1035 g, avoirdupois "
                    "ounce 28.3495 g.\nWrite ozt for troy ounces, ozav for avoirdupois ounces."),
    ("G", "1 kg"): ("Au", "'kg' is the unit of a mass, but a grade is wanted.\nWrite one of: %, "
                    "g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, "
                    "ozt/lt."),
    ("G", "3 foo"): ("Au", "The stated error is '3 foo', not a number.\nWrite the number alone, "
                     "its unit goes into the header, or leave the cell blank if it was not "
                     "measured."),
    ("G", "0 ppm"): ("Au", "The stated error is 0 ppm; it must be above 0.\nEnter one standard "
                     "deviation, or leave the cell blank to use the rule stated for the "
                     "quantity."),
    ("G", "<3 %"): ("Au", "The stated error is <3 %; it must be above 0.\nEnter one standard "
                    "deviation, or leave the cell blank to use the rule stated for the quantity."),
}  # fmt: skip


@pytest.mark.parametrize(("column", "cell"), list(REFUSED))
def test_an_error_with_two_readings(column: str, cell: str, survey: Read) -> None:
    quantity, said = REFUSED[column, cell]
    assert _refusals(survey, row_with(**{column: cell})) == [_AT.format(column, quantity) + said]


def test_percent_in_a_column_of_another_grade(survey: Read) -> None:
    """Of gold in g/t an error of 10 % is absurd, but it is what stands there."""
    header = HEADER.replace("± Au [rel %]", "± Au [g/t]")
    assert _refusals(survey, row_with(G="10 %"), header) == [
        "measurements.csv, cell G2, stream 'feed', Au: The stated error '10 %' can be read as 10 "
        "percent of the value or as an error of 100000 g/t.\nWrite 10 rel %\nor 100000 g/t."
    ]
    m = survey(row_with(G="10 rel %"), header).measured("feed", "Au")
    assert m is not None and m.sd_base == pytest.approx(0.42e-6, rel=1e-12)


def test_what_others_state_is_told_with_its_unit(survey: Read, tmp_path: Path) -> None:
    """A proposal shows the errors of other rows as they stand there."""
    survey(ROW)
    text = CIRCUIT.replace("\nAu = { relative = 5 }", "")
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    rows = f"{HEADER}{','.join(row_with(G='200 ppb'))}\nconc,1,,,,4.1,,,,,\ntails,24,,,,4,,,,,\n"
    (tmp_path / "measurements.csv").write_text(rows, "utf-8")
    with pytest.raises(InputError) as refused:
        read_case(tmp_path)
    assert [str(f) for f in refused.value.faults] == [
        "measurements.csv, cell F3, stream 'conc', Au: No error is stated, nor for 'tails' (F4).\n"
        "Enter it beside the value; other rows of Au state 200 ppb."
    ]


_SIZES = "stream,passing [um],retained [um],mass [g],± mass [rel %],Sn [%],± Sn [rel %]\n"


_CLASSES = [["feed", "", "150", "20", "1", "0.5", "3"], ["feed", "150", "", "30", "1", "1.1", "3"]]


def _sizes(**cells: str) -> str:
    first = [cells.get(chr(ord("A") + j), cell) for j, cell in enumerate(_CLASSES[0])]
    return _SIZES + ",".join(first) + "\n" + ",".join(_CLASSES[1]) + "\n"


def test_sizes_may_mix_units(survey: Read) -> None:
    """Openings, masses, grades and their errors: the same numbers in other units."""
    plain = survey(ROW, sizes=_sizes())
    mixed = survey(ROW, sizes=_sizes(C="0.15 mm", D="0.02 kg", E="0.2 g", F="5000 ppm",
                                      G="150 g/t"))  # fmt: skip
    assert len(plain.measurements) == len(mixed.measurements)
    sized = [m for m in plain.measurements if "um" in m.quantity]
    assert len(sized) == 4
    for one in sized:
        two = mixed.measured(one.stream, one.quantity)
        assert two is not None
        assert two.value_base == pytest.approx(one.value_base, rel=1e-12)
        assert two.sd_base == pytest.approx(one.sd_base, rel=1e-12)


def test_sizes_refused(survey: Read) -> None:
    assert _refusals(survey, ROW, sizes=_sizes(D="1 oz", E="1 lb/t", G="4 %")) == [
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: 'oz' can be read in two ways: troy "
        "ounce 31.1035 g, avoirdupois ounce 28.3495 g.\nWrite ozt for troy ounces, ozav for "
        "avoirdupois ounces.",
        "sizes.csv, cell G2, stream 'feed', Sn in +150 um: The stated error '4 %' can be read as 4 "
        "percent of the value or as an error of 0.04 g/g.\nWrite 4 rel %\nor 0.04 g/g.",
    ]
    assert _refusals(survey, ROW, sizes=_sizes(E="1 lb/t")) == [
        "sizes.csv, cell E2, stream 'feed', mass in +150 um: 'lb/t' is the unit of a grade, but a "
        "mass is wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt."
    ]


def test_stocks_may_mix_units(tmp_path: Path) -> None:
    (tmp_path / "circuit.toml").write_text(
        'basis = "batch"\n[streams]\nore = { to = "pile" }\nfeed = { from = "pile" }\n[nodes]\n'
        'pile = { kind = "stockpile" }\n[errors]\n"dry mass" = { relative = 1 }\n'
        "Sn = { relative = 3 }\n", "utf-8",
    )  # fmt: skip
    (tmp_path / "measurements.csv").write_text(
        "stream,dry mass [t],Sn [%]\nore,500,0.8\nfeed,480,0.8\n", "utf-8"
    )
    rows = "node,when,dry mass [t],± dry mass [t],Sn [%],± Sn [rel %]\npile,opening,"
    for first in ("40,2,0.8,5\n", "40000 kg,5 rel %,8000 ppm,400 g/t\n"):
        (tmp_path / "stocks.csv").write_text(f"{rows}{first}pile,closing,60,2,0.8,5\n", "utf-8")
        found = read_case(tmp_path).survey
        mass = found.measured("opening stock of pile", "dry mass")
        grade = found.measured("opening stock of pile", "Sn")
        assert mass is not None and grade is not None
        assert (mass.value_base, mass.sd_base) == pytest.approx((40e3, 2e3), rel=1e-12)
        assert (grade.value_base, grade.sd_base) == pytest.approx((0.008, 0.0004), rel=1e-12)
    (tmp_path / "stocks.csv").write_text(
        f"{rows}40 ton,5 %,0.8,5\npile,closing,60,2,1,5\n", "utf-8"
    )
    with pytest.raises(InputError) as refused:
        read_case(tmp_path)
    assert [str(f) for f in refused.value.faults] == [
        "stocks.csv, cell C2, stream 'opening stock of pile', dry mass: 'ton' can be read in three "
        "ways: t = 1000 kg, st = 907.185 kg, lt = 1016.047 kg.\nWrite t (tonne), st (short ton) or "
        "lt (long ton)."
    ]
