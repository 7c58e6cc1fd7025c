"""Workbooks as people make them: laid out differently, and read as the same case."""

from __future__ import annotations

import datetime
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.styles import PatternFill
from workbook_files import (
    BOOK,
    PLAIN,
    SHEET,
    Change,
    Rows,
    archive_parts,
    assert_refused,
    cell_values,
    ods,
    ods_cell,
    packed,
    saved,
    shared,
    with_part,
)

from oretally.io import read_case


def _titled(book: openpyxl.Workbook) -> None:
    sheet = book["measurements"]
    sheet.insert_rows(1, 4)
    sheet["A1"], sheet["A2"] = "Shaking table, test 4 of 7", "weighed by the night shift"
    sheet["C3"], sheet["D3"] = datetime.date(2026, 5, 12), "sampled"
    sheet.merge_cells("A1:C1")
    book["circuit"].insert_rows(1)
    book["circuit"]["A1"] = "Circuit"


def _spaced_out(book: openpyxl.Workbook) -> None:
    sheet = book["measurements"]
    sheet.insert_cols(1, 2)
    sheet.insert_cols(4)
    sheet.insert_rows(3, 2)
    for row in range(1, 30):
        sheet.cell(row, 9).fill = PatternFill("solid", fgColor="FFFF00")


def _stray(book: openpyxl.Workbook) -> None:
    book["measurements"]["XFD1048576"] = " \N{NO-BREAK SPACE}\N{ZERO WIDTH SPACE}"


def _hidden_others(book: openpyxl.Workbook) -> None:
    book.create_sheet("my notes").sheet_state = "veryHidden"


def _trailing(book: openpyxl.Workbook) -> None:
    sheet = book["measurements"]
    sheet["A1"], sheet["B1"] = " Stream ", "dry mass [kg]\N{NO-BREAK SPACE}"
    sheet["A2"], sheet["A3"] = "feed  ", "\N{ZERO WIDTH NO-BREAK SPACE}conc\N{THIN SPACE}"
    book["measurements"].title = "Measurements "


def _as_text(book: openpyxl.Workbook) -> None:
    sheet = book["measurements"]
    sheet["B2"], sheet["B4"] = "25.4\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}24.7"
    sheet["C3"] = "3e1"


def _percentages(book: openpyxl.Workbook) -> None:
    sheet = book["measurements"]
    for row, value in ((2, 0.0082), (3, 0.3), (4, 0.003)):
        sheet.cell(row, 3).value = value
        sheet.cell(row, 3).number_format = "0.00%;[Red]-0.00%"


def _literal_percentages(book: openpyxl.Workbook) -> None:
    for row in (2, 3, 4):
        book["measurements"].cell(row, 3).number_format = '0.00"%"'


LAYOUTS: dict[str, Change] = {
    "titles above the header, some merged": _titled, "blank rows and columns": _spaced_out,
    "a stray blank in the last cell": _stray, "hidden sheets of another name": _hidden_others,
    "trailing and invisible spaces": _trailing, "numbers as text": _as_text,
    "cells shown as percentages": _percentages,
    "a per cent sign that is only text": _literal_percentages,
}  # fmt: skip


@pytest.mark.parametrize("name", list(LAYOUTS))
def test_laid_out_differently_and_the_same_case(name: str, tmp_path: Path) -> None:
    case = read_case(saved(tmp_path / "plant.xlsx", LAYOUTS[name]))
    assert cell_values(case) == pytest.approx(PLAIN, rel=1e-12)


