"""Headers and numbers of workbooks as people spell them."""

from __future__ import annotations

import datetime
import io
import random
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import python_calamine
from hypothesis import example, given, settings
from hypothesis import strategies as st
from often import often
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH
from workbook_files import (
    BOOK,
    Rows,
    assert_refused,
    saved,
)

from oretally.flowsheet import Fault, Place
from oretally.io import read_case
from oretally.io.cells import Spellings, read_heading, read_number
from oretally.io.files import Cell, Table, put, read_csv_table, read_workbook
from oretally.io.forms.case_workbook import case_workbook


def _random_value(rng: random.Random) -> Any:
    kind = rng.randrange(7)
    if kind == 0:
        return rng.choice(["feed", "a\nb", "<0.01", "1.5 %", "é ± µ", "&amp; <b>", "x" * 300])
    if kind == 1:
        return rng.uniform(-1e9, 1e9) * 10.0 ** rng.randrange(-12, 12)
    if kind == 2:
        return rng.random() < 0.5
    if kind == 3:
        day = datetime.datetime(1905, 1, 1) + datetime.timedelta(days=rng.randrange(50_000))
        return day + datetime.timedelta(seconds=rng.choice([0, rng.randrange(86_400)]))
    return rng.randrange(1000) if kind == 4 else None


