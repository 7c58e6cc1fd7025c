"""Workbooks as people make them, and files that only look like one: right, or a located message.

Every file here is written by the test; nothing in them is real.
"""

from __future__ import annotations

import datetime
import hashlib
import io
import random
import re
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import python_calamine
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from openpyxl.styles import PatternFill
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH

from oretally.flowsheet import Fault, InputError, Place
from oretally.io import read_case
from oretally.io.case import SHEETS, Case
from oretally.io.cells import Spellings, read_heading, read_number
from oretally.io.cli import main
from oretally.io.files import Cell, Table, put, read_csv_table, read_workbook
from oretally.io.forms.case_workbook import case_workbook

Rows = list[list[Any]]
BOOK: dict[str, Rows] = {
    "circuit": [["stream", "from", "to"], ["feed", "", "table"], ["conc", "table", ""],
                ["tails", "table", ""]],
    "analytes": [["analyte", "unit"], ["Sn", "%"]],
    "errors": [["quantity", "relative"], ["dry mass", 0.5], ["Sn", 3.0]],
    "report": [["key", "value"], ["basis", "batch"]],
    "measurements": [["stream", "dry mass [kg]", "Sn [%]"], ["feed", 25.4, 0.82],
                     ["conc", 0.6, 30.0], ["tails", 24.7, 0.3]],
}  # fmt: skip
PLAIN = {("feed", "dry mass"): 25.4, ("feed", "Sn"): 0.82, ("conc", "dry mass"): 0.6,
         ("conc", "Sn"): 30.0, ("tails", "dry mass"): 24.7, ("tails", "Sn"): 0.3}  # fmt: skip
Change = Callable[[openpyxl.Workbook], object]
_SHEET = "xl/worksheets/sheet5.xml"  # measurements


def _book(rows: Rows | None = None) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, lines in BOOK.items():
        sheet = book.create_sheet(title)
        for line in rows if rows is not None and title == "measurements" else lines:
            sheet.append(line)
    return book


def _saved(path: Path, change: Change | None = None, rows: Rows | None = None) -> Path:
    book = _book(rows)
    if change is not None:
        change(book)
    book.save(path)
    return path


def _values(case: Case) -> dict[tuple[str, str], float]:
    return {(m.stream, m.quantity): m.value for m in case.survey.measurements}


def _ods(path: Path, change: Callable[[Any, dict[str, Any]], object] | None = None,
         rows: Rows | None = None) -> Path:  # fmt: skip
    """Write the same case as .ods; ``change`` gets the document and its tables."""
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table as OdsTable
    from odf.table import TableRow

    document, tables = OpenDocumentSpreadsheet(), {}
    for title, lines in BOOK.items():
        table = tables[title] = OdsTable(name=title)
        for line in rows if rows is not None and title == "measurements" else lines:
            row = TableRow()
            for value in line:
                row.addElement(_ods_cell(value))
            table.addElement(row)
        document.spreadsheet.addElement(table)
    if change is not None:
        change(document, tables)
    document.save(str(path))
    return path


def _ods_cell(shown: Any, **attributes: str) -> Any:
    from odf.table import TableCell
    from odf.text import P

    if attributes:
        cell = TableCell(**attributes)
    elif isinstance(shown, float):
        return TableCell(valuetype="float", value=str(shown))
    elif shown in (None, ""):
        return TableCell()
    else:
        cell = TableCell(valuetype="string")
    if shown not in (None, ""):
        cell.addElement(P(text=str(shown)))
    return cell


def _refused(path: Path, capsys: pytest.CaptureFixture[str] | None = None) -> str:
    """Return the message; the command line says the same with status 2, the file stays as it is."""
    before = hashlib.sha256(path.read_bytes()).digest() if path.is_file() else b""
    with pytest.raises(InputError) as refused:
        read_case(path)
    assert all(f.problem and f.mend and f.place.file for f in refused.value.faults)
    if capsys is not None:
        with pytest.raises(SystemExit) as stop:
            main(["balance", str(path)])
        shown = capsys.readouterr()
        assert stop.value.code == 2
        assert str(refused.value) in shown.err
        assert "Traceback" not in shown.err
    if path.is_file():
        assert hashlib.sha256(path.read_bytes()).digest() == before
    return str(refused.value)


# ---- right, however it is laid out


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
    case = read_case(_saved(tmp_path / "plant.xlsx", LAYOUTS[name]))
    assert _values(case) == pytest.approx(PLAIN, rel=1e-12)


