"""A table as it was written: cells with their addresses, before any meaning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import Fault, Place

__all__ = ["Cell", "CellValue", "Table", "address", "make_table"]

CellValue = str | float | bool | None | object


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell.

    Attributes
    ----------
    value : object
        Text, number, bool, date, or None where blank.
    place : Place
        File, sheet and address.
    problem : str
        What the file format itself found wrong with the cell, else empty.
    """

    value: CellValue
    place: Place
    problem: str = ""

    @property
    def text(self) -> str:
        """The content as text, trimmed; empty where blank."""
        if self.value is None:
            return ""
        if isinstance(self.value, float) and self.value.is_integer():
            return str(int(self.value))
        return " ".join(str(self.value).split())

    @property
    def blank(self) -> bool:
        """True if nothing was written."""
        return self.text == "" and not self.problem


@dataclass(frozen=True, slots=True)
class Table:
    """A header and rows of cells, each row as long as the header.

    Attributes
    ----------
    place : Place
        File and sheet.
    header : tuple of Cell
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
    letters = ""
    number = column + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row + 1}"


def make_table(
    place: Place,
    lines: Sequence[Sequence[Cell]],
    *,
    decimal: str = ".",
    undecided: bool = False,
) -> tuple[Table | None, list[Fault]]:
    """Take the first line that is not blank as the header and the others as rows.

    Returns
    -------
    table : Table or None
        None if there is no header.
    faults : list of Fault
        Cells beyond the header, and a table without rows.
    """
    filled = [line for line in lines if any(not cell.blank for cell in line)]
    if not filled:
        return None, [Fault("The table is empty.", "Write a header and one row a stream.", place)]
    header = list(filled[0])
    while header and header[-1].blank:
        header.pop()
    width = len(header)
    faults: list[Fault] = []
    rows = []
    for line in filled[1:]:
        faults.extend(
            Fault(
                f"'{cell.text}' stands in a column without a header.",
                "Give the column a header, or clear the cell; a comma too many in the row "
                "also moves cells to the right.",
                cell.place,
            )
            for cell in line[width:]
            if not cell.blank
        )
        missing = [Cell(None, place)] * (width - len(line))
        rows.append((*line[:width], *missing))
    if not rows:
        faults.append(
            Fault("The table has a header but no rows.", "Write one row a stream.", place)
        )
    return Table(place, tuple(header), tuple(rows), decimal, undecided), faults