@pytest.mark.parametrize("seed", range(12))
def test_values_as_two_other_readers_have_them(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    book = openpyxl.Workbook()
    book.epoch = rng.choice([WINDOWS_EPOCH,
                             MAC_EPOCH])  # fmt: skip
    sheet = book.worksheets[0]
    sheet.title = "lab"
    sheet.append([f"h{j}" for j in range(6)])
    for _ in range(30):
        sheet.append(["row", *(_random_value(rng) for _ in range(5))])
    path = tmp_path / "lab.xlsx"
    book.save(path)
    sheets, faults = read_workbook(path, "lab.xlsx", ("lab",))
    assert not faults
    found = {(c.row, c.column): c.value for row in sheets["lab"].rows for c in row}
    again = openpyxl.load_workbook(path, data_only=True).worksheets[0]
    third = python_calamine.CalamineWorkbook.from_path(path).get_sheet_by_index(0).to_python()
    for (i, j), value in found.items():
        other = again.cell(i + 1, j + 1).value
        if isinstance(other, datetime.datetime):
            value = datetime.datetime.fromisoformat(str(value))
        assert value == (float(other) if type(other) is int else other)
        if not isinstance(other, datetime.datetime):
            assert third[i][j] in (value, "" if value is None else value)


_KNOWN = Spellings(["dry mass", "dry rate", "wet mass", "moisture", "% solids", "Sn", "Fe(II)"])


@pytest.mark.parametrize(
    "text", ["dry mass [kg]", "Dry Mass (kg)", "dry_mass [kg]", "DRY MASS, kg", "drymass [kg]",
             "mass dry [kg]", "Mass (dry) [kg]", "dry mass kg", "dry-mass(kg)", "dry_mass_kg",
             " dry  weight [kg]", "dry mass\n[kg]"],
)  # fmt: skip
def test_spellings_of_the_dry_mass(text: str) -> None:
    found = read_heading(text, _KNOWN)
    assert found is not None
    assert (found.name, found.unit, found.is_error) == ("dry mass", "kg", False)
    for sign in ("±", "± ", "+/- ", "+/-", "sd ", "SD of ", "error ", "st. dev. "):
        error = read_heading(sign + text.strip(), _KNOWN)
        assert error is not None
        assert (error.name, error.unit, error.is_error) == ("dry mass", "kg", True), sign


@pytest.mark.parametrize(
    ("text", "name", "unit", "is_error"),
    [("% Sn", "Sn", "%", False), ("Sn %", "Sn", "%", False), ("sn(pct)", "Sn", "pct", False),
     ("Au g/t", "Au", "g/t", False), ("Sn sd (rel %)", "Sn", "rel %", True),
     ("Sn ± [%]", "Sn", "%", True), ("Au (oz/ton)", "Au", "oz/ton", False),
     ("% solids", "% solids", "%", False), ("Solids [%]", "% solids", "%", False),
     ("Fe(II) [%]", "Fe(II)", "%", False), ("Sn (XRF) [%]", "Sn (XRF)", "%", False),
     ("uncertainty of Sn [%]", "uncertainty of Sn", "%", False), ("mass", "mass", None, False),
     ("error", "", None, True), ("Sn", "Sn", None, False)],
)  # fmt: skip
def test_other_spellings(text: str, name: str, unit: str | None, is_error: bool) -> None:
    found = read_heading(text, _KNOWN)
    assert found is not None
    assert (found.name, found.unit, found.is_error) == (name, unit, is_error)


def test_what_is_like_two_names_is_like_none() -> None:
    assert Spellings(["Au 1", "Au-1", "Cu"]).find("au1") is None
    assert Spellings(["Au 1", "Au-1", "Cu"]).find("au 1") == "Au 1"


def test_an_uncertainty_is_no_standard_deviation(tmp_path: Path) -> None:
    rows: Rows = [["stream", "dry mass [kg]", "uncertainty of Sn [%]"], ["feed", 25.4, 0.1]]
    assert assert_refused(saved(tmp_path / "plant.xlsx", rows=rows)) == (
        "plant.xlsx, sheet 'measurements', cell C1, uncertainty of Sn: 'uncertainty of Sn' is no "
        "quantity of this case.\nQuantities: dry mass, Sn. List a new one under [analytes]."
    )


@pytest.mark.parametrize(
    ("text", "value"),
    [("1\N{NO-BREAK SPACE}234.5", 1234.5), ("25\N{THIN SPACE}400", 25400.0),
     ("1 234 567", 1234567.0), ("\N{MINUS SIGN}0.5", -0.5), ("\N{NARROW NO-BREAK SPACE}7 ", 7.0)],
)  # fmt: skip
def test_numbers_as_text(text: str, value: float) -> None:
    table = Table(Place(), (), ())
    reading = read_number(Cell(text, Place()), table, Place(), "value")
    assert not isinstance(reading, Fault)
    assert reading.value == value


@pytest.mark.parametrize("text", ["1 23", "12 34.5", "1'234", "1.5.26", "1-May", "May-26", "0x10",
                                  "1_000", "2026-05-01", "12:30"])  # fmt: skip
def test_what_is_no_number(text: str) -> None:
    table = Table(Place(), (), ())
    refused = read_number(Cell(text, Place()), table, Place(), "value")
    assert isinstance(refused, Fault)
    assert text in refused.problem
    is_date = text in ("1.5.26", "1-May", "May-26", "2026-05-01")
    assert ("date" in refused.problem) == is_date


def test_an_error_shown_as_a_percentage(tmp_path: Path) -> None:
    """In a column of percent it is what is seen; in another it could be of the value, or not."""
    rows: Rows = [["stream", "dry mass [kg]", "sd dry mass [rel %]", "Sn [%]", "sd Sn [%]"],
                  ["feed", 25.4, 0.005, 0.82, 0.0003]]  # fmt: skip

    def show(book: openpyxl.Workbook) -> None:
        for cell in ("C2", "E2"):
            book["measurements"][cell].number_format = "0.0%"

    case = read_case(saved(tmp_path / "plant.xlsx", show, rows))
    sds = {m.quantity: m.sd for m in case.survey.measurements}
    assert sds == pytest.approx({"dry mass": 0.127, "Sn": 0.03})
    rows[0][2] = "sd dry mass [kg]"
    assert assert_refused(saved(tmp_path / "plant.xlsx", show, rows)) == (
        "plant.xlsx, sheet 'measurements', cell C2, stream 'feed', dry mass: The stated error "
        "'0.5 %' can be read as 0.5 percent of the value or as 0.005 kg, shown as a percentage.\n"
        "Write 0.5 rel %\nor 0.005 kg."
    )


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_titles_above_the_header_of_a_csv_file(delimiter: str, tmp_path: Path) -> None:
    path = tmp_path / "measurements.csv"
    lines = [["Test 4, wet season"], ["sampled", "12 May 2026"], [], *BOOK["measurements"]]
    path.write_text(
        f"sep={delimiter}\n"
        + "\n".join(delimiter.join(str(v) if delimiter not in str(v) else f'"{v}"' for v in line)
                    for line in lines)
    )  # fmt: skip
    table, faults = read_csv_table(path, "measurements.csv")
    assert table is not None
    assert not faults
    assert [cell.text for cell in table.header] == ["stream", "dry mass [kg]", "Sn [%]"]
    assert [cell.text for cell in table.rows[0]] == ["feed", "25.4", "0.82"]
    assert table.rows[0][1].place.cell == "B6"


_TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


def _legal(text: str) -> str:
    return "".join(c for c in text if c in "\t\n" or (c >= " " and c not in "\ufffe\uffff"))


@settings(max_examples=often(150), derandomize=True, deadline=None)
@given(texts=st.lists(st.one_of(_TEXTS, st.sampled_from("=+-@\t\r").flatmap(
    lambda c: _TEXTS.map(lambda t: c + t))), min_size=1, max_size=20))  # fmt: skip
@example(texts=["=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", "\t=1", "#REF!", "_x0041_"])
def test_text_in_a_workbook_is_that_text(texts: Sequence[str]) -> None:
    book = openpyxl.Workbook()
    for i, text in enumerate(texts, start=1):
        put(book.worksheets[0], i, 1, text)
    buffer = io.BytesIO()
    book.save(buffer)
    with zipfile.ZipFile(buffer) as archive:
        assert b"<f" not in archive.read("xl/worksheets/sheet1.xml").replace(b"<family", b"")
    again = openpyxl.load_workbook(buffer).worksheets[0]
    for i, text in enumerate(texts, start=1):
        cell = again.cell(i, 1)
        assert cell.data_type != "f"
        got = "" if cell.value is None else str(cell.value)
        assert got.replace("\r\n", "\n").replace("\r", "\n") == (
            _legal(text.replace("\r\n", "\n").replace("\r", "\n"))
        )


@settings(max_examples=often(50), derandomize=True, deadline=None)  # fmt: skip
@given(name=st.sampled_from("=+-@").flatmap(lambda c: st.text("abc123()!|'", max_size=12).map(
    lambda t: c + t)))  # fmt: skip
def test_a_stream_called_like_a_formula_stays_a_stream(name: str, tmp_path: Path) -> None:
    circuit = f"""basis = "batch"
    [streams]
    feed = {{ to = "table" }}
    "{name}" = {{ from = "table" }}
    tails = {{ from = "table" }}
    [errors]
    "dry mass" = {{ relative = 1 }}
    """
    data = case_workbook(circuit, f'stream,dry mass [kg]\nfeed,3\n"{name}",1\ntails,2\n')
    path = tmp_path / "plant.xlsx"
    path.write_bytes(data)
    case = read_case(path)
    assert name in case.circuit.stream_names
    assert ("1" if name in "+1-1" else name) and len(case.survey.measurements) == 3
