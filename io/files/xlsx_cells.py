"""Cells of .xlsx sheets in one pass: saved values, formulas without one, and how they are shown.

Office Open XML, ECMA-376 part 1, 18.3 (sheets), 18.4 (shared strings), 18.8 (styles).
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time, timedelta

from oretally.flowsheet import Place
from oretally.io.files.budget import Meter, NotRead
from oretally.io.files.number_formats import (
    DATE,
    MIXED,
    PERCENT,
    PLAIN,
    THOUSANDS,
    UNSEEN,
    format_kind,
)
from oretally.io.files.table import UNSAVED, Cell, CellValue, cleaned, column_number
from oretally.io.files.workbook_xml import (
    MemberReader,
    SheetXml,
    parse_member,
    shown_percent,
)

__all__ = ["cell_style_kinds", "sheet_members", "xlsx_sheets"]

_BUILT_IN = dict.fromkeys((9, 10), PERCENT) | dict.fromkeys(
    (*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)), DATE
)  # ECMA-376 part 1, 18.8.30
_DAYS = {False: datetime(1899, 12, 30), True: datetime(1904, 1, 1)}  # day 0, by "1904 dates"
_SHOWN = {THOUSANDS: "in thousands", MIXED: "in several ways, depending on its size"}
_COLUMN = re.compile("[A-Za-z]{1,3}")
_LONG = 1_000  # characters of a cell; from there on they are counted as they come
_LAST_DAY = 2_958_466  # 31 December 9999 has passed


def xlsx_sheets(
    archive: zipfile.ZipFile, name: str, wanted: Callable[[str], bool], meter: Meter
) -> list[SheetXml]:
    """Return the wanted sheets of a workbook.

    Parameters
    ----------
    archive : ZipFile
    name : str
        How the user knows the file.
    wanted : callable
        Tells by its title whether a sheet is read; the cells of others are not looked at.
    meter : Meter
    """
    book, targets = _book(archive, meter)
    sheets, since_1904 = _contents(archive, book, meter)
    by_kind = {kind: target for kind, target in targets.values()}
    if not any(wanted(title) for title, _, _ in sheets):
        return [SheetXml(title, hidden, []) for title, hidden, _ in sheets]
    texts = _shared_texts(archive, by_kind.get("sharedStrings", ""), meter)
    kinds = _style_kinds(archive, by_kind.get("styles", ""), meter)
    found = []
    for title, hidden, link in sheets:
        kind, target = targets.get(link, ("", ""))
        sheet = SheetXml(title, hidden, [])
        if wanted(title) and not kind:
            raise KeyError(link)  # its cells are nowhere
        if wanted(title) and kind == "worksheet":
            place = Place(file=name, sheet=title)
            reader = _SheetReader(place, texts, kinds, _DAYS[since_1904], meter)
            parse_member(archive, target, meter, reader)
            sheet.rows, sheet.hidden_row = reader.rows, reader.hidden_row
            sheet.hidden_columns = reader.hidden_columns
        found.append(sheet)
    return found


def _book(archive: zipfile.ZipFile, meter: Meter) -> tuple[str, dict[str, tuple[str, str]]]:
    """Return the member that lists the sheets, and what it points to."""
    parts = _targets(archive, "_rels/.rels", meter)
    book = next((t for k, t in parts.values() if k == "officeDocument"), "xl/workbook.xml")
    folder, file = posixpath.split(book)
    return book, _targets(archive, f"{folder}/_rels/{file}.rels".lstrip("/"), meter)


def sheet_members(archive: zipfile.ZipFile, meter: Meter) -> list[tuple[str, bool, str]]:
    """Return title, whether it is hidden, and member of each sheet; '' where it has no cells."""
    book, targets = _book(archive, meter)
    found = ((title, hidden, targets.get(link, ("", ""))) for title, hidden, link in
             _contents(archive, book, meter)[0])  # fmt: skip
    return [(title, hidden, member if kind == "worksheet" else "")
            for title, hidden, (kind, member) in found]  # fmt: skip


def cell_style_kinds(archive: zipfile.ZipFile, meter: Meter) -> dict[str, str]:
    """Return how each cell style shows a number, as in `number_formats`."""
    by_kind = {kind: target for kind, target in _book(archive, meter)[1].values()}
    return _style_kinds(archive, by_kind.get("styles", ""), meter)


def _targets(archive: zipfile.ZipFile, member: str, meter: Meter) -> dict[str, tuple[str, str]]:
    """Return what a relationships part points to: {id: (kind, member)}; nothing outside."""
    found: dict[str, tuple[str, str]] = {}
    folder = posixpath.dirname(posixpath.dirname(member))

    def start(tag: str, attributes: dict[str, str]) -> None:
        if tag == "Relationship" and attributes.get("TargetMode") != "External":
            path = attributes.get("Target", "").replace("\\", "/")
            path = path[1:] if path.startswith("/") else posixpath.join(folder, path)
            kind = attributes.get("Type", "").rpartition("/")[2]
            found[attributes.get("Id", "")] = (kind, posixpath.normpath(path))

    if member in archive.namelist():
        parse_member(archive, member, meter, MemberReader(start))
    return found


def _contents(
    archive: zipfile.ZipFile, book: str, meter: Meter
) -> tuple[list[tuple[str, bool, str]], bool]:
    """Return (title, hidden, id of its part) of every sheet, and whether days count from 1904."""
    sheets: list[tuple[str, bool, str]] = []
    since_1904 = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal since_1904
        if tag == "sheet":
            link = next((v for k, v in attributes.items() if k.endswith(":id")), "")
            hidden = attributes.get("state", "visible") != "visible"
            title = attributes.get("name", "")
            meter.charge_sheet(title)
            sheets.append((title, hidden, link))
        elif tag == "workbookPr":
            since_1904 = attributes.get("date1904", "0") in ("1", "true")

    parse_member(archive, book, meter, MemberReader(start))
    return sheets, since_1904


def _shared_texts(archive: zipfile.ZipFile, member: str, meter: Meter) -> list[str]:
    texts: list[str] = []
    text, phonetic = "", False

    def start(tag: str, _: dict[str, str]) -> None:
        nonlocal text, phonetic
        if tag == "si":
            text = ""
        elif tag == "rPh":
            phonetic = True

    def end(tag: str) -> None:
        nonlocal text, phonetic
        if tag == "t" and not phonetic:
            text += "".join(reader.parts)
            meter.charge_text(len(text))
        elif tag == "si":
            texts.append(text)
        elif tag == "rPh":
            phonetic = False

    reader = MemberReader(start, end)
    if member:
        parse_member(archive, member, meter, reader)
    return texts


def _style_kinds(archive: zipfile.ZipFile, member: str, meter: Meter) -> dict[str, str]:
    """Return how each cell style shows a number: as it is, as a percentage, a date, ..."""
    codes: dict[int, str] = {}
    kinds: dict[str, str] = {}
    in_cells = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal in_cells
        if tag == "numFmt":
            codes[int(attributes["numFmtId"])] = attributes.get("formatCode", "")
        elif tag == "cellXfs":
            in_cells = True
        elif tag == "xf" and in_cells:
            number = int(attributes.get("numFmtId", "0"))
            meter.charge_style(codes.get(number, ""))
            kinds[str(len(kinds))] = (
                format_kind(codes[number]) if number in codes else _BUILT_IN.get(number, PLAIN)
            )

    def end(tag: str) -> None:
        nonlocal in_cells
        in_cells = in_cells and tag != "cellXfs"

    if member:
        parse_member(archive, member, meter, MemberReader(start, end))
    return kinds


class _SheetReader(MemberReader):
    """Handlers that collect the filled cells of one sheet.

    A large sheet has a million cells, and each passes five times through here: what the parser
    finds between two tags goes straight into a list, and a text that comes again is the same text.
    """

    def __init__(
        self, origin: Place, texts: Sequence[str], kinds: Mapping[str, str], day0: datetime,
        meter: Meter,
    ) -> None:  # fmt: skip
        self.origin, self.kinds, self.day0, self.meter = origin, kinds, day0, meter
        self.depth, self.parts, self.names = 0, [], {}
        self.texts = [cleaned(text) for text in texts]
        self.inline: dict[str, str | None] = {}
        self.rows: list[list[Cell]] = []
        self.line: list[Cell] = []
        self.characters = 0
        self.row = self.column = -1
        self.columns: dict[str, int] = {}
        self.row_hidden, self.hidden_row = False, -1
        self.hidden_columns: list[range] = []
        self.phonetic = False
        self.written = ""
        self.formula: str | None = None
        self.attributes: dict[str, str] = {}

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = self.names.get(tag) or self.named(tag)
        self.depth += 1
        if tag == "c":
            self.attributes = attributes
            self.written, self.formula = "", None
            return
        self.parts.clear()
        if tag == "row":
            self.row_hidden = attributes.get("hidden") in ("1", "true")
            self.next_row(attributes.get("r"))
        elif tag == "rPh":
            self.phonetic = True
        elif tag == "col" and attributes.get("hidden") in ("1", "true"):
            columns = range(int(attributes["min"]) - 1, int(attributes["max"]))
            self.hidden_columns.append(columns)

    def end(self, tag: str) -> None:
        tag = self.names.get(tag) or self.named(tag)
        self.depth -= 1
        if tag == "v" or tag == "t":
            if not self.phonetic or tag == "v":
                self.written += "".join(self.parts)
                if len(self.written) > _LONG:
                    self.meter.charge_text(len(self.written))
        elif tag == "c":
            where = self.attributes.get("r")
            self.column = self.next_column() if where is None else self.column_of(where)
            if self.written or self.formula is not None:
                self.add()
        elif tag == "f":
            self.formula = "".join(self.parts)
        elif tag == "row":
            if self.line:
                self.meter.charge_cells(len(self.line), self.characters)
                if self.row_hidden and self.hidden_row < 0:
                    self.hidden_row = self.row
                self.rows.append(self.line)
                self.line, self.characters = [], 0
        elif tag == "rPh":
            self.phonetic = False

    def next_row(self, number: str | None) -> None:
        """Go to a row, by its number counted from 1, or to the next one."""
        row = self.row + 1 if number is None else int(number) - 1
        if row <= self.row:
            raise self.misplaced(f"row {number}")
        self.meter.charge_position(row, 0)
        self.row, self.column, self.line, self.characters = row, -1, [], 0

    def next_column(self) -> int:
        """Return the column of a cell without an address."""
        self.meter.charge_position(max(self.row, 0), self.column + 1)
        return self.column + 1

    def column_of(self, where: str) -> int:
        """Return the column of an address, counted from 0."""
        letters = where.rstrip("0123456789")
        found = self.columns.get(letters)
        if found is None:
            if not _COLUMN.fullmatch(letters):
                raise self.misplaced(f"'{where[:20]}'")
            found = column_number(letters)
            self.meter.charge_position(max(self.row, 0), found)
            self.columns[letters] = found
        if found <= self.column:
            raise self.misplaced(f"'{where}'")
        return found

    def misplaced(self, what: str) -> NotRead:
        """Return the refusal of a cell or row that cannot be where it says."""
        after = f" after row {self.row + 1}" if self.row >= 0 else ""
        return NotRead(
            f"The sheet '{self.origin.sheet}' is damaged: {what} stands{after}, and is no address "
            "that can follow there.",
            "Open the workbook in a spreadsheet program and save it anew.",
        )

    def add(self) -> None:
        value, problem = self.content(self.written)
        if value is not None or problem:
            if type(value) is str:
                self.characters += len(value)
            self.line.append(
                tuple.__new__(Cell, (value, self.origin, problem, self.row, self.column))
            )

    def content(self, written: str) -> tuple[CellValue, str]:
        """Return the value of a cell, and what is wrong with it."""
        kind = self.attributes.get("t", "n")
        if kind == "s":
            return self.texts[_position(written)], ""
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
        kind = self.kinds[style] if style is not None else PLAIN
        if kind == PLAIN:
            return value, ""
        if kind == PERCENT:
            return shown_percent(value), ""
        if kind == DATE:
            if not 0.0 <= value < _LAST_DAY:
                return None, f"The cell is formatted as a date, but holds {value:g}."
            return _moment(value, self.day0), ""
        if kind == UNSEEN:
            return None, (
                f"The cell holds {value:.15g}, but its format shows nothing; format it as a plain "
                "number, or clear it."
            )
        return None, (
            f"The cell holds {value:.15g}, but its format shows it {_SHOWN[kind]}; format it as a "
            "plain number."
        )


def _position(written: str) -> int:
    """Return the place of a shared text, counted from 0."""
    position = int(written)
    if position < 0:
        raise IndexError(written)
    return position


def _moment(value: float, day0: datetime) -> date | datetime | time:
    """Return the date or time that a serial number is shown as."""
    if value < 60.0 and day0 is _DAYS[False]:
        value += 1.0  # the 29 February 1900 that spreadsheets count never was
    moment = day0 + timedelta(days=value)
    moment = (moment + timedelta(microseconds=500_000)).replace(microsecond=0)
    if value < 2.0:
        return moment.time()
    return moment.date() if moment.time() == time() else moment
