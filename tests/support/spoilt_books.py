"""What goes wrong with workbooks: their sheets, their XML, their archive.

Every function takes a seeded generator and the bytes of an .xlsx, and returns a workbook spoilt.
"""

from __future__ import annotations

import csv
import io
import random
import re
import warnings
import zipfile
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import openpyxl
from spoilt_text import Grid, spoilt_bytes, spoilt_grid

__all__ = ["book_of", "spoilt_archive", "spoilt_sheets"]

_ILLEGAL = openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE
_FORMATS = ["0.0%", "dd/mm/yyyy", "0.0,", "[>1]0.0%;0.0", "@", "General", "0", '0.0 "kg"', ";;;",
            "0.00E+00", "# ?/?", "[h]:mm"]  # fmt: skip
_SHEETS = ["measurements", "circuit", "report", "errors", "sizes", "lab", "stocks", "other"]
_LEFT_OUT = ("read me", "containers", "doubts", "sources")  # they take time and say nothing
_ODS_TYPES = ["float", "percentage", "date", "time", "boolean", "currency", "x", ""]
_Parts = list[tuple[str, bytes]]


def _typed(cell: str) -> Any:
    """Return a cell as a spreadsheet keeps it: a number as a number."""
    try:
        return float(cell) if re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", cell) else (
            _ILLEGAL.sub("", cell)[:3000] or None)  # fmt: skip
    except ValueError:
        return cell


def _grid_of(sheet: Any) -> Grid:
    return [["" if v is None else str(v) for v in row] for row in sheet.iter_rows(values_only=True)]


def _fill(sheet: Any, grid: Grid) -> None:
    for line in grid:
        sheet.append([_typed(cell) for cell in line])


def book_of(title: str, table: str) -> bytes:
    """Return an .xlsx of one sheet with what a CSV table holds."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    _fill(book.create_sheet(title), list(csv.reader(io.StringIO(table))))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _spoil_sheet(rng: random.Random, book: openpyxl.Workbook) -> None:
    sheet: Any = rng.choice(book.worksheets)
    for title in ("measurements", "kinetics", "surveys"):
        if title in book.sheetnames and rng.random() < 0.4:
            sheet = book[title]
    row, column = rng.randint(1, sheet.max_row), rng.randint(1, sheet.max_column)
    cell, way = sheet.cell(row, column), rng.randrange(18)
    if way <= 7:
        at = book.index(sheet)
        grid = spoilt_grid(rng, _grid_of(sheet))
        book.remove(sheet)
        _fill(book.create_sheet(sheet.title, at), grid)
    elif way <= 9:
        cell.number_format = rng.choice(_FORMATS)
    elif way == 10:
        cell.value = rng.choice(["=1+1", "=A1", "=SUM(B2:B9)", True, datetime(2026, 5, 1), 1e22,
                                 datetime(1900, 1, 1), -0.0, 1e-12])  # fmt: skip
    elif way == 11:
        name = sheet.title
        wanted = rng.choice([name[:-1], name.upper(), f"{name} ", f"{name} (2)", *_SHEETS])
        sheet.title = wanted if wanted not in book.sheetnames else f"{wanted}1"
    elif way == 12 and len(book.worksheets) > 1:
        sheet.sheet_state = rng.choice(["hidden", "veryHidden"])
    elif way == 13:
        copied = book.copy_worksheet(sheet)
        book.move_sheet(copied, -rng.randrange(len(book.worksheets)))
        if rng.random() < 0.5:
            copied.title = f"{sheet.title} ".upper()
    elif way == 14 and len(book.worksheets) > 1:
        book.remove(sheet)
    elif way == 15:
        sheet.merge_cells(start_row=row, start_column=column, end_row=row + rng.randint(0, 2),
                          end_column=column + rng.randint(0, 2))  # fmt: skip
    elif way == 16:
        sheet.row_dimensions[row].hidden = True
        sheet.column_dimensions[cell.column_letter].hidden = rng.random() < 0.5
    else:
        sheet.insert_cols(1, rng.choice([1, 3, 300]))
        sheet.insert_rows(1, rng.choice([0, 1, 40]))


@lru_cache
def _grids(data: bytes) -> list[tuple[str, Grid]]:
    book = openpyxl.load_workbook(io.BytesIO(data))
    return [(sheet.title, _grid_of(sheet)) for sheet in book if sheet.title not in _LEFT_OUT]


def spoilt_sheets(rng: random.Random, data: bytes) -> tuple[str, bytes]:
    """Spoil cells, formats and sheets; return a file name and a workbook, .xlsx or .ods."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, grid in _grids(data):
        _fill(book.create_sheet(title), grid)
    for _ in range(rng.choice([1, 1, 2, 3])):
        _spoil_sheet(rng, book)
    if rng.random() < 0.4:
        return "case.ods", _ods(rng, book)
    if all(sheet.sheet_state != "visible" for sheet in book.worksheets):
        book.create_sheet("shown")
    out = io.BytesIO()
    book.save(out)
    return "case.xlsx", out.getvalue()


