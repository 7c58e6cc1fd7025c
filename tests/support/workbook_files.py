"""Workbooks written and spoilt as people and programs do."""

from __future__ import annotations

import hashlib
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.case import Case
from oretally.io.cli import main

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


SHEET = "xl/worksheets/sheet5.xml"  # measurements


def plain_book(rows: Rows | None = None) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, lines in BOOK.items():
        sheet = book.create_sheet(title)
        for line in rows if rows is not None and title == "measurements" else lines:
            sheet.append(line)
    return book


def saved(path: Path, change: Change | None = None, rows: Rows | None = None) -> Path:
    book = plain_book(rows)
    if change is not None:
        change(book)
    book.save(path)
    return path


def cell_values(case: Case) -> dict[tuple[str, str], float]:
    return {(m.stream, m.quantity): m.value for m in case.survey.measurements}


def ods(path: Path, change: Callable[[Any, dict[str, Any]], object] | None = None,
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
                row.addElement(ods_cell(value))
            table.addElement(row)
        document.spreadsheet.addElement(table)
    if change is not None:
        change(document, tables)
    document.save(str(path))
    return path


def ods_cell(shown: Any, **attributes: str) -> Any:
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


def assert_refused(path: Path, capsys: pytest.CaptureFixture[str] | None = None) -> str:
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


def shared(path: Path) -> Path:
    """Keep the texts in a part of their own, as most spreadsheet programs do."""
    parts = archive_parts(path)
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
    return packed(path, parts)


def archive_parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(path: Path, parts: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path


def with_part(path: Path, part: str, change: Callable[[bytes], bytes]) -> None:
    parts = archive_parts(path)
    parts[part] = change(parts[part])
    packed(path, parts)
