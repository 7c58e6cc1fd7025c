"""Cells of .ods sheets in one pass: saved values, formulas without one, and how they are shown.

OpenDocument 1.3 part 3 (OASIS), 9.1 (tables) and 19.385 (office:value-type).
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from datetime import date, datetime

from oretally.flowsheet import Place
from oretally.io.files.table import UNSAVED, Cell, CellValue, cleaned
from oretally.io.files.workbook_xml import LOCAL, SheetXml, count_cells, parse_member, shown_percent

__all__ = ["ods_sheets"]

_CELLS = frozenset(("table-cell", "covered-table-cell"))
# what may hold text or tables that are not the sheet's own
_ASIDE = frozenset(
    ("annotation", "tracked-changes", "shapes", "dde-links", "frame", "custom-shape", "object")
)


def ods_sheets(
    archive: zipfile.ZipFile, name: str, wanted: Callable[[str], bool]
) -> list[SheetXml]:
    """Return the sheets of a workbook; only the wanted ones with their cells.

    Parameters
    ----------
    archive : ZipFile
    name : str
        How the user knows the file.
    wanted : callable
        Tells by its title whether the cells of a sheet are read.
    """
    reader = _Reader(name, wanted)
    parse_member(archive, "content.xml", reader.start, reader.end, reader.text)
    return reader.sheets


_OUTSIDE = frozenset(("table", "style", "table-properties"))  # what matters outside a wanted sheet


class _Reader:
    """Handlers that collect the sheets of a document."""

    def __init__(self, name: str, wanted: Callable[[str], bool]) -> None:
        self.name, self.wanted = name, wanted
        self.sheets: list[SheetXml] = []
        self.style = ""
        self.hidden_styles: set[str] = set()
        self.aside = 0
        self.reading = False
        self.origin = Place()
        self.row = self.column = self.cells = 0
        self.rows_alike = self.cells_alike = 1
        self.line: list[Cell] = []
        self.attributes: dict[str, str] = {}
        self.paragraphs: list[list[str]] = []
        self.in_paragraph = False
        self.texts: dict[str, str | None] = {}  # one that comes again is kept once

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = LOCAL[tag]
        if tag in _ASIDE:
            self.aside += 1
        if self.aside:
            return
        if not self.reading and tag not in _OUTSIDE:
            return
        if tag in _CELLS:
            self.attributes, self.paragraphs = attributes, []
            self.cells_alike = int(attributes.get("table:number-columns-repeated", "1"))
        elif tag == "table-row":
            self.rows_alike = int(attributes.get("table:number-rows-repeated", "1"))
            self.line, self.column = [], 0
        elif tag == "p":
            self.paragraphs.append([])
            self.in_paragraph = True
        elif tag in ("s", "tab", "line-break") and self.in_paragraph:
            self.paragraphs[-1].append(" ")
        elif tag == "table":
            title = attributes.get("table:name", "")
            hidden = attributes.get("table:style-name", "") in self.hidden_styles
            self.sheets.append(SheetXml(title, hidden, []))
            self.origin = Place(file=self.name, sheet=title)
            self.reading, self.row, self.cells = self.wanted(title), 0, 0
        elif tag == "style":
            self.style = attributes.get("style:name", "")
        elif tag == "table-properties" and attributes.get("table:display") == "false":
            self.hidden_styles.add(self.style)

    def text(self, text: str) -> None:
        if self.in_paragraph and not self.aside:
            self.paragraphs[-1].append(text)

    def end(self, tag: str) -> None:
        tag = LOCAL[tag]
        if tag in _ASIDE:
            self.aside -= 1
        elif self.aside:
            return
        elif not self.reading:
            return
        elif tag == "p":
            self.in_paragraph = False
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
        if self.cells_alike > 1:
            count_cells(self.cells + len(self.line) + self.cells_alike)
        for j in range(self.column, self.column + self.cells_alike):
            self.line.append(tuple.__new__(Cell, (value, self.origin, problem, self.row, j)))

    def add_rows(self) -> None:
        """Take the row as often as it is there; equal rows are written once."""
        self.cells += len(self.line) * self.rows_alike
        count_cells(self.cells)
        rows = self.sheets[-1].rows
        rows.append(self.line)
        rows.extend(
            [cell._replace(row=self.row + i) for cell in self.line]
            for i in range(1, self.rows_alike)
        )

    def content(self) -> tuple[CellValue, str]:
        """Return the value of a cell, and what is wrong with it."""
        got = self.attributes.get
        kind = got("office:value-type")
        if kind == "float" and got("calcext:value-type") != "error":
            return float(got("office:value", "")), ""
        shown = "\n".join(["".join(parts) for parts in self.paragraphs])
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


def _moment(written: str) -> date | datetime:
    moment = datetime.fromisoformat(written)
    return moment if "T" in written else moment.date()
