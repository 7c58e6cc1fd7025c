"""A workbook as grids: cells changed in place, everything else as it was, refused what is lost."""

from __future__ import annotations

import io
import math
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.chart import BarChart, Reference
from openpyxl.comments import Comment
from openpyxl.styles import Font
from openpyxl.worksheet.table import Table

from oretally.flowsheet import InputError
from oretally.io.files.table import cleaned
from oretally.io.grids import fresh_workbook, trimmed, workbook_bytes, workbook_grids

NAME, WANTED = "case.xlsx", {"circuit", "measurements", "sizes"}
CELLS = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=5)


def book(*, formula: bool = False) -> bytes:
    made = openpyxl.Workbook()
    sheet = made.worksheets[0]
    sheet.title = "Measurements"
    for row in (["stream", "dry mass [kg]", "Sn [%]"], ["feed", 25, 1.01], ["tails", 24.5, 0.0082]):
        sheet.append(row)
    sheet["C3"].number_format = "0.00%"
    sheet["B2"].font = Font(bold=True)
    sheet["A2"].comment = Comment("weighed twice", "bench")
    made.create_sheet("circuit").append(["stream", "from", "to"])
    own = made.create_sheet("my own")
    own["A1"] = "=measurements!B2*2"
    own.add_chart(BarChart(), "E5")
    chart = BarChart()
    chart.add_data(Reference(sheet, min_col=2, min_row=1, max_row=3), titles_from_data=True)
    own.add_chart(chart, "E20")
    if formula:
        sheet["D1"] = "x"
        sheet["D2"] = "=B2*2"
    made.calculation.fullCalcOnLoad = False
    packed = io.BytesIO()
    made.save(packed)
    return packed.getvalue()


BOOK = book()


def members(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_cells_are_seen_as_a_person_sees_them() -> None:
    found = workbook_grids(book(), NAME, WANTED)
    assert found.readonly is None
    assert found.grids == {
        "Measurements": [["stream", "dry mass [kg]", "Sn [%]"], ["feed", "25", "1.01"],
                         ["tails", "24.5", "0.82 %"]],
        "circuit": [["stream", "from", "to"]],
    }  # fmt: skip


def test_what_did_not_change_is_the_same_file() -> None:
    data = book()
    grids = workbook_grids(data, NAME, WANTED).grids
    assert workbook_bytes(data, NAME, grids, grids) == data


def test_a_changed_cell_leaves_formats_charts_comments_and_formulas() -> None:
    data = book()
    before = workbook_grids(data, NAME, WANTED).grids
    after = {title: [list(row) for row in rows] for title, rows in before.items()}
    after["Measurements"][1][1] = "25.5"
    after["Measurements"].append([])
    after["Measurements"].append(["<conc & co>", "", "31.2", "=1+1"])
    after["circuit"].append(["feed", "", "table"])
    written = workbook_bytes(data, NAME, before, after)
    old, new = members(data), members(written)
    changed = {name for name in old if old[name] != new[name]}
    assert not changed ^ {"xl/worksheets/sheet1.xml", "xl/worksheets/sheet2.xml", "xl/workbook.xml"}
    assert old.keys() == new.keys()
    seen = openpyxl.load_workbook(io.BytesIO(written))
    sheet = seen["Measurements"]
    assert (sheet["B2"].value, sheet["B2"].font.b, sheet["C3"].number_format) == (
        25.5,
        True,
        "0.00%",
    )
    assert (sheet["A5"].value, sheet["D5"].value, sheet["D5"].data_type) == (
        "<conc & co>", "=1+1", "s")  # fmt: skip
    assert sheet["A2"].comment is not None
    assert seen["my own"]["A1"].value == "=measurements!B2*2"
    assert seen.calculation.fullCalcOnLoad


def test_a_number_in_a_cell_of_percent_is_what_is_shown() -> None:
    data = book()
    before = workbook_grids(data, NAME, WANTED).grids
    after = {title: [list(row) for row in rows] for title, rows in before.items()}
    after["Measurements"][2][2] = "0.9"
    written = workbook_bytes(data, NAME, before, after)
    assert workbook_grids(written, NAME, WANTED).grids["Measurements"][2][2] == "0.9"


def test_a_new_sheet_is_added_at_the_end() -> None:
    data = book()
    before = workbook_grids(data, NAME, WANTED).grids
    written = workbook_bytes(data, NAME, before, {**before, "sizes": [["stream"], ["feed"]]})
    assert openpyxl.load_workbook(io.BytesIO(written)).sheetnames[-1] == "sizes"
    assert workbook_grids(written, NAME, WANTED).grids["sizes"] == [["stream"], ["feed"]]


def test_formulas_among_the_numbers_are_not_saved_over() -> None:
    reason = workbook_grids(book(formula=True), NAME, WANTED).readonly
    assert reason is not None
    assert "Read only: the sheet 'Measurements' has formulas." in reason


def test_the_header_of_a_spreadsheet_table_is_not_renamed_its_numbers_are_changed() -> None:
    made = openpyxl.load_workbook(io.BytesIO(BOOK))
    made["Measurements"].add_table(Table(displayName="T", ref="A1:C3"))
    packed = io.BytesIO()
    made.save(packed)
    data = packed.getvalue()
    before = workbook_grids(data, NAME, WANTED).grids
    after = {title: [list(row) for row in rows] for title, rows in before.items()}
    after["Measurements"][1][1] = "26"
    assert workbook_bytes(data, NAME, before, after) != data
    after["Measurements"][0][1] = "dry mass [g]"
    with pytest.raises(InputError, match="heads a table"):
        workbook_bytes(data, NAME, before, after)


def test_a_sheet_is_not_taken_out() -> None:
    data = book()
    before = workbook_grids(data, NAME, WANTED).grids
    with pytest.raises(InputError, match="would be taken out"):
        workbook_bytes(data, NAME, before, {"circuit": before["circuit"]})


@given(rows=st.lists(st.lists(CELLS, max_size=4), max_size=5))
@settings(max_examples=25, deadline=None)
def test_any_grid_saved_and_opened_again_is_the_same(rows: list[list[str]]) -> None:
    data = BOOK
    before = workbook_grids(data, NAME, WANTED).grids
    after = {**before, "circuit": rows}
    for written in (workbook_bytes(data, NAME, before, after), fresh_workbook(after)):
        found = workbook_grids(written, NAME, WANTED).grids["circuit"]
        assert [_read(row) for row in trimmed(found)] == [_read(row) for row in trimmed(
            [[cleaned(text) or "" for text in row] for row in rows])]  # fmt: skip


def _read(row: tuple[str, ...]) -> list[object]:
    """Return cells as they read: a number is a number however it is written."""
    found: list[object] = []
    for text in row:
        try:
            number = float(text) if text.isascii() and "_" not in text else math.nan
        except ValueError:
            number = math.nan
        found.append(number if math.isfinite(number) else text)
    return found


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04broken", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"])
def test_no_workbook_is_refused(data: bytes) -> None:
    with pytest.raises(InputError):
        workbook_grids(data, NAME, WANTED)


def test_a_book_that_no_sheet_can_be_added_to_says_so() -> None:
    """It is read, as its list of types is not needed for that."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in members(BOOK).items():
            if name != "[Content_Types].xml":
                archive.writestr(name, content)
    data = packed.getvalue()
    before = workbook_grids(data, NAME, WANTED).grids
    with pytest.raises(InputError, match="laid out so that no sheet can be added"):
        workbook_bytes(data, NAME, before, {**before, "sizes": [["stream"]]})
