"""Workbooks with something wrong in a cell or a sheet: each message by its whole text."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from workbook_files import (
    PLAIN,
    Change,
    assert_refused,
    cell_values,
    ods,
    ods_cell,
    saved,
    with_part,
)

from oretally.io import read_case


def _number_above(book: openpyxl.Workbook) -> None:
    book["measurements"].insert_rows(1)
    book["measurements"]["A1"], book["measurements"]["B1"] = "middlings", 3.2


def _hidden(book: openpyxl.Workbook) -> None:
    book["errors"].sheet_state = "hidden"


def _hidden_row(book: openpyxl.Workbook) -> None:
    book["measurements"].row_dimensions[3].hidden = True
    book["measurements"].row_dimensions[40].hidden = True  # nothing stands there


def _hidden_column(book: openpyxl.Workbook) -> None:
    for name in ("B", "X"):
        book["measurements"].column_dimensions[name].hidden = True


def _twice(book: openpyxl.Workbook) -> None:
    book.create_sheet("Circuit ").append(["stream"])


def _misspelt(book: openpyxl.Workbook) -> None:
    book.create_sheet("node").append(["node", "kind"])


def _a_date(book: openpyxl.Workbook) -> None:
    book["measurements"]["B3"] = datetime.datetime(2026, 5, 1)


def _a_time(book: openpyxl.Workbook) -> None:
    book["measurements"]["B3"] = datetime.time(1, 30)


def _percent_of_a_mass(book: openpyxl.Workbook) -> None:
    book["measurements"]["B3"], book["measurements"]["B3"].number_format = 0.6, "0%"


def _in_thousands(book: openpyxl.Workbook) -> None:
    book["measurements"]["B3"], book["measurements"]["B3"].number_format = 600.0, "#,##0.0,"


def _unseen(book: openpyxl.Workbook) -> None:
    book["measurements"]["B3"], book["measurements"]["B3"].number_format = 600.0, ";;;"


def _no_header(book: openpyxl.Workbook) -> None:
    book["measurements"]["E2"], book["measurements"]["E4"] = "wet", "dry"


def _no_header_in_the_circuit(book: openpyxl.Workbook) -> None:
    book["circuit"]["B1"] = None


_UNSEEN = (
    ": The row or column is hidden: nobody sees what would be read from it.\n"
    "Show it (clear the filter, if there is one), or delete it."
)
_WHERE = "plant.xlsx, sheet 'measurements', cell"


MESSAGES: dict[str, tuple[Change, str]] = {
    "a number above the header": (_number_above,
        f"{_WHERE} B1: '3.2' stands above the header (A2); titles there are skipped, but a number "
        "may be data.\nMove the row below the header, or clear the cell."),
    "a hidden sheet": (_hidden,
        "plant.xlsx, sheet 'errors': The sheet is hidden: nobody sees what would be read from it."
        "\nShow it (right click on the tabs of the sheets), or rename or delete it."),
    "a hidden row": (_hidden_row, f"plant.xlsx, sheet 'measurements', cell A3{_UNSEEN}"),
    "a hidden column": (_hidden_column, f"plant.xlsx, sheet 'measurements', cell B1{_UNSEEN}"),
    "two sheets of one name": (_twice,
        "plant.xlsx, sheet 'Circuit ': The sheets 'circuit' and 'Circuit ' have one name but for "
        "spaces and capitals.\nKeep one of them; rename or delete the other."),
    "a misspelt sheet": (_misspelt,
        "plant.xlsx, sheet 'node': No sheet 'node' is known.\n"
        "Did you mean 'nodes'? Otherwise give it another name."),
    "a date": (_a_date,
        f"{_WHERE} B3, stream 'conc', dry mass: The value is a date or time (2026-05-01), not a "
        "number: spreadsheets make dates of entries such as 1.5 or 3/4.\nFormat the cell as a "
        "number first, then type the number anew; a new format alone leaves a count of days."),
    "a time": (_a_time,
        f"{_WHERE} B3, stream 'conc', dry mass: The value is a date or time (01:30:00), not a "
        "number: spreadsheets make dates of entries such as 1.5 or 3/4.\nFormat the cell as a "
        "number first, then type the number anew; a new format alone leaves a count of days."),
    "a percentage of a mass": (_percent_of_a_mass,
        f"{_WHERE} B3, stream 'conc', dry mass: '%' is the unit of a grade, but a mass is wanted.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt."),
    "shown in thousands": (_in_thousands,
        f"{_WHERE} B3, stream 'conc', dry mass: The cell holds 600, but its format shows it in "
        "thousands; format it as a plain number.\n"
        "Write the number itself, or leave the cell blank if it was not measured."),
    "shown as nothing": (_unseen,
        f"{_WHERE} B3, stream 'conc', dry mass: The cell holds 600, but its format shows nothing; "
        "format it as a plain number, or clear it.\n"
        "Write the number itself, or leave the cell blank if it was not measured."),
    "cells without a header": (_no_header,
        f"{_WHERE} E2: 'wet' stands in a column without a header (and 1 more below it).\nGive the "
        "column a header, or clear the cell. A decimal comma in a "
        "comma-separated file also moves cells to the right: write 12.5, or separate by "
        "semicolons."),
    "an end without a header": (_no_header_in_the_circuit,
        "plant.xlsx, sheet 'circuit', cell B3: 'table' stands in a column without a header (and 1 "
        "more below it).\nGive the column a header, or clear the cell. A decimal comma in a "
        "comma-separated file also moves cells to the right: write 12.5, or separate by "
        "semicolons.\n\n"
        "plant.xlsx, sheet 'circuit', cell A3: Stream 'conc' neither leaves nor enters a node.\n"
        "Give the node it comes from, the node it goes to, or both.\n\n"
        "plant.xlsx, sheet 'circuit', cell A4: Stream 'tails' neither leaves nor enters a node.\n"
        "Give the node it comes from, the node it goes to, or both.\n\n"
        "plant.xlsx, sheet 'circuit', cell A2: Node 'table' ('to' of 'feed') has no outlet: "
        "nothing leaves it.\n"
        "Add the stream that leaves it, or let the stream leave the circuit here."),
}  # fmt: skip


@pytest.mark.parametrize("name", list(MESSAGES))
def test_message(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change, text = MESSAGES[name]
    assert assert_refused(saved(tmp_path / "plant.xlsx", change), capsys) == text


def test_ods_messages(tmp_path: Path) -> None:
    """A hidden sheet, a date, a formula without a value, an error: as in .xlsx."""
    from odf.style import Style, TableProperties

    def hide(document: Any, tables: dict[str, Any]) -> None:
        style = Style(name="ta9", family="table")
        style.addElement(TableProperties(display="false"))
        document.automaticstyles.addElement(style)
        tables["errors"].setAttribute("stylename", "ta9")

    assert assert_refused(ods(tmp_path / "plant.ods", hide)) == (
        "plant.ods, sheet 'errors': The sheet is hidden: nobody sees what would be read from it."
        "\nShow it (right click on the tabs of the sheets), or rename or delete it."
    )
    cells = (
        (ods_cell("01.05.26", valuetype="date", datevalue="2026-05-01"),
         "The value is a date or time (2026-05-01), not a number: spreadsheets make dates of "
         "entries such as 1.5 or 3/4."),
        (ods_cell("", formula="of:=20+5"),
         "The cell holds a formula (=20+5) without a saved value; open the workbook in a "
         "spreadsheet program and save it, so that the value is stored."),
        (ods_cell("#DIV/0!", formula="of:=1/0", valuetype="string"),
         "The cell shows the error #DIV/0!."),
        (ods_cell("01:30", valuetype="time", timevalue="PT01H30M00S"),
         "The cell holds a time (01:30), not a number."),
    )  # fmt: skip
    for cell, said in cells:

        def swap(_: Any, tables: dict[str, Any], cell: Any = cell) -> None:
            row = tables["measurements"].childNodes[2]
            row.insertBefore(cell, row.childNodes[1])
            row.removeChild(row.childNodes[2])

        assert assert_refused(ods(tmp_path / "plant.ods", swap)).startswith(
            f"plant.ods, sheet 'measurements', cell B3, stream 'conc', dry mass: {said}\n"
        )


@pytest.mark.parametrize(("tag", "named"), [("table-row", "A1"), ("table-column", "A1")])
def test_what_is_hidden_in_ods(tag: str, named: str, tmp_path: Path) -> None:
    path = ods(tmp_path / "plant.ods")

    def hide(xml: bytes) -> bytes:
        at = xml.index(b'table:name="measurements"')
        row = xml.index(b"<table:table-row", at)
        shown = b'<table:table-column table:number-columns-repeated="3"/>'
        if tag == "table-row":
            made = xml[row:].replace(
                b"<table:table-row", b'<table:table-row table:visibility="filter"', 1
            )
            return xml[:row] + made
        hidden = b'<table:table-column table:visibility="collapse"/>'
        return xml[:row] + hidden + shown + xml[row:]

    with_part(path, "content.xml", hide)
    assert assert_refused(path) == f"plant.ods, sheet 'measurements', cell {named}{_UNSEEN}"


@pytest.mark.parametrize(("inside", "blank"), [("<text:p/>", True), ("<text:p> </text:p>", True),
                                               ("", False)])  # fmt: skip
def test_an_empty_text_in_ods_is_blank(inside: str, blank: bool, tmp_path: Path) -> None:
    """LibreOffice saves a formula that came to "" without a type; never computed is another."""
    path = ods(tmp_path / "plant.ods")

    def empty(xml: bytes) -> bytes:
        old = b'<table:table-cell office:value-type="float" office:value="25.4"/>'
        assert xml.count(old) == 1
        formula = b'table:formula="of:=IF([.A1]=&quot;&quot;;1;&quot;&quot;)"'
        return xml.replace(
            old, b"<table:table-cell %s>%s</table:table-cell>" % (formula, inside.encode())
        )

    with_part(path, "content.xml", empty)
    if blank:
        assert ("feed", "dry mass") not in cell_values(read_case(path))
        assert cell_values(read_case(path)).keys() == PLAIN.keys() - {("feed", "dry mass")}
        return
    assert assert_refused(path) == (
        "plant.ods, sheet 'measurements', cell B2, stream 'feed', dry mass: The cell holds a "
        'formula (=IF([.A1]="";1;"")) without a saved value; open the workbook in a spreadsheet '
        "program and save it, so that the value is stored.\nWrite the number itself, or leave the "
        "cell blank if it was not measured."
    )
