"""A table as it was written: cells with their addresses, before any meaning."""

from __future__ import annotations

import gc
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import PurePath
from typing import NamedTuple

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.foreign_text import INVISIBLE, shown, unreadable_character
from oretally.io.files.budget import BUDGET

__all__ = [
    "EMPTY", "NO_ROWS", "UNSAVED", "Cell", "CellValue", "Table", "address", "cell_at", "cleaned",
    "collection_paused", "column_number", "filled_columns", "key_of", "make_table",
]  # fmt: skip

UNSAVED = "without a saved value"  # of a formula, in the problem of its cell
EMPTY, NO_ROWS = "The table is empty.", "The table has a header but no rows."

CellValue = str | float | bool | None | object

# the column without which a table cannot be: the row that names it is the header
_KEYS = {
    "circuit": "stream", "measurements": "stream", "sizes": "stream", "nodes": "node",
    "analytes": "analyte", "errors": "quantity", "doubts": "quantity", "containers": "container",
    "report": "key", "lab": "analyte",
    "sources": "source", "lab columns": "setting", "metallics": "fraction", "stocks": "node",
    "losses": "node", "reagents": "reagent",
}  # fmt: skip
_ADDRESS = re.compile(r"([A-Z]{1,3})([1-9][0-9]*)")
_INVISIBLE = re.compile(f"[{INVISIBLE}]")
_NUMBER_OR_AMOUNT = re.compile(
    r"[<>]?\s*[+\N{MINUS SIGN}-]?(\d[\d\s]*([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?"
    r"\s*([^\d\s.,:/-]\S{0,7})?"
)


class Cell(NamedTuple):
    """One cell; a tuple, because a large table has a million of them.

    Attributes
    ----------
    value : object
        Text, number, bool, date, or None where blank.
    origin : Place
        File and sheet; the whole place if ``row`` is negative.
    problem : str
        What the file format itself found wrong with the cell, else empty.
    row, column : int
        Position in the sheet, counted from 0.
    """

    value: CellValue
    origin: Place
    problem: str = ""
    row: int = -1
    column: int = -1

    @property
    def place(self) -> Place:
        """File, sheet and address."""
        return self.place_of()

    def place_of(self, stream: str = "", quantity: str = "") -> Place:
        """Return its place as that of a number of a stream."""
        if self.row < 0:
            return self.origin.about(stream=stream, quantity=quantity)
        return Place(
            self.origin.file, self.origin.sheet, address(self.row, self.column), None, stream,
            quantity,
        )  # fmt: skip

    @property
    def text(self) -> str:
        """The content as text, trimmed; empty where blank."""
        value = self.value
        if type(value) is str:
            return " ".join(value.split())
        if value is None:
            return ""
        if isinstance(value, float) and value.is_integer():
            return str(int(value))
        return " ".join(str(value).split())

    @property
    def uncomputed(self) -> bool:
        """True if it holds a formula whose value was not saved."""
        return UNSAVED in self.problem

    @property
    def blank(self) -> bool:
        """True if nothing was written."""
        value = self.value
        if type(value) is float:  # most cells of a large table
            return False
        if type(value) is str:
            return not (self.problem or value.strip())
        return not self.problem and (value is None or self.text == "")


@dataclass(frozen=True, slots=True)
class Table:
    """A header and rows of cells, each row as long as the header.

    Attributes
    ----------
    place : Place
        File and sheet.
    header : tuple of Cell
        Columns in which nothing stands at all are left out.
    rows : tuple of tuple of Cell
        Blank rows are left out.
    decimal : str
        Decimal mark of numbers that are written as text, '.' or ','.
    undecided : bool
        True if commas in numbers can be read in two ways and nothing in the file decides.
    """

    place: Place
    header: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    decimal: str = "."
    undecided: bool = False


def address(row: int, column: int) -> str:
    """Return the spreadsheet address of a cell, both counted from 0.

    Examples
    --------
    >>> address(2, 28)
    'AC3'
    """
    return f"{_letters(column)}{row + 1}"


def cell_at(address: str) -> tuple[int, int] | None:
    """Return row and column of a cell, counted from 0; None if it is no address.

    Examples
    --------
    >>> cell_at("AC3"), cell_at("option --without")
    ((2, 28), None)
    """
    match = _ADDRESS.fullmatch(address)
    return None if match is None else (int(match[2]) - 1, column_number(match[1]))


def column_number(letters: str) -> int:
    """Return a column by its letters, capitals or not, counted from 0.

    Examples
    --------
    >>> column_number("A"), column_number("ac")
    (0, 28)
    """
    found = 0
    for letter in letters.upper():
        found = 26 * found + ord(letter) - ord("A") + 1
    return found - 1


@lru_cache(maxsize=256)
def _letters(column: int) -> str:
    letters = ""
    number = column + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def cleaned(text: str) -> str | None:
    """Return a text without surrounding space and invisible characters; None if nothing is left.

    Examples
    --------
    >>> cleaned(" feed" + chr(0x200B)), cleaned(chr(0xA0))
    ('feed', None)
    """
    if not text.isascii():
        text = _INVISIBLE.sub("", text)
    return text.strip() or None


