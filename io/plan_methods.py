"""Methods of a quantity: rows of a table of prices that state an error of their own."""

from __future__ import annotations

from oretally.flowsheet import Fault, Place, Unit
from oretally.io.cell_words import with_own_unit
from oretally.io.error_cells import ErrorColumn, StatedError, read_stated_error
from oretally.io.quantity_names import quantity_unit
from oretally.io.table import Cell, Table

__all__ = ["RELATIVE", "USUAL", "method_error", "method_name", "named_with"]

RELATIVE = "rel %"
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
    quantity = place.quantity or ""
    if with_own_unit(cell) is None and not relative:
        symbol = "wt%" if unit.symbol == "%" else unit.symbol  # a bare % has two readings
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
    return found


def named_with(quantity: str, method: str) -> str:
    """Return a quantity with its method, as a plan shows it."""
    return f"{quantity} ({method})" if method else quantity
