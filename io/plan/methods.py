"""Methods of a quantity: rows of a table of prices that state an error of their own."""

from __future__ import annotations

from oretally.flowsheet import Fault, Place, Unit
from oretally.flowsheet.problem import SHARPEST
from oretally.io.cells import (
    RELATIVE,
    ErrorColumn,
    StatedError,
    quantity_unit,
    read_number,
    read_stated_error,
    with_own_unit,
)
from oretally.io.files import Cell, Table

__all__ = ["USUAL", "method_error", "method_name", "named_with"]

USUAL = ""
"""Stands in place of a method: the one whose error the case states."""


def method_name(named: Cell | None, error: Cell | None, *, relative: bool) -> str:
    """Return what a row calls its method: its name, else its error; `USUAL` if it has neither."""
    if named is not None and not named.blank:
        return " ".join(named.text.split())
    if error is None or error.blank:
        return USUAL
    plain = relative and with_own_unit(error) is None
    return f"± {error.text} {RELATIVE}" if plain else f"± {error.text}"


def method_error(
    cell: Cell, table: Table, place: Place, unit: Unit, *, relative: bool, faults: list[Fault]
) -> StatedError | None:
    """Return the error of one reading by a method; None, with a fault, if it cannot be read.

    Parameters
    ----------
    cell : Cell
        Not blank.
    table : Table
    place : Place
    unit : Unit
        Of the quantity, as the case shows it.
    relative : bool
        Whether the column says that its numbers are percent of the value.
    faults : list of Fault
    """
    quantity, own = place.quantity or "", with_own_unit(cell)
    symbol = "wt%" if unit.symbol == "%" else unit.symbol  # a bare % has two readings
    read = read_number(cell if own is None else own.number, table, place, "stated error")
    if isinstance(read, Fault) or read.below or read.above or not read.value > 0.0:
        faults.append(
            Fault(f"The error of a method is '{cell.text}'; it is a number above 0 with its unit.",
                  f"Write one standard deviation of one reading, as 1 {RELATIVE} or 0.02 "
                  f"{symbol}, or leave the cell blank for the usual method.", place)
        )  # fmt: skip
        return None
    if own is None and not relative:
        faults.append(
            Fault(f"The error '{cell.text}' has no unit.",
                  f"Write {cell.text} {RELATIVE} or {cell.text} {symbol}, or name the column error "
                  f"[{RELATIVE}].", place)
        )  # fmt: skip
        return None
    column = ErrorColumn(None, unit, lambda text: quantity_unit(quantity, text, unit.dimension))
    found = read_stated_error(cell, table, place, column, instead=" for the usual method")
    if isinstance(found, Fault):
        faults.append(found)
        return None
    if found.unit is None and not 100.0 * SHARPEST <= found.number <= 100.0:
        faults.append(
            Fault(f"The error of a method is {cell.text}: beyond what is weighed or assayed.",
                  f"State an error between {100.0 * SHARPEST:g} and 100 {RELATIVE}.", place)
        )  # fmt: skip
        return None
    return found


def named_with(quantity: str, method: str) -> str:
    """Return a quantity with its method, as a plan shows it."""
    return f"{quantity} ({method})" if method else quantity