@contextmanager
def collection_paused() -> Iterator[None]:
    """Pause the search for rings of references: a million new cells, none of which is in one."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def key_of(name: str) -> str:
    """Return the column that tells the header of a sheet or CSV file; empty if any row may be it.

    Examples
    --------
    >>> key_of("measurements.csv"), key_of(" Nodes"), key_of("other")
    ('stream', 'node', '')
    """
    name = name[:-4] if name.casefold().endswith(".csv") else name
    return _KEYS.get(" ".join(PurePath(name).name.split()).casefold(), "")


def filled_columns(place: Place, rows: list[list[Cell]]) -> list[list[Cell]] | Fault:
    """Return rows of filled cells as lines of one length, without the columns that are empty.

    A sheet with a stray cell in its last column is then no wider than its table.
    """
    columns = sorted({cell.column for row in rows for cell in row})
    if len(rows) * len(columns) > BUDGET.cells:
        return Fault(
            f"The table has {len(rows):,} rows and {len(columns):,} columns; no more than "
            f"{BUDGET.cells:,} cells are read, blank ones counted.",
            "Copy what matters into a table of its own.",
            place,
        )
    if all(len(row) == len(columns) for row in rows):
        return rows
    lines = []
    for row in rows:
        if row:
            at = {cell.column: cell for cell in row}
            i = row[0].row
            lines.append([at.get(j) or Cell(None, place, "", i, j) for j in columns])
    return lines


def make_table(
    place: Place,
    lines: Sequence[Sequence[Cell]],
    *,
    key: str = "",
    decimal: str = ".",
    undecided: bool = False,
) -> tuple[Table | None, list[Fault]]:
    """Find the header and take what stands below it as rows.

    Parameters
    ----------
    place : Place
    lines : sequence of sequence of Cell
        The n-th cells of all lines are one column.
    key : str
        The header is the first line in which a cell reads so; the first line that is not blank if
        there is none, or no key. Lines above it are titles: text, dates. A number there may be
        data, and is a fault.
    decimal, undecided
        As in `Table`.

    Returns
    -------
    table : Table or None
        None if there is no header.
    faults : list of Fault
        Cells without a header, numbers above it, and a table without rows.
    """
    filled = [line for line in lines if any(not cell.blank for cell in line)]
    if not filled:
        return None, [Fault(EMPTY, "Write a header and one row a stream.", place)]
    top = _header_line(filled, key)
    faults = [*_unreadable(filled), *_data_above(filled[:top], filled[top])]
    below = filled[top + 1 :]
    width = max(len(line) for line in filled)
    headed = [j for j, cell in enumerate(filled[top]) if not cell.blank]
    bare = sorted(set(range(width)) - set(headed))
    faults.extend(_without_header(below, bare) if bare else ())
    if bare or any(len(line) != width for line in below):
        nothing = Cell(None, place)
        below = [[line[j] if j < len(line) else nothing for j in headed] for line in below]
    if not below:
        faults.append(Fault(NO_ROWS, "Write one row a stream.", place))
    rows = tuple(tuple(line) for line in below if not bare or any(not cell.blank for cell in line))
    return Table(place, tuple(filled[top][j] for j in headed), rows, decimal, undecided), faults


def _unreadable(lines: Sequence[Sequence[Cell]]) -> list[Fault]:
    """Refuse characters that cannot be seen or change what is seen, with the first cell."""
    found = [
        (c, wrong) for line in lines for c in line
        if type(c.value) is str and not c.value.isprintable()  # quick, and true of all others
        and (wrong := unreadable_character(c.value))
    ]  # fmt: skip
    if not found:
        return []
    cell, wrong = found[0]
    more = f" (and {len(found) - 1} more cells have such)" if len(found) > 1 else ""
    return [
        Fault(f"'{shown(str(cell.value))}' has the character {wrong}{more}.",
              "Take it out: it cannot be seen, or changes what is seen.", cell.place)
    ]  # fmt: skip


def _header_line(filled: Sequence[Sequence[Cell]], key: str) -> int:
    """Return the position of the first line that holds the key; 0 if none does."""
    if key:
        for i, line in enumerate(filled):
            if any(type(cell.value) is str and cell.text.casefold() == key for cell in line):
                return i
    return 0


def _data_above(titles: Sequence[Sequence[Cell]], header: Sequence[Cell]) -> list[Fault]:
    """Refuse numbers above the header: they may be data that a moved row took there."""
    at = next(cell.place.cell for cell in header if not cell.blank)
    faults = []
    for line in titles:
        cells = [cell for cell in line if not cell.blank]
        for cell in cells:
            if _is_number(cell, alone=len(cells) == 1):
                faults.append(
                    Fault(
                        f"'{cell.text or cell.problem}' stands above the header ({at}); titles "
                        "there are skipped, but a number may be data.",
                        "Move the row below the header, or clear the cell.",
                        cell.place,
                    )
                )
                break
    return faults


def _is_number(cell: Cell, *, alone: bool) -> bool:
    if cell.problem or (isinstance(cell.value, int | float)):
        return True
    match = _NUMBER_OR_AMOUNT.fullmatch(cell.text) if isinstance(cell.value, str) else None
    # '4 kg test' is a title, '25.4 kg' in a cell beside others may be data
    return match is not None and not (alone and match[4])


def _without_header(below: Sequence[Sequence[Cell]], bare: Sequence[int]) -> list[Fault]:
    """Refuse cells in columns that have no header, one fault a column."""
    faults = []
    for j in bare:
        found = [line[j] for line in below if j < len(line) and not line[j].blank]
        if not found:
            continue
        more = f" (and {len(found) - 1} more below it)" if len(found) > 1 else ""
        shown = found[0].text or found[0].problem
        faults.append(
            Fault(
                f"'{shown}' stands in a column without a header{more}.",
                "Give the column a header, or clear the cell. A decimal comma in a "
                "comma-separated file also moves cells to the right: write 12.5, or separate by "
                "semicolons.",
                found[0].place,
            )
        )
    return faults
