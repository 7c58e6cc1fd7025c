"""Cells of .xlsx sheets in one pass: saved values, formulas without one, and how they are shown.

Office Open XML, ECMA-376 part 1, 18.3 (sheets), 18.4 (shared strings), 18.8 (styles).
"""

from __future__ import annotations

import posixpath
import zipfile
from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta

from oretally.flowsheet import Place
from oretally.io.files.number_formats import DATE, MIXED, PERCENT, PLAIN, THOUSANDS, format_kind
from oretally.io.files.table import UNSAVED, Cell, CellValue, cleaned
from oretally.io.files.workbook_xml import LOCAL, SheetXml, count_cells, parse_member, shown_percent

__all__ = ["xlsx_sheets"]

_BUILT_IN = dict.fromkeys((9, 10), PERCENT) | dict.fromkeys(
    (*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)), DATE
)  # ECMA-376 part 1, 18.8.30
_DAYS = {False: datetime(1899, 12, 30), True: datetime(1904, 1, 1)}  # day 0, by "1904 dates"
_LAST_DAY = 2_958_466  # 31 December 9999 has passed


def xlsx_sheets(
    archive: zipfile.ZipFile, name: str, wanted: Callable[[str], bool]
) -> list[SheetXml]:
    """Return the wanted sheets of a workbook.

    Parameters
    ----------
    archive : ZipFile
    name : str
        How the user knows the file.
    wanted : callable
        Tells by its title whether a sheet is read; the cells of others are not looked at.
    """
    parts = _targets(archive, "_rels/.rels")
    book = next((t for k, t in parts.values() if k == "officeDocument"), "xl/workbook.xml")
    sheets, since_1904 = _contents(archive, book)
    folder, file = posixpath.split(book)
    targets = _targets(archive, f"{folder}/_rels/{file}.rels".lstrip("/"))
    by_kind = {kind: target for kind, target in targets.values()}
    if not any(wanted(title) for title, _, _ in sheets):
        return [SheetXml(title, hidden, []) for title, hidden, _ in sheets]
    texts = _shared_texts(archive, by_kind.get("sharedStrings", ""))
    kinds = _style_kinds(archive, by_kind.get("styles", ""))
    found = []
    for title, hidden, link in sheets:
        kind, target = targets.get(link, ("", ""))
        rows: list[list[Cell]] = []
        if wanted(title) and kind == "worksheet":
            reader = _SheetReader(Place(file=name, sheet=title), texts, kinds, _DAYS[since_1904])
            parse_member(archive, target, reader.start, reader.end, reader.text)
            rows = reader.rows
        found.append(SheetXml(title, hidden, rows))
    return found


def _targets(archive: zipfile.ZipFile, member: str) -> dict[str, tuple[str, str]]:
    """Return what a relationships part points to: {id: (kind, member)}; nothing outside."""
    found: dict[str, tuple[str, str]] = {}
    folder = posixpath.dirname(posixpath.dirname(member))

    def start(tag: str, attributes: dict[str, str]) -> None:
        tag = LOCAL[tag]
        if tag == "Relationship" and attributes.get("TargetMode") != "External":
            path = attributes.get("Target", "").replace("\\", "/")
            path = path[1:] if path.startswith("/") else posixpath.join(folder, path)
            kind = attributes.get("Type", "").rpartition("/")[2]
            found[attributes.get("Id", "")] = (kind, posixpath.normpath(path))

    if member in archive.namelist():
        parse_member(archive, member, start, lambda _: None)
    return found


def _contents(archive: zipfile.ZipFile, book: str) -> tuple[list[tuple[str, bool, str]], bool]:
    """Return (title, hidden, id of its part) of every sheet, and whether days count from 1904."""
    sheets: list[tuple[str, bool, str]] = []
    since_1904 = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal since_1904
        tag = LOCAL[tag]
        if tag == "sheet":
            link = next((v for k, v in attributes.items() if k.endswith(":id")), "")
            hidden = attributes.get("state", "visible") != "visible"
            sheets.append((attributes.get("name", ""), hidden, link))
        elif tag == "workbookPr":
            since_1904 = attributes.get("date1904", "0") in ("1", "true")

    parse_member(archive, book, start, lambda _: None)
    return sheets, since_1904


def _shared_texts(archive: zipfile.ZipFile, member: str) -> list[str]:
    texts: list[str] = []
    parts: list[str] = []
    inside = phonetic = False

    def start(tag: str, _: dict[str, str]) -> None:
        nonlocal inside, phonetic
        tag = LOCAL[tag]
        if tag == "si":
            parts.clear()
        elif tag == "rPh":
            phonetic = True
        inside = tag == "t" and not phonetic

    def end(tag: str) -> None:
        nonlocal inside, phonetic
        tag = LOCAL[tag]
        inside = False
        if tag == "si":
            texts.append("".join(parts))
        elif tag == "rPh":
            phonetic = False

    if member:
        parse_member(archive, member, start, end, lambda t: parts.append(t) if inside else None)
    return texts


