"""Values of a table with their stated errors: that of the row, else that of a rule."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TypeVar

from oretally.flowsheet import ErrorModel, ErrorRule, Fault, Place, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells.extrapolation import extrapolation_notes
from oretally.io.cells.stated_errors import StatedError, error_of_nothing, read_row_error
from oretally.io.cells.values import Measurand, TypedValue
from oretally.io.files import Cell, Table

__all__ = ["ValueReader"]

_Rule = ErrorRule | StatedError
_T = TypeVar("_T")


class ValueReader(ABC):
    """Reads the values of a table; faults and notes are collected.

    Parameters
    ----------
    table : Table
    errors : ErrorModel
        Used where a row states no error.
    in_doubt : frozenset of str
        Folded names of rules that were refused already ('*' for all): that a value then has no
        error is not reported again.
    faults, notes : list
    """

    def __init__(
        self, table: Table, errors: ErrorModel, in_doubt: frozenset[str], *, faults: list[Fault],
        notes: list[str],
    ) -> None:  # fmt: skip
        self.table, self.errors, self.in_doubt = table, errors, in_doubt
        self.faults, self.notes = faults, notes

    def fault(self, problem: str, mend: str, place: Place) -> None:
        """Add a fault."""
        self.faults.append(Fault(problem, mend, place))

    def value(
        self, cell: Cell, of: Measurand, unit: Unit, *, stream: str, quantity: str
    ) -> TypedValue | None:
        """Return the number of a cell that is not blank; None if it says so in a word, or is wrong.

        Parameters as of `Measurand.read`.
        """
        found = of.read(cell, self.table, unit, stream=stream, quantity=quantity)
        if isinstance(found, str):
            self.notes.append(f"{quantity} of '{stream}' is '{cell.text}': {found}; "
                              "it counts as not measured.")  # fmt: skip
            return None
        return self.kept(found)

    def kept(self, found: _T | Fault) -> _T | None:
        """Return what was found; None if it is a fault, which is added."""
        if isinstance(found, Fault):
            self.faults.append(found)
            return None
        return found

    def statement(
        self, read: TypedValue, of: Measurand, error: Cell | None, error_unit: Unit | None
    ) -> tuple[_Rule, str] | None:
        """Return what states the error of a value, and its source; None, with a fault, if nothing.

        Parameters
        ----------
        read : TypedValue
        of : Measurand
        error : Cell or None
            Beside the value; None if there is no column of its errors.
        error_unit : Unit or None
            Of that column; None for percent of the value.
        """
        own = None
        if error is not None and not error.blank:
            own = self.kept(read_row_error(
                error, self.table, unit=error_unit, value=read.unit, unit_of=of.unit_of,
                stream=read.stream, quantity=read.quantity, instead=lambda: self.instead(read, of),
            ))  # fmt: skip
            return None if own is None else (own, "row")
        found = self.rule(read.stream, of)
        if found is None:
            if not {"*", *map(fold_name, of.rules)} & self.in_doubt:
                self.missing(read, of)
            return None
        self.notes += extrapolation_notes(
            found[0], read.stream, read.quantity, read.value, read.unit
        )
        return found

    def rule(self, stream: str, of: Measurand) -> tuple[ErrorRule, str] | None:
        """Return the rule that states an error, and its source."""
        found = (self.errors.rule(stream, name) for name in of.rules)
        return next((each for each in found if each is not None), None)

    def stated_sd(
        self, read: TypedValue, of: Measurand, error: Cell | None, error_unit: Unit | None
    ) -> tuple[float, _Rule, str] | None:
        """Return the sd of a value in its unit, what states it, and the source of that."""
        found = self.statement(read, of, error, error_unit)
        if found is None:
            return None
        sd = found[0].sd(read.value, read.unit)
        return (sd, *found) if self.positive(sd, read) else None

    def positive(self, sd: float, read: TypedValue) -> bool:
        """Refuse the sd 0 that a relative error gives a value of 0."""
        if not sd > 0.0:
            self.faults.append(error_of_nothing(read.place))
        return sd > 0.0

    def instead(self, read: TypedValue, of: Measurand) -> str:
        """Return words on what would stand in for the error of the row, or nothing."""
        return ""

    @abstractmethod
    def missing(self, read: TypedValue, of: Measurand) -> None:
        """Report a value without any error."""
