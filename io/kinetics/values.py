"""Numbers of a table of times, with their stated errors."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from oretally.flowsheet import Analyte, Fault, Measurement, Unit, UnitError
from oretally.flowsheet.survey import in_solution, solution_unit
from oretally.io.cells import (
    WATER,
    ColumnReader,
    Grade,
    Measurand,
    ValueColumn,
    Weight,
    quantity_unit,
)
from oretally.io.definition import (
    REAGENTS_ADDED,
    REAGENTS_LEFT,
    SOLUTION_ADDED,
    SOLUTION_SAMPLED,
    Definition,
)
from oretally.io.files import Cell, Table

__all__ = ["USUAL_ERRORS", "KineticsValues"]

_PH_MOST = 14.5
USUAL_ERRORS = {
    SOLUTION_SAMPLED: 'absolute = "1 mL"', SOLUTION_ADDED: 'absolute = "1 mL"',
    REAGENTS_ADDED: 'absolute = "0.01 g"', REAGENTS_LEFT: "relative = 5",
}  # fmt: skip
"""Usual errors of a table of times by their rules, to propose; common practice, no source."""


class KineticsValues(ColumnReader):
    """Reads numbers of a table of times; faults and notes are collected.

    Where a row states no error, that of a volume is stated by its own rule or that of 'water', that
    of a grade of solution by its own, that of a reagent by 'reagents added' or 'reagents left'.
    """

    def __init__(
        self, table: Table, definition: Definition, *, faults: list[Fault], notes: list[str]
    ) -> None:
        in_doubt = definition.rules_in_doubt
        super().__init__(table, definition.errors, in_doubt, faults=faults, notes=notes)
        self.read_before: dict[tuple[int, int], Measurement | None] = {}

    def volume(
        self, row: Sequence[Cell], column: ValueColumn | None, stream: str, rule: str
    ) -> Measurement | None:
        """Return a volume of solution; None if none was measured. The value may be 0."""
        if column is None:
            return None
        of = Weight(unit_of=partial(quantity_unit, WATER, dimension=column.unit.dimension),
                    title=column.title, rules=(rule, WATER), what=column.name,
                    weigh="Measure it, or leave it blank.")  # fmt: skip
        return self.measured(row, column, of, stream, WATER)

    def grade(
        self, row: Sequence[Cell], column: ValueColumn | None, stream: str, analyte: Analyte
    ) -> Measurement | None:
        """Return a grade of solution; None if there is none."""
        if column is None:
            return None
        name = in_solution(analyte.name)
        of = Grade(unit_of=solution_unit, title=column.title, rules=(name,),
                   analyte=Analyte(name, analyte.unit))  # fmt: skip
        return self.measured(row, column, of, stream, name)

    def reagent_added(
        self, row: Sequence[Cell], column: ValueColumn | None, stream: str
    ) -> Measurement | None:
        """Return what was put in of a reagent, as a mass or a volume; None if nothing was."""
        if column is None:
            return None
        of = Weight(unit_of=partial(quantity_unit, WATER, dimension=column.unit.dimension),
                    title=column.title, rules=(REAGENTS_ADDED,), what=column.name,
                    weigh="Weigh it, or leave it blank.")  # fmt: skip
        return self.measured(row, column, of, stream, column.name)

    def reagent_left(
        self, row: Sequence[Cell], column: ValueColumn | None, stream: str
    ) -> Measurement | None:
        """Return the strength of a reagent that was found; None if it was not read."""
        if column is None:
            return None
        name = in_solution(column.name)
        of = Grade(unit_of=solution_unit, title=column.title, rules=(REAGENTS_LEFT,),
                   analyte=Analyte(name, column.unit))  # fmt: skip
        return self.measured(row, column, of, stream, column.name)

    def ph(
        self, row: Sequence[Cell], column: ValueColumn | None, stream: str
    ) -> tuple[float, float | None] | None:
        """Return the pH and its sd, if it has one; it takes no part in any balance."""
        if column is None or row[column.index].blank:
            return None
        of = Weight(unit_of=_no_unit, title="pH", what="pH",
                    weigh="Write the number, or leave it blank.")  # fmt: skip
        read = self.value(row[column.index], of, column.unit, stream=stream, quantity="pH")
        if read is None:
            return None
        if read.value > _PH_MOST:
            self.fault(f"The pH is {read.value:g}.", "Correct it, or leave the cell blank.",
                       read.place)  # fmt: skip
            return None
        error = None if column.error is None else row[column.error]
        if error is None or error.blank:
            return read.value, None
        stated = self.stated_sd(read, of, error, column.error_unit)
        return None if stated is None else (read.value, stated[0])

    def measured(
        self, row: Sequence[Cell], column: ValueColumn, of: Measurand, stream: str, quantity: str
    ) -> Measurement | None:
        """Return the measurement of a cell; None if it is blank, says so in a word, or is wrong.

        A stock solution counts as a reagent and as a volume; its cell is read, and judged, once.
        """
        cell = row[column.index]
        at = cell.row, cell.column
        if at not in self.read_before:
            self.read_before[at] = self._measured(row, column, of, stream, quantity)
        return self.read_before[at]

    def _measured(
        self, row: Sequence[Cell], column: ValueColumn, of: Measurand, stream: str, quantity: str
    ) -> Measurement | None:
        place = row[column.index].place_of(stream, quantity)
        found = self.stated(row, column, of, place, zero_is_none=isinstance(of, Weight))
        if found is None:
            return None
        return Measurement(stream, quantity, found.value, found.unit, found.sd, found.source,
                           found.note, place)  # fmt: skip

    def usual(self, rules: tuple[str, ...]) -> tuple[str, str]:
        """Return the rule to propose, by its name and as it is written."""
        return rules[0], f'"{rules[0]}" = {{ {USUAL_ERRORS.get(rules[0], "relative = 3")} }}'


def _no_unit(text: str) -> Unit:
    raise UnitError(f"A pH has no unit, and '{text}' stands behind it.", "Write the number alone.")