@pytest.mark.parametrize("suffix", ["xlsx", "xlsm", "XLSX", "ods", "ODS"])
def test_every_suffix(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"plant.{suffix}"
    ods(path) if suffix.lower() == "ods" else saved(path)
    if suffix == "xlsm":  # what makes it one: a part with the macros, which nobody opens
        with zipfile.ZipFile(path, "a") as archive:
            archive.writestr("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0 macros")
    assert cell_values(read_case(path)) == PLAIN


def test_ods_laid_out_differently(tmp_path: Path) -> None:
    """Title, repeated blank rows and columns, a comment, a percentage, text in two spans."""
    from odf.office import Annotation
    from odf.table import CoveredTableCell, TableCell, TableRow
    from odf.text import P, S, Span

    def change(_: Any, tables: dict[str, Any]) -> None:
        table = tables["measurements"]
        title = TableRow()
        title.addElement(ods_cell("Test 4", valuetype="string", numbercolumnsspanned="3"))
        title.addElement(CoveredTableCell(numbercolumnsrepeated="2"))
        gap = TableRow(numberrowsrepeated="4")
        gap.addElement(TableCell(numbercolumnsrepeated="16384"))
        table.insertBefore(title, table.childNodes[0])
        table.insertBefore(gap, table.childNodes[1])
        feed = table.childNodes[3]
        while feed.childNodes:
            feed.removeChild(feed.childNodes[0])
        name = TableCell(valuetype="string")
        note = Annotation()
        note.addElement(P(text="a comment"))
        name.addElement(note)
        words = P()
        words.addElement(Span(text="fe"))
        words.addElement(Span(text="ed"))
        words.addElement(S(c="2"))
        name.addElement(words)
        for cell in (name, ods_cell("25.4", valuetype="string"),
                     ods_cell("0.82 %", valuetype="percentage", value="0.0082")):  # fmt: skip
            feed.addElement(cell)
        end = TableRow(numberrowsrepeated="1048000")
        end.addElement(TableCell(numbercolumnsrepeated="16384"))
        table.addElement(end)

    assert cell_values(read_case(ods(tmp_path / "plant.ods", change))) == pytest.approx(PLAIN)


def test_a_formula_that_came_to_nothing_is_blank(tmp_path: Path) -> None:
    """It was computed, as its type says; a formula without any saved value was not."""
    rows: Rows = [*BOOK["measurements"], ["tails", '=IF(1,"","")', 0.3]]
    path = saved(tmp_path / "plant.xlsx", rows=rows)
    assert assert_refused(path) == (
        "plant.xlsx, sheet 'measurements', cell B5, stream 'tails', dry mass: The cell holds a "
        'formula (=IF(1,"","")) without a saved value; open the workbook in a spreadsheet program '
        "and save it, so that the value is stored.\n"
        "Write the number itself, or leave the cell blank if it was not measured."
    )
    with_part(path, SHEET, lambda d: d.replace(b'<c r="B5">', b'<c r="B5" t="str">'))
    assert cell_values(read_case(path)) == pytest.approx(PLAIN)


@pytest.mark.parametrize(("sheet", "cell"), [("circuit", "B3"), ("measurements", "A2")])
def test_a_formula_in_place_of_a_name(sheet: str, cell: str, tmp_path: Path) -> None:
    """Not taken for a blank, which would be the outside of the circuit."""

    def compute(book: openpyxl.Workbook) -> None:
        book[sheet][cell] = "=Z1"

    assert assert_refused(saved(tmp_path / "plant.xlsx", compute)).startswith(
        f"plant.xlsx, sheet '{sheet}', cell {cell}: The cell holds a formula (=Z1) without a saved "
        "value; open the workbook in a spreadsheet program and save it, so that the value is "
        "stored.\nWrite "
    )


def test_shared_and_rich_texts(tmp_path: Path) -> None:
    path = shared(saved(tmp_path / "plant.xlsx"))
    assert cell_values(read_case(path)) == PLAIN


def test_links_to_other_workbooks_are_not_followed(tmp_path: Path) -> None:
    """What was saved of a cell of another workbook is taken; the other one is never opened."""
    path = saved(tmp_path / "plant.xlsx")
    parts = archive_parts(path)
    sheet = SHEET
    parts[sheet] = parts[sheet].replace(b"<v>25.4</v>", b"<f>[1]Sheet1!$B$7</f><v>25.4</v>")
    assert b"[1]Sheet1" in parts[sheet]
    links = "xl/_rels/workbook.xml.rels"
    parts[links] = parts[links].replace(
        b"</Relationships>",
        b'<Relationship Id="rId99" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        b'relationships/externalLink" Target="file:///no/such/place.xlsx" TargetMode="External"/>'
        b"</Relationships>",
    )
    packed(path, parts)
    assert cell_values(read_case(path)) == PLAIN
