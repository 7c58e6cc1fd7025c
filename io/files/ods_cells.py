"""Cells of .ods sheets in one pass: saved values, formulas without one, and how they are shown.

OpenDocument 1.3 part 3 (OASIS), 9.1 (tables) and 19.385 (office:value-type).
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from datetime import date, datetime

from oretally.flowsheet import Place
from oretally.io.files.budget import Meter
from oretally.io.files.table import UNSAVED, Cell, CellValue, cleaned
from oretally.io.files.workbook_xml import (
    MemberReader,
    SheetXml,
    parse_member,
    shown_percent,
)

__all__ = ["ods_sheets"]

_CELLS = frozenset(("table-cell", "covered-table-cell"))
# what may hold text or tables that are not the sheet's own
_ASIDE = frozenset(
    ("annotation", "tracked-changes", "shapes", "dde-links", "frame", "custom-shape", "object")
)


def ods_sheets(
    archive: zipfile.ZipFile, name: str, wanted: Callable[[str], bool], meter: Meter
) -> list[SheetXml]:
    """Return the sheets of a workbook; only the wanted ones with their cells.

    Parameters
    ----------
    archive : ZipFile
    name : str
        How the user knows the file.
    wanted : callable
        Tells by its title whether the cells of a sheet are read.
    meter : Meter
    """
    reader = _Reader(name, wanted, meter)
    parse_member(archive, "content.xml", meter, reader)
    return reader.sheets


_OUTSIDE = frozenset(("table", "style", "table-properties"))  # what matters outside a wanted sheet


class _Reader(MemberReader):
    """Handlers that collect the sheets of a document."""

    def __init__(self, name: str, wanted: Callable[[str], bool], meter: Meter) -> None:
        self.name, self.wanted, self.meter = name, wanted, meter
        self.depth, self.parts, self.names = 0, [], {}
        self.sheets: list[SheetXml] = []
        self.style = ""
        self.hidden_styles: set[str] = set()
        self.aside = 0
        self.reading = False
        self.origin = Place()
        self.row = self.column = 0
        self.columns, self.row_hidden = 0, False
        self.rows_alike = self.cells_alike = 1
        self.line: list[Cell] = []
        self.attributes: dict[str, str] = {}
        self.paragraphs: list[str] = []
        self.in_paragraph = False
        self.before_aside = 0
        self.texts: dict[str, str | None] = {}  # one that comes again is kept once

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = self.names.get(tag) or self.named(tag)
        self.depth += 1
        if tag in _ASIDE:
            if not self.aside:
                self.before_aside = len(self.parts)
            self.aside += 1
        if self.aside:
            return
        if not self.in_paragraph:
            self.parts.clear()
        if not self.reading and tag not in _OUTSIDE:
            return
        if tag in _CELLS:
            self.attributes, self.paragraphs = attributes, []
            self.cells_alike = _repeated(attributes, "table:number-columns-repeated")
        elif tag == "table-column":
            many = _repeated(attributes, "table:number-columns-repeated")
            if attributes.get("table:visibility", "visible") != "visible":
                self.sheets[-1].hidden_columns.append(range(self.columns, self.columns + many))
            self.columns += many
        elif tag == "p":
            self.in_paragraph = True
        elif tag == "table-row":
            self.rows_alike = _repeated(attributes, "table:number-rows-repeated")
            self.line, self.column = [], 0
            self.row_hidden = attributes.get("table:visibility", "visible") != "visible"
        elif self.in_paragraph:
            if tag in ("s", "tab", "line-break"):
                self.parts.append(" ")
        elif tag == "table":
            title = attributes.get("table:name", "")
            hidden = attributes.get("table:style-name", "") in self.hidden_styles
            self.meter.charge_sheet(title)
            self.sheets.append(SheetXml(title, hidden, []))
            self.origin = Place(file=self.name, sheet=title)
            self.columns, self.row_hidden = 0, False
            self.reading, self.row = self.wanted(title), 0
        elif tag == "style":
            self.style = attributes.get("style:name", "")
        elif tag == "table-properties" and attributes.get("table:display") == "false":
            self.hidden_styles.add(self.style)

    def end(self, tag: str) -> None:
        tag = self.names.get(tag) or self.named(tag)
        self.depth -= 1
        if tag in _ASIDE:
            self.aside -= 1
            if not self.aside:
                del self.parts[self.before_aside :]
        elif self.aside:
            return
        elif not self.reading:
            return
        elif tag == "p":
            self.in_paragraph = False
            self.paragraphs.append("".join(self.parts))
            self.parts.clear()
        elif tag in _CELLS:
            self.add()
            self.column += self.cells_alike
        elif tag == "table-row":
            if self.line:
                self.add_rows()
            self.row += self.rows_alike

    def add(self) -> None:
        value, problem = self.content()
        if value is None and not problem:
            return
        end = self.column + self.cells_alike
        if end > self.meter.budget.columns:
            self.meter.charge_position(self.row, end - 1)
        for j in range(self.column, end):
            self.line.append(tuple.__new__(Cell, (value, self.origin, problem, self.row, j)))

    def add_rows(self) -> None:
        """Take the row as often as it is there; equal rows are written once."""
        alike, line = self.rows_alike, self.line
        texts = sum(len(cell.value) for cell in line if type(cell.value) is str)
        self.meter.charge_cells(len(line) * alike, texts * alike)
        self.meter.charge_position(self.row + alike - 1, 0)
        rows, new = self.sheets[-1].rows, tuple.__new__
        if self.row_hidden and self.sheets[-1].hidden_row < 0:
            self.sheets[-1].hidden_row = self.row
        rows.append(line)
        rows.extend(
            [new(Cell, (cell.value, cell.origin, cell.problem, i, cell.column)) for cell in line]
            for i in range(self.row + 1, self.row + alike)
        )

    def content(self) -> tuple[CellValue, str]:
        """Return the value of a cell, and what is wrong with it."""
        got = self.attributes.get
        kind = got("office:value-type")
        if kind == "float" and got("calcext:value-type") != "error":
            return float(got("office:value", "")), ""
        shown = "\n".join(self.paragraphs)
        formula = got("table:formula", "")
        if got("calcext:value-type") == "error" or (formula and shown.startswith(("#", "Err:"))):
            return None, f"The cell shows the error {shown.strip() or 'of its formula'}."
        if kind is None:
            # a program that computes an empty text saves a paragraph without a word, and no type
            if not formula or (self.paragraphs and not shown.strip()):
                return cleaned(shown), ""
            return None, (
                f"The cell holds a formula ({formula.removeprefix('of:')}) {UNSAVED}; "
                "open the workbook in a spreadsheet program and save it, so that the value is "
                "stored."
            )
        if kind == "string":
            written = got("office:string-value", shown)
            if written not in self.texts:
                self.meter.charge_text(len(written))
                self.texts[written] = cleaned(written)
            return self.texts[written], ""
        if kind == "boolean":
            return got("office:boolean-value") == "true", ""
        if kind == "date":
            return _moment(got("office:date-value", "")), ""
        if kind == "time":
            return None, f"The cell holds a time ({shown.strip()}), not a number."
        value = float(got("office:value", ""))
        return (shown_percent(value) if kind == "percentage" else value), ""


def _repeated(attributes: dict[str, str], key: str) -> int:
    """Return how often a row or cell is there."""
    if key not in attributes:
        return 1
    times = int(attributes[key])
    if times < 1:
        raise ValueError(key)
    return times


def _moment(written: str) -> date | datetime:
    moment = datetime.fromisoformat(written)
    return moment if "T" in written else moment.date()
