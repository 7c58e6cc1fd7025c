"""Masses and grades of size classes: numbers checked, stated errors found.

What a number may look like is as in the measurements; messages speak the same words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from oretally.flowsheet import (
    Analyte,
    Dimension,
    ErrorModel,
    Fault,
    Place,
    Unit,
    parse_unit,
)
from oretally.io.cells import (
    MASS,
    ColumnReader,
    Grade,
    Measurand,
    StatedValue,
    TypedValue,
    ValueColumn,
    Weight,
)
from oretally.io.definition import CLASS_GRADES, CLASS_MASS
from oretally.io.files import Cell, Table, toml_key

__all__ = ["ClassValue", "ClassValues"]

_PERCENT = parse_unit("%", Dimension.SHARE)
_WHOLE = 1.01  # up to which the share of a class may be rounded


@dataclass(frozen=True, slots=True)
class ClassValue(StatedValue):
    """A number of a class with its stated error.

    Attributes
    ----------
    of_share : bool
        Whether ``sd`` is that of the share in percent, though the value is a mass.
    written : tuple of (float, Unit), or None
        As in a `Measurement`.
    """

    of_share: bool = False
    written: tuple[float, Unit] | None = None


class _ClassMass(Weight):
    """What one sieve held back: its mass, or its share of the whole."""

    __slots__ = ()

    def below_unstated(self, cell: Cell, place: Place, unit: Unit) -> TypedValue | Fault:
        """Refuse a word that only a grade can be."""
        return Fault(f"The {self.what} cannot be '{cell.text}'.", self.weigh, place)

    def wrong(self, found: TypedValue) -> Fault | None:
        """Return what is wrong with the size of a mass or share."""
        if found.reading.below or found.reading.above:
            return Fault(f"The {self.what} is {found.cell.text}: weighed it is a number.",
                         self.weigh, found.place)  # fmt: skip
        if found.unit.dimension is Dimension.SHARE and found.base > _WHOLE:
            return Fault(f"The {self.what} is {found}, more than the whole (100 %).",
                         "Correct the value or its unit.", found.place)  # fmt: skip
        return Weight.wrong(self, found)


class ClassValues(ColumnReader):
    """Reads numbers of size classes; faults and notes are collected.

    Where a row states no error, that of a mass is stated by the rule 'class mass', that of a grade
    by the rule 'class grades', else by that of the analyte. A stream's own rule goes before a
    general one. Parameters as of `ValueReader`, and ``analytes``.
    """

    def __init__(
        self, table: Table, analytes: Sequence[Analyte], errors: ErrorModel,
        in_doubt: frozenset[str], *, faults: list[Fault], notes: list[str],
    ) -> None:  # fmt: skip
        super().__init__(table, errors, in_doubt, faults=faults, notes=notes)
        self.analytes = {a.name: a for a in analytes}

    def measurand(self, column: ValueColumn) -> Measurand:
        """Return what the numbers of a column are of."""
        unit_of = partial(parse_unit, dimension=column.unit.dimension)
        if column.name == MASS:
            return _ClassMass(
                unit_of=unit_of, title=column.title, rules=(CLASS_MASS,), what="mass of a class",
                weigh="Weigh it; write 0 if nothing stayed on the sieve.",
                negative="Correct it; a tare taken off twice makes small masses negative.",
            )  # fmt: skip
        return Grade(unit_of=unit_of, title=column.title, rules=(CLASS_GRADES, column.name),
                     analyte=self.analytes[column.name])  # fmt: skip

    def mass(self, row: Sequence[Cell], column: ValueColumn, place: Place) -> TypedValue | None:
        """Return the mass or share of a row; None if there is none, or it is refused."""
        cell = row[column.index]
        if cell.blank:
            return None
        return self.value(cell, self.measurand(column), column.unit, stream=place.stream,
                          quantity=place.quantity)  # fmt: skip

    def mass_with_sd(
        self, row: Sequence[Cell], column: ValueColumn, read: TypedValue, whole: float
    ) -> ClassValue | None:
        """Return a mass or share with its stated error; ``whole`` is the sum, in kg."""
        error = None if column.error is None else row[column.error]
        found = self.statement(read, self.measurand(column), error, column.error_unit)
        if found is None:
            return None
        rule, source = found
        of_share = rule.unit is not None and rule.unit.dimension is not read.unit.dimension
        if of_share and read.unit.dimension is not Dimension.MASS:
            self.fault(f"The error of '{CLASS_MASS}' is stated in {rule.unit}, but the masses "
                       "of this stream are given in percent of the whole.",
                       'State it as a share, for example absolute = "0.3 %".',
                       read.place)  # fmt: skip
            return None
        sd = rule.sd(100.0 * read.base / whole, _PERCENT) if of_share else (
            rule.sd(read.value, read.unit)
        )  # fmt: skip
        if not self.positive(sd, read):
            return None
        return ClassValue(read.value, sd, read.unit, source, "", read.place, of_share)

    def grade(
        self, row: Sequence[Cell], column: ValueColumn, place: Place, note: str
    ) -> ClassValue | None:
        """Return the grade of a class; None if there is none, or it is refused."""
        found = self.stated(row, column, self.measurand(column), place, note=note)
        if found is None:
            return None
        return ClassValue(found.value, found.sd, found.unit, found.source, found.note, place)

    def usual(self, rules: tuple[str, ...]) -> tuple[str, str]:
        """Return the rule to propose, by its name and as it is written."""
        key = rules[-1]
        if key == CLASS_MASS:
            return key, f'"{CLASS_MASS}" = {{ relative = 1, absolute = "0.2 %" }}'
        usual = f'{{ relative = 3 }}, or "{CLASS_GRADES}" = {{ relative = 5 }}'
        return key, f"{toml_key(key)} = {usual}"