@pytest.mark.parametrize("suffix", ["xlsx", "xlsm", "XLSX", "ods", "ODS"])
def test_every_suffix(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"plant.{suffix}"
    _ods(path) if suffix.lower() == "ods" else _saved(path)
    if suffix == "xlsm":  # what makes it one: a part with the macros, which nobody opens
        with zipfile.ZipFile(path, "a") as archive:
            archive.writestr("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0 macros")
    assert _values(read_case(path)) == PLAIN


def test_ods_laid_out_differently(tmp_path: Path) -> None:
    """Title, repeated blank rows and columns, a comment, a percentage, text in two spans."""
    from odf.office import Annotation
    from odf.table import CoveredTableCell, TableCell, TableRow
    from odf.text import P, S, Span

    def change(_: Any, tables: dict[str, Any]) -> None:
        table = tables["measurements"]
        title = TableRow()
        title.addElement(_ods_cell("Test 4", valuetype="string", numbercolumnsspanned="3"))
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
        for cell in (name, _ods_cell("25.4", valuetype="string"),
                     _ods_cell("0.82 %", valuetype="percentage", value="0.0082")):  # fmt: skip
            feed.addElement(cell)
        end = TableRow(numberrowsrepeated="1048000")
        end.addElement(TableCell(numbercolumnsrepeated="16384"))
        table.addElement(end)

    assert _values(read_case(_ods(tmp_path / "plant.ods", change))) == pytest.approx(PLAIN)


def test_a_formula_that_came_to_nothing_is_blank(tmp_path: Path) -> None:
    """It was computed, as its type says; a formula without any saved value was not."""
    rows: Rows = [*BOOK["measurements"], ["tails", '=IF(1,"","")', 0.3]]
    path = _saved(tmp_path / "plant.xlsx", rows=rows)
    assert _refused(path) == (
        "plant.xlsx, sheet 'measurements', cell B5, stream 'tails', dry mass: The cell holds a "
        'formula (=IF(1,"","")) without a saved value; open the workbook in a spreadsheet program '
        "and save it, so that the value is stored.\n"
        "Write the number itself, or leave the cell blank if it was not measured."
    )
    _with_part(path, _SHEET, lambda d: d.replace(b'<c r="B5">', b'<c r="B5" t="str">'))
    assert _values(read_case(path)) == pytest.approx(PLAIN)


@pytest.mark.parametrize(("sheet", "cell"), [("circuit", "B3"), ("measurements", "A2")])
def test_a_formula_in_place_of_a_name(sheet: str, cell: str, tmp_path: Path) -> None:
    """Not taken for a blank, which would be the outside of the circuit."""

    def compute(book: openpyxl.Workbook) -> None:
        book[sheet][cell] = "=Z1"

    assert _refused(_saved(tmp_path / "plant.xlsx", compute)).startswith(
        f"plant.xlsx, sheet '{sheet}', cell {cell}: The cell holds a formula (=Z1) without a saved "
        "value; open the workbook in a spreadsheet program and save it, so that the value is "
        "stored.\nWrite "
    )


def _shared(path: Path) -> Path:
    """Keep the texts in a part of their own, as most spreadsheet programs do."""
    parts = _parts(path)
    texts: list[bytes] = []

    def share(match: re.Match[bytes]) -> bytes:
        texts.append(match[2])
        return b'<c r="%s" t="s"><v>%d</v></c>' % (match[1], len(texts) - 1)

    inline = re.compile(rb'<c r="(\w+)" t="inlineStr"><is>(.*?)</is></c>')
    for name in [n for n in parts if n.startswith("xl/worksheets/sheet")]:
        parts[name] = inline.sub(share, parts[name])
    assert texts
    rich = b"<r><t>fe</t></r><r><rPr><b/></rPr><t>ed</t></r><rPh><t>read aloud</t></rPh>"
    texts = [rich if text == b"<t>feed</t>" else text for text in texts]
    parts["xl/sharedStrings.xml"] = b"<x:sst xmlns:x='u'>" + b"".join(
        b"<x:si>" + re.sub(rb"<(/?)", rb"<\1x:", text) + b"</x:si>" for text in texts
    ) + b"</x:sst>"  # fmt: skip
    links = "xl/_rels/workbook.xml.rels"
    parts[links] = parts[links].replace(
        b"</Relationships>",
        b'<Relationship Id="rId98" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        b'relationships/sharedStrings" Target="/xl/sharedStrings.xml"/></Relationships>',
    )
    return _packed(path, parts)


def test_shared_and_rich_texts(tmp_path: Path) -> None:
    path = _shared(_saved(tmp_path / "plant.xlsx"))
    assert _values(read_case(path)) == PLAIN


def test_links_to_other_workbooks_are_not_followed(tmp_path: Path) -> None:
    """What was saved of a cell of another workbook is taken; the other one is never opened."""
    path = _saved(tmp_path / "plant.xlsx")
    parts = _parts(path)
    sheet = _SHEET
    parts[sheet] = parts[sheet].replace(b"<v>25.4</v>", b"<f>[1]Sheet1!$B$7</f><v>25.4</v>")
    assert b"[1]Sheet1" in parts[sheet]
    links = "xl/_rels/workbook.xml.rels"
    parts[links] = parts[links].replace(
        b"</Relationships>",
        b'<Relationship Id="rId99" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        b'relationships/externalLink" Target="file:///no/such/place.xlsx" TargetMode="External"/>'
        b"</Relationships>",
    )
    _packed(path, parts)
    assert _values(read_case(path)) == PLAIN


def _parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _packed(path: Path, parts: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path


# ---- a located message


def _number_above(book: openpyxl.Workbook) -> None:
    book["measurements"].insert_rows(1)
    book["measurements"]["A1"], book["measurements"]["B1"] = "middlings", 3.2


def _hidden(book: openpyxl.Workbook) -> None:
    book["errors"].sheet_state = "hidden"


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


def _no_header(book: openpyxl.Workbook) -> None:
    book["measurements"]["E2"], book["measurements"]["E4"] = "wet", "dry"


def _no_header_in_the_circuit(book: openpyxl.Workbook) -> None:
    book["circuit"]["B1"] = None


_WHERE = "plant.xlsx, sheet 'measurements', cell"
MESSAGES: dict[str, tuple[Change, str]] = {
    "a number above the header": (_number_above,
        f"{_WHERE} B1: '3.2' stands above the header (A2); titles there are skipped, but a number "
        "may be data.\nMove the row below the header, or clear the cell."),
    "a hidden sheet": (_hidden,
        "plant.xlsx, sheet 'errors': The sheet is hidden: nobody sees what would be read from it."
        "\nShow it (right click on the tabs of the sheets), or rename or delete it."),
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
    "cells without a header": (_no_header,
        f"{_WHERE} E2: 'wet' stands in a column without a header (and 1 more below it).\nGive the "
        "column a header, or clear the cell; a comma too many in the row also moves cells to the "
        "right."),
    "an end without a header": (_no_header_in_the_circuit,
        "plant.xlsx, sheet 'circuit', cell B3: 'table' stands in a column without a header (and 1 "
        "more below it).\nGive the column a header, or clear the cell; a comma too many in the row "
        "also moves cells to the right.\n\n"
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
    assert _refused(_saved(tmp_path / "plant.xlsx", change), capsys) == text


def test_ods_messages(tmp_path: Path) -> None:
    """A hidden sheet, a date, a formula without a value, an error: as in .xlsx."""
    from odf.style import Style, TableProperties

    def hide(document: Any, tables: dict[str, Any]) -> None:
        style = Style(name="ta9", family="table")
        style.addElement(TableProperties(display="false"))
        document.automaticstyles.addElement(style)
        tables["errors"].setAttribute("stylename", "ta9")

    assert _refused(_ods(tmp_path / "plant.ods", hide)) == (
        "plant.ods, sheet 'errors': The sheet is hidden: nobody sees what would be read from it."
        "\nShow it (right click on the tabs of the sheets), or rename or delete it."
    )
    cells = (
        (_ods_cell("01.05.26", valuetype="date", datevalue="2026-05-01"),
         "The value is a date or time (2026-05-01), not a number: spreadsheets make dates of "
         "entries such as 1.5 or 3/4."),
        (_ods_cell("", formula="of:=20+5"),
         "The cell holds a formula (=20+5) without a saved value; open the workbook in a "
         "spreadsheet program and save it, so that the value is stored."),
        (_ods_cell("#DIV/0!", formula="of:=1/0", valuetype="string"),
         "The cell shows the error #DIV/0!."),
        (_ods_cell("01:30", valuetype="time", timevalue="PT01H30M00S"),
         "The cell holds a time (01:30), not a number."),
    )  # fmt: skip
    for cell, said in cells:

        def swap(_: Any, tables: dict[str, Any], cell: Any = cell) -> None:
            row = tables["measurements"].childNodes[2]
            row.insertBefore(cell, row.childNodes[1])
            row.removeChild(row.childNodes[2])

        assert _refused(_ods(tmp_path / "plant.ods", swap)).startswith(
            f"plant.ods, sheet 'measurements', cell B3, stream 'conc', dry mass: {said}\n"
        )


@pytest.mark.parametrize(("inside", "blank"), [("<text:p/>", True), ("<text:p> </text:p>", True),
                                               ("", False)])  # fmt: skip
def test_an_empty_text_in_ods_is_blank(inside: str, blank: bool, tmp_path: Path) -> None:
    """LibreOffice saves a formula that came to "" without a type; never computed is another."""
    path = _ods(tmp_path / "plant.ods")

    def empty(xml: bytes) -> bytes:
        old = b'<table:table-cell office:value-type="float" office:value="25.4"/>'
        assert xml.count(old) == 1
        formula = b'table:formula="of:=IF([.A1]=&quot;&quot;;1;&quot;&quot;)"'
        return xml.replace(
            old, b"<table:table-cell %s>%s</table:table-cell>" % (formula, inside.encode())
        )

    _with_part(path, "content.xml", empty)
    if blank:
        assert ("feed", "dry mass") not in _values(read_case(path))
        assert _values(read_case(path)).keys() == PLAIN.keys() - {("feed", "dry mass")}
        return
    assert _refused(path) == (
        "plant.ods, sheet 'measurements', cell B2, stream 'feed', dry mass: The cell holds a "
        'formula (=IF([.A1]="";1;"")) without a saved value; open the workbook in a spreadsheet '
        "program and save it, so that the value is stored.\nWrite the number itself, or leave the "
        "cell blank if it was not measured."
    )


# ---- files that only look like a workbook

_ANEW = "Open it in a spreadsheet program and save it anew."
_AS_XLSX = "Save it as .xlsx or .ods from a spreadsheet program."
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)
_LAUGHS = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b \
"&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>"""
_ENTITIES = (
    "The workbook declares XML entities, which no spreadsheet program writes; it is not opened.\n"
    "Take it from its source anew."
)


def _with_part(path: Path, part: str, change: Callable[[bytes], bytes]) -> None:
    parts = _parts(path)
    parts[part] = change(parts[part])
    _packed(path, parts)


def _laughing(data: bytes) -> bytes:
    return _LAUGHS + data[data.index(b"?>") + 2 if data.startswith(b"<?xml") else 0 :]


def _overlapping(path: Path) -> None:
    """Many members, each small when packed: the sum is what counts."""
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        for i in range(6):
            archive.writestr(f"xl/media/image{i}.png", bytes(10 * 2**20))


def _locked_members(path: Path) -> None:
    data = bytearray(path.read_bytes())
    at = data.index(b"PK\x01\x02")
    data[at + 8] |= 1
    path.write_bytes(bytes(data))


FAKES: dict[str, tuple[Callable[[Path], object], str]] = {
    "empty": (lambda p: p.write_bytes(b""),
              "The file is empty.\nSave it anew, or take it from its source."),
    "password": (lambda p: p.write_bytes(_OLE + "EncryptedPackage".encode("utf-16-le")),
                 "The workbook is protected by a password.\nSave it without a password."),
    "old format": (lambda p: p.write_bytes(_OLE + "Workbook".encode("utf-16-le")),
                   "The workbook is in the old .xls format.\nSave it as .xlsx."),
    "password of the archive": (_locked_members,
        "The workbook is protected by a password.\nSave it without a password."),
    "text": (lambda p: p.write_text("stream,dry mass [kg]\n"),
             f"The file is not a workbook, or it is cut off.\n{_AS_XLSX}"),
    "cut off": (lambda p: p.write_bytes(p.read_bytes()[:-400]),
                f"The file is not a workbook, or it is cut off.\n{_AS_XLSX}"),
    "binary format": (lambda p: _packed(p, {"xl/workbook.bin": b"", "_rels/.rels": b""}),
                      "The workbook is in the binary format .xlsb.\nSave it as .xlsx."),
    "another archive": (lambda p: _packed(p, {"readme.txt": b"hello"}),
                        f"The file is a zip archive, but no workbook.\n{_AS_XLSX}"),
    "bomb of many members": (_overlapping,
        "The workbook unpacks to 60 MiB, {ratio:.0f} times its size; that is not opened.\n"
        "Copy the sheets that matter into a new workbook."),
    "entities in a sheet": (lambda p: _with_part(p, _SHEET, _laughing),
                            _ENTITIES),
    "entities in the texts": (lambda p: _with_part(p, "xl/sharedStrings.xml", _laughing),
                              _ENTITIES),
    "a sheet that is cut off": (
        lambda p: _with_part(p, _SHEET, lambda d: d[:-40]),
        f"The workbook is damaged and cannot be read (ExpatError).\n{_ANEW}"),
    "a text that is not there": (
        lambda p: _with_part(p, "xl/sharedStrings.xml", lambda d: b"<sst></sst>"),
        f"The workbook is damaged and cannot be read (IndexError).\n{_ANEW}"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(FAKES))
def test_what_only_looks_like_a_workbook(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, text = FAKES[name]
    path = _shared(_saved(tmp_path / "plant.xlsx"))
    spoil(path)
    if "{ratio" in text:  # how small zeros are packed depends on the zlib
        with zipfile.ZipFile(path) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
        text = text.format(ratio=unpacked / path.stat().st_size)
    assert _refused(path, capsys) == f"plant.xlsx: {text}"


def test_ods_that_only_looks_like_one(tmp_path: Path) -> None:
    path = _ods(tmp_path / "plant.ods")
    _with_part(path, "META-INF/manifest.xml", lambda d: d + b"<manifest:encryption-data/>")
    assert _refused(path) == (
        "plant.ods: The workbook is protected by a password.\nSave it without a password."
    )
    _with_part(_ods(path), "content.xml", _laughing)
    assert _refused(path) == f"plant.ods: {_ENTITIES}"


def test_a_cell_repeated_without_end_is_refused(tmp_path: Path) -> None:
    path = _ods(tmp_path / "plant.ods")
    many = b'table:number-rows-repeated="9000000"'

    def repeat(data: bytes) -> bytes:
        return data.replace(b"<table:table-row>", b"<table:table-row " + many + b">")

    _with_part(path, "content.xml", repeat)
    assert _refused(path) == (
        "plant.ods: A sheet has more than 8,000,000 filled cells.\n"
        "Copy what matters into a table of its own."
    )


def test_a_folder_called_like_a_workbook(tmp_path: Path) -> None:
    (tmp_path / "plant.xlsx").mkdir()
    folder = tmp_path / "plant.xlsx"
    assert _refused(folder) == (
        f"{folder}: There is no circuit.toml in the folder.\n"
        "Write it, or start from 'oretally new'.\n\n"
        f"{folder}: There is no measurements.csv in the folder.\n"
        "Write it: one row a stream, one column a quantity."
    )


def test_a_million_formatted_rows_that_are_blank(tmp_path: Path) -> None:
    """All rows that a sheet can have, formatted: only what is filled counts."""
    path = _saved(tmp_path / "plant.xlsx")

    def format_all(data: bytes) -> bytes:
        blank = b"".join(
            b'<row r="%d" s="1" customFormat="1" ht="15">%s</row>'
            % (i, b"" if i % 8 else b'<c r="A%d" s="1"/><c r="C%d" s="1"/>' % (i, i))
            for i in range(5, 1_048_577)
        )
        return data.replace(b"</sheetData>", blank + b"</sheetData>")

    _with_part(path, _SHEET, format_all)
    with zipfile.ZipFile(path) as archive:
        assert archive.getinfo(_SHEET).file_size > 50 * 10**6
    sheets, faults = read_workbook(path, "plant.xlsx", SHEETS)
    assert not faults
    assert len(sheets["measurements"].rows) == 3


# ---- our reader against two others


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
    rng = random.Random(seed)  # noqa: S311
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


# ---- spellings of one header

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
    assert _refused(_saved(tmp_path / "plant.xlsx", rows=rows)) == (
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

    case = read_case(_saved(tmp_path / "plant.xlsx", show, rows))
    sds = {m.quantity: m.sd for m in case.survey.measurements}
    assert sds == pytest.approx({"dry mass": 0.127, "Sn": 0.03})
    rows[0][2] = "sd dry mass [kg]"
    assert _refused(_saved(tmp_path / "plant.xlsx", show, rows)) == (
        "plant.xlsx, sheet 'measurements', cell C2, stream 'feed', dry mass: The stated error "
        "'0.5 %' can be read as 0.5 percent of the value or as 0.005 kg, shown as a percentage.\n"
        "Write 0.5 rel %\nor 0.005 kg."
    )


# ---- titles and delimiters of CSV files


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


# ---- text never becomes a formula

_TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


def _legal(text: str) -> str:
    return "".join(c for c in text if c in "\t\n" or (c >= " " and c not in "\ufffe\uffff"))


@settings(max_examples=80, derandomize=True, deadline=None)
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


@settings(max_examples=25, derandomize=True, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
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
