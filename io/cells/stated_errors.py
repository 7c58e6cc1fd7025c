"""Cells of stated errors: a number in the unit of its column, or with a unit of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from oretally.flowsheet import Fault, Place, Unit, UnitError
from oretally.flowsheet.digits import format_number
from oretally.io.cells.headers import is_relative
from oretally.io.cells.number_range import LARGEST_NUMBER, range_fault
from oretally.io.cells.numbers import plain_number, read_number
from oretally.io.cells.words import OwnUnit, in_own_unit, with_own_unit
from oretally.io.files import Cell, Table

__all__ = ["ErrorColumn", "StatedError", "error_of_nothing", "error_without_column",
           "error_without_value", "percent_refused", "read_row_error",
           "read_stated_error"]  # fmt: skip

_PERCENT = {"%", "pct", "percent"}  # not 'wt%': that is a grade, and nothing else


@dataclass(frozen=True, slots=True)
class StatedError:
    """One standard deviation as a row states it; without a unit it is in percent of the value."""

    number: float
    unit: Unit | None

    def sd(self, value: float, unit: Unit) -> float:
        """Return the sd of a value, in the unit of the value."""
        if self.unit is None:
            return self.number / 100.0 * value
        if self.unit is unit:
            return self.number
        return unit.from_base(self.unit.to_base(self.number))


@dataclass(frozen=True, slots=True)
class ErrorColumn:
    """What says how a cell with an error is read.

    Attributes
    ----------
    unit : Unit or None
        Of the column; None for percent of the value.
    value : Unit
        That of the value.
    unit_of : callable
        Returns the unit of a spelling, as the quantity takes it; raises UnitError.
    """

    unit: Unit | None
    value: Unit
    unit_of: Callable[[str], Unit]


def read_stated_error(
    cell: Cell, table: Table, place: Place, column: ErrorColumn, *, instead: str = ""
) -> StatedError | Fault:
    """Return what a cell states, or what is wrong with it.

    A unit in the cell goes before that of the column. A bare percent sign is taken as percent of
    the value only in a column of that, and only if the value itself is not in percent.

    Parameters
    ----------
    cell : Cell
        Not blank.
    table : Table
        Its table, for the decimal mark.
    place : Place
    column : ErrorColumn
    instead : str
        What would stand in for a blank cell, for the message.
    """
    number, unit = cell, column.unit
    own = with_own_unit(cell)
    if own is not None and own.unit.casefold() in _PERCENT:
        refused = percent_refused(cell, own, table, place, column)
        if refused is not None:
            return refused
        number = own.number
    elif own is not None and is_relative(own.unit):
        number, unit = own.number, None
    elif own is not None:
        try:
            number, unit = _in_own_unit(cell, column)
        except UnitError as error:
            return Fault(error.problem, error.mend, place)
    read = read_number(number, table, place, "stated error")
    if isinstance(read, Fault):
        return read
    if read.value > LARGEST_NUMBER:
        return range_fault("stated error", cell.text, place)
    if read.value <= 0.0 or read.below or read.above:
        return Fault(
            f"The stated error is {cell.text}; it must be above 0.",
            f"Enter one standard deviation, or leave the cell blank{instead}.", place,
        )  # fmt: skip
    return StatedError(read.value, unit)


def read_row_error(
    cell: Cell, table: Table, *, unit: Unit | None, value: Unit, unit_of: Callable[[str], Unit],
    stream: str, quantity: str, instead: Callable[[], str] = str,
) -> StatedError | Fault:  # fmt: skip
    """Return the error that stands beside a value, or what is wrong with it.

    Parameters
    ----------
    cell : Cell
        Not blank.
    table : Table
    unit, value, unit_of :
        As in `ErrorColumn`.
    stream, quantity : str
        Of the value.
    instead : callable
        Returns what would stand in for a blank cell; asked only if something is wrong.
    """
    plain = plain_number(cell)
    if plain is not None and 0.0 < plain <= LARGEST_NUMBER:
        return StatedError(plain, unit)
    place, column = cell.place_of(stream, quantity), ErrorColumn(unit, value, unit_of)
    return read_stated_error(cell, table, place, column, instead=instead())


def error_of_nothing(place: Place) -> Fault:
    """Return the refusal of the sd 0 that a relative error gives a value of 0."""
    return Fault("The value is 0 and its error is stated in percent of the value, which is 0 too.",
                 "State an absolute error for it,\nor leave the cell empty if it was not measured: "
                 "0 means that there was none.", place)  # fmt: skip


def error_without_column(column: Cell, of: str = "", mend: str = "") -> Fault:
    """Return the refusal of a ± column that goes with no other; ``of`` is the name it gives."""
    named = f"column '{of}'" if of else "column"
    return Fault(f"The error column '{column.text}' has no {named} to go with it.",
                 mend or "Add it, or correct the name.", column.place)  # fmt: skip


def error_without_value(error: Cell | None, place: Place) -> list[Fault]:
    """Refuse an error beside a blank cell, whose place is given; none if it is blank too."""
    if error is None or error.blank:
        return []
    own = error.place.about(stream=place.stream, quantity=place.quantity)
    return [Fault("There is an error but no value.", "Enter the value, or clear the error.", own)]


def _in_own_unit(cell: Cell, column: ErrorColumn) -> tuple[Cell, Unit | None]:
    """Return the number of a cell and its unit; None for percent of the value."""
    number, unit = in_own_unit(cell, column.value, column.unit_of)
    return (cell, column.unit) if number is cell else (number, unit)


def percent_refused(
    cell: Cell, own: OwnUnit, table: Table, place: Place, column: ErrorColumn
) -> Fault | None:
    """Return why a bare percent sign is refused: with both readings; None if it has one.

    A spreadsheet shows 0.03 as '3 %': in a column in kg that could be 0.03 kg.
    """
    unit = column.unit
    if own.unit.casefold() not in _PERCENT or (unit is not None and unit.symbol == "%"):
        return None
    if unit is None and column.value.symbol != "%":
        return None
    read = read_number(own.number, table, place, "stated error")
    if isinstance(read, Fault):
        return read
    percent, share = format_number(read.value, 12), read.value / 100.0
    try:
        whole = column.unit_of("%").to_base(read.value)
        shown = f"{format_number(share, 12)} g/g"
        if unit is not None:
            shown = f"{format_number(unit.from_base(whole), 12)} {unit}"
        told = f"an error of {shown}"
    except UnitError:  # nothing of which there is so much percent: a number shown that way
        shown = f"{format_number(share, 12)} {unit}"
        told = f"{shown}, shown as a percentage"
    return Fault(
        f"The stated error '{cell.text}' can be read as {percent} percent of the value or as "
        f"{told}.", f"Write {percent} rel %\nor {shown}.", place,
    )  # fmt: skip