def _style_kinds(archive: zipfile.ZipFile, member: str) -> list[str]:
    """Return how each cell style shows a number: as it is, as a percentage, a date, ..."""
    codes: dict[int, str] = {}
    kinds: list[str] = []
    in_cells = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal in_cells
        tag = LOCAL[tag]
        if tag == "numFmt":
            codes[int(attributes["numFmtId"])] = attributes.get("formatCode", "")
        elif tag == "cellXfs":
            in_cells = True
        elif tag == "xf" and in_cells:
            number = int(attributes.get("numFmtId", "0"))
            kinds.append(
                format_kind(codes[number]) if number in codes else _BUILT_IN.get(number, PLAIN)
            )

    def end(tag: str) -> None:
        nonlocal in_cells
        tag = LOCAL[tag]
        in_cells = in_cells and tag != "cellXfs"

    if member:
        parse_member(archive, member, start, end)
    return kinds


class _SheetReader:
    """Handlers that collect the filled cells of one sheet.

    A large sheet has a million cells, and each passes five times through here: what the parser
    finds between two tags goes straight into a list, and a text that comes again is the same text.
    """

    def __init__(
        self, origin: Place, texts: Sequence[str], kinds: Sequence[str], day0: datetime
    ) -> None:
        self.origin, self.kinds, self.day0 = origin, kinds, day0
        self.texts = [cleaned(text) for text in texts]
        self.inline: dict[str, str | None] = {}
        self.rows: list[list[Cell]] = []
        self.line: list[Cell] = []
        self.cells = 0
        self.row = self.column = -1
        self.columns: dict[str, int] = {}
        self.phonetic = False
        self.parts: list[str] = []
        self.text = self.parts.append
        self.written = ""
        self.formula: str | None = None
        self.attributes: dict[str, str] = {}

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = LOCAL[tag]
        if tag == "c":
            self.attributes = attributes
            self.written, self.formula = "", None
        elif tag == "v" or tag == "t" or tag == "f":
            self.parts.clear()
        elif tag == "row":
            self.row = int(attributes["r"]) - 1 if "r" in attributes else self.row + 1
            self.column, self.line = -1, []
            self.parts.clear()
        elif tag == "rPh":
            self.phonetic = True

    def end(self, tag: str) -> None:
        tag = LOCAL[tag]
        if tag == "v" or tag == "t":
            if not self.phonetic or tag == "v":
                self.written += "".join(self.parts)
        elif tag == "c":
            where = self.attributes.get("r")
            self.column = self.column + 1 if where is None else self.column_of(where)
            if self.written or self.formula is not None:
                self.add()
        elif tag == "f":
            self.formula = "".join(self.parts)
        elif tag == "row":
            if self.line:
                self.rows.append(self.line)
                self.line = []
        elif tag == "rPh":
            self.phonetic = False

    def column_of(self, where: str) -> int:
        letters = where.rstrip("0123456789")
        found = self.columns.get(letters)
        if found is None:
            found = 0
            for letter in letters.upper():
                found = found * 26 + ord(letter) - ord("A") + 1
            self.columns[letters] = found = found - 1
        return found

    def add(self) -> None:
        value, problem = self.content(self.written)
        if value is not None or problem:
            self.cells += 1
            count_cells(self.cells)
            self.line.append(
                tuple.__new__(Cell, (value, self.origin, problem, self.row, self.column))
            )

    def content(self, written: str) -> tuple[CellValue, str]:
        """Return the value of a cell, and what is wrong with it."""
        kind = self.attributes.get("t", "n")
        if kind == "s":
            return self.texts[int(written)], ""
        if kind == "n" and written and not written.isspace():
            return self.number(float(written))
        if kind in ("str", "inlineStr"):  # a formula that came to an empty text is computed: blank
            if written not in self.inline:
                self.inline[written] = cleaned(written)
            return self.inline[written], ""
        if self.formula is not None and not written.strip():
            return None, (
                f"The cell holds a formula{f' (={self.formula})' if self.formula else ''} "
                f"{UNSAVED}; open the workbook in a spreadsheet program and save it, so that "
                "the value is stored."
            )
        if kind == "e":
            return None, f"The cell shows the error {written.strip()}."
        if kind == "b":
            return written.strip() in ("1", "true"), ""
        if kind == "d":
            return datetime.fromisoformat(written.strip()), ""
        if not written.strip():
            return None, ""
        return self.number(float(written))

    def number(self, value: float) -> tuple[CellValue, str]:
        style = self.attributes.get("s")
        kind = self.kinds[int(style)] if style is not None else PLAIN
        if kind == PLAIN:
            return value, ""
        if kind == PERCENT:
            return shown_percent(value), ""
        if kind == DATE:
            if not 0.0 <= value < _LAST_DAY:
                return None, f"The cell is formatted as a date, but holds {value:g}."
            return _moment(value, self.day0), ""
        how = "in thousands" if kind == THOUSANDS else "in several ways, depending on its size"
        assert kind in (THOUSANDS, MIXED)  # noqa: S101 - what other kinds are there
        return None, (
            f"The cell holds {value:.15g}, but its format shows it {how}; format it as a plain "
            "number."
        )


def _moment(value: float, day0: datetime) -> date | datetime | time:
    """Return the date or time that a serial number is shown as."""
    if value < 60.0 and day0 is _DAYS[False]:
        value += 1.0  # the 29 February 1900 that spreadsheets count never was
    moment = day0 + timedelta(days=value)
    moment = (moment + timedelta(microseconds=500_000)).replace(microsecond=0)
    if value < 2.0:
        return moment.time()
    return moment.date() if moment.time() == time() else moment
