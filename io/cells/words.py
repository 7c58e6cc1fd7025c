"""Words that laboratories and samplers write in place of numbers, each with its one meaning.

Common practice, no source; what is used with two meanings is refused with both.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from oretally.flowsheet import Unit, UnitError, is_unit
from oretally.io.files import Cell

__all__ = [
    "BELOW", "NOT_MEASURED", "TWO_WAYS", "OwnUnit", "folded_word", "in_own_unit", "with_own_unit",
]  # fmt: skip

NOT_MEASURED = {
    "n.s.": "no sample was taken", "ns": "no sample was taken", "no sample": "no sample was taken",
    "n/a": "it was not assayed", "na": "it was not assayed", "n.a.": "it was not assayed",
    "not assayed": "it was not assayed", "i.s.": "there was too little sample",
    "is": "there was too little sample", "nss": "there was too little sample",
    "lnr": "the sample was not received",
    "insufficient sample": "there was too little sample", "lost": "the sample was lost",
    "-": "nothing was measured", "--": "nothing was measured",
    "\N{EN DASH}": "nothing was measured", "not measured": "nothing was measured",
}  # fmt: skip
"""Words that leave a value unmeasured."""

BELOW = {
    "trace", "traces", "tr", "tr.", "nil", "bdl", "b.d.l.", "<dl", "< dl", "below detection",
    "not detected",
}  # fmt: skip
"""Words for a grade between 0 and the detection limit."""

TWO_WAYS = {
    "n.d.": ("not detected", "not determined"), "nd": ("not detected", "not determined"),
    "n/d": ("not detected", "not determined"),
}  # fmt: skip
"""Words that are used with two meanings."""

_NUMBER_AND_UNIT = re.compile(
    r"(?P<number>[<>]?\s*[+-]?(?:\d[\d.,]*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>[^\d\s.,].*)"
)


@dataclass(frozen=True, slots=True)
class OwnUnit:
    """A cell that names its own unit: the number, as a cell of the same place, and the unit."""

    number: Cell
    unit: str


def folded_word(cell: Cell) -> str:
    """Return the text of a cell as it is looked up in the words above."""
    return cell.text.casefold()


def with_own_unit(cell: Cell) -> OwnUnit | None:
    """Return the parts of a cell such as '0.31 ozt/st'; None if it is anything else."""
    if not isinstance(cell.value, str) or cell.problem:
        return None
    match = _NUMBER_AND_UNIT.fullmatch(cell.text)
    if match is None:
        return None
    return OwnUnit(Cell(match["number"].strip(), cell.place), match["unit"].strip())


def in_own_unit(cell: Cell, unit: Unit, unit_of: Callable[[str], Unit]) -> tuple[Cell, Unit]:
    """Return the number of a cell and its unit: the one that the cell names, else ``unit``.

    Parameters
    ----------
    cell : Cell
    unit : Unit
        Of the column.
    unit_of : callable
        Returns the unit of a spelling, as the quantity takes it; raises UnitError.

    Raises
    ------
    UnitError
        If the unit in the cell has several readings, or is of something else. What is no unit at
        all is left in the cell, for the number to be refused as it stands.
    """
    own = with_own_unit(cell)
    if own is None:
        return cell, unit
    try:
        return own.number, unit_of(own.unit)
    except UnitError as error:
        if error.readings or is_unit(own.unit):
            raise
        return cell, unit
