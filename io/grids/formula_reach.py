"""Which computed cells of a workbook a change can reach, through however many formulas.

Told by columns: a formula that names any cell of a column is reached by a change in that column, so
that rows and shared formulas need not be followed. What cannot be told (INDIRECT, OFFSET, names
that nobody defines, tables of a spreadsheet program) counts as reached by everything.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from xml.parsers import expat
from xml.sax.saxutils import unescape

from oretally.flowsheet.circuit import fold_name
from oretally.io.files import (
    Meter,
    NotRead,
    archive_of,
    column_number,
    local_name,
    sheet_members,
)

__all__ = ["reached_sheets"]

_CELLS = re.compile(r"\$?([A-Z]{1,3})(?:\$?\d+)?(?::\$?([A-Z]{1,3})(?:\$?\d+)?)?", re.IGNORECASE)
_ROWS = re.compile(r"\$?\d+:\$?\d+")
_ADDRESS = re.compile(r"\$?([A-Z]{1,3})\$?\d+", re.IGNORECASE)
_DEFINED = re.compile(
    r"<(?:\w+:)?definedName\b[^>]*?\bname=\"([^\"]*)\"[^>]*>([^<]*)</(?:\w+:)?definedName>"
)
_ANYWHERE = ("INDIRECT(", "OFFSET(")
Column = tuple[str, int]  # folded title of the sheet, and column


@dataclass(frozen=True, slots=True)
class _Formula:
    """A formula in a column of a sheet; ``across`` if it is shared by several columns."""

    at: Column
    text: str
    across: bool


def reached_sheets(data: bytes, changed: Collection[tuple[str, int]]) -> frozenset[str]:
    """Return the folded titles of the sheets of which a computed cell is reached.

    Parameters
    ----------
    data : bytes
        A workbook (.xlsx).
    changed : collection of (str, int)
        Title of the sheet and column of each cell that is changed.

    Raises
    ------
    NotRead
        If a sheet declares a document type.
    """
    with archive_of(data) as archive:
        formulas = list(_formulas(archive))
        names = _names(archive)
    reads = [(formula, _read_by(formula, names, depth=0)) for formula in formulas]
    dirty = {(fold_name(title), column) for title, column in changed}
    reached: set[str] = set()
    before = -1
    while len(dirty) + len(reached) != before:
        before = len(dirty) + len(reached)
        for formula, columns in reads:
            if columns is None or any(_meets(each, dirty) for each in columns):
                reached.add(formula.at[0])
                dirty.add(formula.at)
    return frozenset(reached)


def _meets(span: tuple[str, int, int], dirty: Collection[Column]) -> bool:
    title, first, last = span
    return any(sheet == title and first <= column <= last for sheet, column in dirty)


def _formulas(archive: zipfile.ZipFile) -> Iterator[_Formula]:
    for title, _, member in sheet_members(archive, Meter()):
        if member and re.search(rb"<(\w+:)?f[ >/]", xml := archive.read(member)):
            yield from _in_sheet(xml, fold_name(title))


def _in_sheet(xml: bytes, title: str) -> list[_Formula]:
    found, at, inside = list[_Formula](), "", list[Any]()
    parser = expat.ParserCreate()
    shared: dict[str, _Formula] = {}

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal at
        name = local_name(tag)
        if name == "c":
            at = attributes.get("r", "")
        elif name == "f":
            inside[:] = [attributes, ""]

    def text(some: str) -> None:
        if inside:
            inside[1] += some

    def end(tag: str) -> None:
        if local_name(tag) != "f" or not inside:
            return
        attributes, written = inside
        inside.clear()
        place = _ADDRESS.fullmatch(at)
        column = column_number(place[1]) if place else -1
        spread = re.split(":", attributes.get("ref", at))
        ends = {m[1].upper() for each in spread if (m := _ADDRESS.fullmatch(each))}
        one = _Formula((title, column), written, len(ends) > 1 or not place)
        number = attributes.get("si", "")
        if attributes.get("t") == "shared" and not written:
            of = shared.get(number)
            one = _Formula((title, column), of.text if of else "", of is None or of.across)
        shared.setdefault(number, one)
        found.append(one)

    def refuse(*_: object) -> None:
        raise NotRead("The workbook declares XML entities.", "Take it from its source anew.")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = refuse
    parser.Parse(xml, True)
    return found


def _names(archive: zipfile.ZipFile) -> dict[str, str]:
    book = "xl/workbook.xml"
    if book not in archive.namelist():
        return {}
    xml = archive.read(book).decode("utf-8", "replace")
    return {unescape(name).casefold(): unescape(text) for name, text in _DEFINED.findall(xml)}


def _read_by(
    formula: _Formula, names: Mapping[str, str], *, depth: int
) -> list[tuple[str, int, int]] | None:
    """Return the columns that a formula reads, as spans of a sheet; None if that is not known."""
    from openpyxl.formula import Tokenizer

    if formula.across or depth > 8:
        return None
    try:
        tokens = Tokenizer(f"={formula.text.lstrip('=')}").items
    except Exception:  # whatever a formula of another program provokes
        return None
    spans: list[tuple[str, int, int]] = []
    for token in tokens:
        if token.type == "FUNC" and token.value.upper().removeprefix("_XLFN.") in _ANYWHERE:
            return None
        if token.type != "OPERAND" or token.subtype != "RANGE":
            continue
        sheet, _, cells = token.value.rpartition("!")
        title = fold_name(sheet.strip("'").replace("''", "'")) if sheet else formula.at[0]
        span, rows = _CELLS.fullmatch(cells), _ROWS.fullmatch(cells)
        if "[" in token.value or "#" in token.value:
            return None
        if rows:
            spans.append((title, 0, 1 << 20))
        elif span and (span[2] or _ADDRESS.fullmatch(cells)):
            first = column_number(span[1])
            spans.append((title, first, column_number(span[2]) if span[2] else first))
        elif cells.casefold() in names:
            named = _Formula(formula.at, names[cells.casefold()], across=False)
            more = _read_by(named, names, depth=depth + 1)
            if more is None:
                return None
            spans += more
        else:
            return None
    return spans
