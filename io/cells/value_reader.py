"""Values of a table with their stated errors: that of the row, else that of a rule."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from oretally.flowsheet import ErrorModel, ErrorRule, Fault, Missing, Place, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells.bounded_values import entered
from oretally.io.cells.extrapolation import extrapolation_notes
from oretally.io.cells.stated_errors import (
    StatedError,
    error_of_nothing,
    error_without_value,
    read_row_error,
)
from oretally.io.cells.value_columns import ValueColumn
from oretally.io.cells.values import Measurand, TypedValue
from oretally.io.files import Cell, Table

__all__ = ["ColumnReader", "StatedValue", "ValueReader"]

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


@dataclass(frozen=True, slots=True)
class StatedValue:
    """A number with its stated error, both in ``unit``.

    Attributes
    ----------
    value, sd : float
    unit : Unit
    source : str
        Where the error came from, as in a `Measurement`.
    note : str
    place : Place
    """

    value: float
    sd: float
    unit: Unit
    source: str
    note: str
    place: Place


class ColumnReader(ValueReader):
    """Reads tables with a column a quantity and rows that are no streams: size classes, times.

    What has no error is told once for each rule that could state one.
    """

    def __init__(
        self, table: Table, errors: ErrorModel, in_doubt: frozenset[str], *, faults: list[Fault],
        notes: list[str],
    ) -> None:  # fmt: skip
        super().__init__(table, errors, in_doubt, faults=faults, notes=notes)
        self.without_error: dict[tuple[str, ...], tuple[str, list[Place]]] = {}

    def stated(
        self, row: Sequence[Cell], column: ValueColumn, of: Measurand, place: Place, *,
        note: str = "", zero_is_none: bool = False,
    ) -> StatedValue | None:  # fmt: skip
        """Return the number of a row with its error; None if there is none, or it is refused.

        Parameters
        ----------
        row : sequence of Cell
        column : ValueColumn
        of : Measurand
        place : Place
            With the stream and the quantity.
        note : str
        zero_is_none : bool
            A 0 says that there was nothing, and has no error.
        """
        cell = row[column.index]
        error = None if column.error is None else row[column.error]
        if cell.blank:
            self.faults += error_without_value(error, place)
            return None
        read = self.value(cell, of, column.unit, stream=place.stream, quantity=place.quantity)
        if read is None:
            return None
        known, unit = of.bounded(read), read.unit
        if known is not None:
            name = f"{place.quantity} of '{place.stream}'"
            self.notes.append(entered(name, known.value, known.sd, unit, known.source))
            return StatedValue(known.value, known.sd, unit, known.source, known.note, place)
        if zero_is_none and read.value == 0.0:
            return StatedValue(0.0, 0.0, unit, "", note, place)
        found = self.stated_sd(read, of, error, column.error_unit)
        if found is None:
            return None
        sd, _, source = found
        return StatedValue(read.value, sd, unit, source, note, place)

    def missing(self, read: TypedValue, of: Measurand) -> None:
        """Remember a number without an error."""
        self.without_error.setdefault(of.rules, (of.title, []))[1].append(read.place)

    def report_missing(self) -> None:
        """Report numbers without an error, one fault a rule; proposed, never used."""
        for rules, (title, places) in self.without_error.items():
            more = f" (and for {len(places) - 1} more below it)" if len(places) > 1 else ""
            key, usual = self.usual(rules)
            mend = (
                f"Enter it beside the value (column \N{PLUS-MINUS SIGN} {title} or [rel %])\n"
                f"or state a rule: [errors] {usual} (a usual figure; common practice, no source)."
            )
            self.faults.append(
                Fault(f"No error is stated{more}.", mend, places[0], Missing("error", key))
            )

    @abstractmethod
    def usual(self, rules: tuple[str, ...]) -> tuple[str, str]:
        """Return the rule to propose, by its name and as it is written."""