def _ods(rng: random.Random, book: openpyxl.Workbook) -> bytes:
    """Return a workbook as .ods, its types mixed up here and there."""
    odd = rng.random() < 0.5
    sheets = []
    for sheet in book.worksheets:
        rows = []
        for line in sheet.iter_rows(values_only=True):
            cells = []
            for value in line:
                kind = "float" if isinstance(value, int | float) else "string"
                if odd and rng.random() < 0.03:
                    kind = rng.choice(_ODS_TYPES)
                shown = escape("" if value is None else str(value))
                times = f' table:number-columns-repeated="{rng.choice(["1", "2", "0", "9999999"])}"'
                cells.append(
                    f'<table:table-cell office:value-type="{kind}" office:value={quoteattr(shown)}'
                    f" office:date-value={quoteattr(shown)}"
                    f"{times if odd and rng.random() < 0.01 else ''}><text:p>{shown}</text:p>"
                    "</table:table-cell>" if value is not None else "<table:table-cell/>"
                )  # fmt: skip
            rows.append(f"<table:table-row>{''.join(cells)}</table:table-row>")
        title = quoteattr(sheet.title)
        sheets.append(f"<table:table table:name={title}>{''.join(rows)}</table:table>")
    body = f"<x><table:spreadsheet>{''.join(sheets)}</table:spreadsheet></x>".encode()
    return _packed([("content.xml", _spoilt_xml(rng, body) if rng.random() < 0.2 else body)])


def _spoilt_xml(rng: random.Random, data: bytes) -> bytes:
    """Spoil attributes, elements, text, or the document as a whole."""
    text = data.decode("utf-8", "replace")
    marks: list[tuple[str, Sequence[str]]] = [
        (r'="[^"]*"', ['=""', '="999999"', '="-1"', '="s"', '="ZZZ9"', '="A1"', '="1e400"']),
        (r"<[^<>]*/>", ["", "<x/>", "<a><b/></a>"]),
        (r">[^<>]+<", ["><", ">7<", ">-1<", "><![CDATA[7]]><", ">&amp;lt;<", ">&x;<", ">\t 3 \n<"]),
        (r"<[^<>/?]+>", ["", "<x>", "<!-- -->"]),
        (r"<c [^>]*>", ["<c>", '<c r="B2" t="s">', '<c t="e">', '<c t="b">', '<c t="inlineStr">']),
    ]
    for _ in range(rng.randint(1, 3)):
        pattern, made = rng.choice(marks)
        found = list(re.finditer(pattern, text))
        if found:
            at = rng.choice(found)
            new = rng.choice([*made, at[0] * 2, rng.choice(found)[0]])
            text = text[: at.start()] + new + text[at.end() :]
    top = ["", "", "", '<!DOCTYPE a [<!ENTITY x "7">]>', '<?xml version="1.0" encoding="ascii"?>']
    text = rng.choice(top) + text
    return text.encode(rng.choice(["utf-8", "utf-8", "utf-8", "utf-16", "cp1252"]), "replace")


def _packed(parts: _Parts, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # two parts of one name are meant
        for name, data in parts:
            archive.writestr(name, data)
    return out.getvalue()


def spoilt_archive(rng: random.Random, data: bytes) -> tuple[str, bytes]:
    """Spoil the parts of a workbook, or the archive that holds them; return a file name too."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts: _Parts = [(name, archive.read(name)) for name in archive.namelist()]
    sheets = [i for i, (name, _) in enumerate(parts) if "sheet" in name or "shared" in name]
    i, way = rng.choice([rng.randrange(len(parts)), rng.choice(sheets)]), rng.randrange(12)
    name, part = parts[i]
    if way <= 5:
        parts[i] = name, _spoilt_xml(rng, part)
    elif way == 6:
        parts[i] = name, spoilt_bytes(rng, part)
    elif way == 7:
        del parts[i]
    elif way == 8:
        parts.append((name, rng.choice([part, rng.choice(parts)[1]])))
    elif way == 9:
        parts[i] = rng.choice([name.upper(), name.replace("/", "\\"), "../" + name]), part
    made = _packed(parts, rng.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2]))
    if way >= 10:
        made = spoilt_bytes(rng, made)
    return rng.choice(["case.xlsx"] * 5 + ["case.ods", "case.xlsm", "case.xls"]), made
