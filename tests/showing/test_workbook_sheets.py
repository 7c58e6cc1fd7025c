"""The sheets of the result workbook: subjects, charts, formats, the same bytes every time."""

from __future__ import annotations

import io
import json
import zipfile
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from example_balances import example_balance
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils import range_boundaries
from sheet_tables import seen, sheet_text, tables_of

from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.io.case import read_case
from oretally.io.files import number_format
from oretally.io.first_page import product_rows, product_tables, verdict_sentences
from oretally.io.results import to_json, xlsx_bytes

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
NAMES = ("tin_table", "wrong_head", "leach_test", "month_with_stockpile", "tails_by_size",
         "grinding_by_size", "rougher_cleaner")  # fmt: skip
SUBJECTS = ["summary", "values", "recoveries", "leach and stocks", "worth", "suspects",
            "not kept", "by size", "closures", "notes"]  # fmt: skip


@cache
def _bytes(name: str) -> bytes:
    return xlsx_bytes(example_balance(name), read_case(EXAMPLES / name).prices)


def _book(name: str) -> Any:
    return openpyxl.load_workbook(io.BytesIO(_bytes(name)))


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_for_each_subject_then_the_case(name: str, tmp_path: Path) -> None:
    titles = _book(name).sheetnames
    subjects = titles[: titles.index("circuit")]
    assert subjects == [title for title in SUBJECTS if title in subjects]
    assert {"summary", "values", "recoveries", "suspects", "notes"} <= set(subjects)
    path = tmp_path / "result.xlsx"
    path.write_bytes(_bytes(name))
    again, case = read_case(path), read_case(EXAMPLES / name)
    assert set(again.circuit.stream_names) == set(case.circuit.stream_names)
    assert len(again.survey.measurements) == len(case.survey.measurements)
    assert (again.feed, again.products, again.prices) == (case.feed, case.products, case.prices)


@pytest.mark.parametrize("name", NAMES)
def test_first_sheet_shows_what_the_page_shows(name: str) -> None:
    """Verdict and table; each number is a number, seen with the digits that the text has."""
    balance, sheet = example_balance(name), _book(name)["summary"]
    cells = [[seen(cell) for cell in row] for row in sheet.iter_rows()]
    lines = [row[0] for row in cells]
    for sentence in verdict_sentences(balance):
        assert sentence in lines
    (told,) = product_tables(balance, 10_000)
    at = lines.index("product") + 1
    for i, row in enumerate(told.rows):
        assert [
            _rounded(text or DASH, as_in) for text, as_in in zip(cells[at + i], row, strict=False)
        ] == [*row]
        for cell in sheet[at + i + 1][1 : len(row)]:
            assert cell.value is None or cell.data_type == "n" or cell.value.startswith("<")
    found = product_rows(balance)
    assert found is not None
    assert cells[at - 1][: len(found.header)] == list(found.header)
    assert [name for name, _ in found.products] == list(balance.products)


def _rounded(text: str, as_in: str) -> str:
    """Return a whole number rounded to tens as the text has it: no format can."""
    zeros = len(as_in) - len(as_in.rstrip("0"))
    if text.isdigit() and as_in.isdigit() and zeros:
        return f"{round(int(text), -zeros):d}"
    return text


@pytest.mark.parametrize("name", NAMES)
def test_charts_show_cells_of_the_workbook(name: str) -> None:
    balance, book = example_balance(name), _book(name)
    bars, *curves = book["summary"]._charts
    products = list(balance.products)
    assert _values(book, bars.series[0].cat.strRef.f) == products
    shares = {r.stream: r.recovery for r in balance.recoveries
              if r.analyte == balance.survey.analytes[0].name}  # fmt: skip
    assert len(bars.series) == 1 + len(balance.survey.analytes)
    assert _values(book, bars.series[1].tx.strRef.f) == [
        f"{balance.survey.analytes[0].name} dist. [%]"
    ]
    held = _values(book, bars.series[1].val.numRef.f)
    assert held == pytest.approx([shares.get(s) for s in products])
    assert len(curves) == len(balance.losses.curves)
    for chart, curve in zip(curves, balance.losses.curves, strict=True):
        line, *points = chart.series
        grades = [p.grade[0] for p in curve.points]
        recoveries = [p.recovery[0] for p in curve.points]
        assert _values(book, line.xVal.numRef.f) == pytest.approx(recoveries)
        assert _values(book, line.yVal.numRef.f) == pytest.approx(grades)
        steps = [cell for s in points for cell in _values(book, s.yVal.numRef.f)]
        assert steps == pytest.approx(grades)
        assert [_values(book, s.tx.strRef.f)[0].removeprefix("+ ") for s in points] == [
            p.stream for p in curve.points
        ]
        assert len({s.marker.symbol for s in points}) == len(points)
    assert "recovery of" not in sheet_text(book["values"])  # no chart elsewhere


def _values(book: Any, reference: str) -> list[Any]:
    title, _, span = reference.rpartition("!")
    left, top, right, bottom = (int(end or 0) for end in range_boundaries(span))
    sheet = book[title.strip("'")]
    return [sheet.cell(i, j).value for i in range(top, bottom + 1) for j in range(left, right + 1)]


def test_no_curve_where_two_products_make_none() -> None:
    assert not example_balance("rougher_cleaner").losses.curves
    assert len(_book("rougher_cleaner")["summary"]._charts) == 1


def test_the_same_bytes_whatever_the_date(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the archive nor the properties of the document have a date."""
    once = _bytes("tin_table")
    monkeypatch.setattr("time.localtime", lambda *_: (2031, 5, 6, 7, 8, 9, 1, 126, 0))
    monkeypatch.setattr("time.time", lambda: 1.9e9)
    assert xlsx_bytes(example_balance("tin_table")) == once
    with zipfile.ZipFile(io.BytesIO(once)) as archive:
        assert {member.date_time[0] for member in archive.infolist()} == {1980}
        assert archive.read("docProps/core.xml").count(b"1980-01-01T00:00:00Z") == 2
        assert not [n for n in archive.namelist() if "externalLink" in n]
        links = b"".join(archive.read(n) for n in archive.namelist() if n.endswith(".rels"))
        assert b"TargetMode" not in links


@pytest.mark.parametrize(("name", "unit"), [("tin_table", "g"), ("leach_test", "mg")])
def test_amounts_have_their_unit_beside_them(name: str, unit: str) -> None:
    """In the unit of a person in the workbook; in kg as ever in the JSON, which says so."""
    balance = example_balance(name)
    header, *rows = tables_of(_book(name)["recoveries"])["What feed and products hold"]
    assert header[2:5] == ("amount", "sd", "unit")
    document = json.loads(to_json(balance))["amounts"]
    assert len(rows) == len(document) == len(balance.amounts) > 0
    for row, said in zip(rows, document, strict=True):
        assert row[:2] == (said["stream"], said["analyte"])
        assert (row[4], said["unit"], said["per_feed_unit"]) == (unit, "kg", "kg/kg")
        assert row[2] == pytest.approx(said["amount"] * {"g": 1e3, "mg": 1e6}[unit])


@given(
    value=st.floats(-1e8, 1e8, allow_nan=False).filter(lambda x: x == 0.0 or abs(x) > 1e-5),
    share=st.floats(1e-7, 10.0),
)
def test_a_number_is_seen_as_it_is_told(value: float, share: float) -> None:
    """Sd of 1 % or 3 units alike; where the text rounds tens, a format cannot."""
    sd = share * max(abs(value), 1e-3)
    told, by = format_with_sd(value, sd)
    cell = openpyxl.Workbook().create_sheet().cell(1, 1, value)
    cell.number_format = number_format(value, sd)
    if by != DASH and "e" not in told and "." in told:
        assert seen(cell).replace("-0.0", "0.0") == told.replace("-0.0", "0.0")
