"""Masses and grades of size classes: numbers checked, stated errors found.

What a number may look like is as in the measurements; messages speak the same words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet import (
    Analyte,
    Dimension,
    ErrorModel,
    ErrorRule,
    Fault,
    Place,
    Unit,
    UnitError,
    parse_unit,
)
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells import (
    BELOW,
    NOT_MEASURED,
    TWO_WAYS,
    BoundedValue,
    ErrorColumn,
    ParsedNumber,
    above_range,
    below_detection,
    entered,
    extrapolation_notes,
    folded_word,
    in_own_unit,
    plain_number,
    read_number,
    read_stated_error,
)
from oretally.io.definition import CLASS_GRADES, CLASS_MASS
from oretally.io.files import Cell, Table
from oretally.io.sizes.columns import MASS, ValueColumn

__all__ = ["ClassRead", "ClassValue", "ClassValues"]

_ABSURD = 6e24  # kg, the whole Earth


@dataclass(frozen=True, slots=True)
class ClassValue:
    """A number with its stated error, both in ``unit``.

    Attributes
    ----------
    value, sd : float
    unit : Unit
    source : str
        Where the error came from, as in a `Measurement`.
    note : str
    place : Place
    of_share : bool
        Whether ``sd`` is that of the share in percent, though the value is a mass.
    written : tuple of (float, Unit), or None
        As in a `Measurement`.
    """

    value: float
    sd: float
    unit: Unit
    source: str
    note: str
    place: Place
    of_share: bool = False
    written: tuple[float, Unit] | None = None


@dataclass(frozen=True, slots=True)
class ClassRead:
    """A number before its error is known."""

    reading: ParsedNumber
    unit: Unit
    place: Place

    @property
    def value(self) -> float:
        """In ``unit``."""
        return self.reading.value

    @property
    def base(self) -> float:
        """In kg, or a share of 1."""
        return self.unit.to_base(self.reading.value)


class ClassValues:
    """Reads numbers of size classes; faults and notes are collected.

    Parameters
    ----------
    table : Table
    analytes : sequence of Analyte
    errors : ErrorModel
        Used where a row states no error: for masses the rule 'class mass', for grades the rule
        'class grades', else that of the analyte. A stream's own rule goes before a general one.
    in_doubt : frozenset of str
        Folded quantities whose rules were refused already ('*' for all).
    faults, notes : list
    """

    def __init__(
        self, table: Table, analytes: Sequence[Analyte], errors: ErrorModel,
        in_doubt: frozenset[str], faults: list[Fault], notes: list[str],
    ) -> None:  # fmt: skip
        self.table, self.errors, self.in_doubt = table, errors, in_doubt
        self.analytes = {a.name: a for a in analytes}
        self.faults, self.notes = faults, notes
        self.without_error: dict[str, list[Place]] = {}
        self.titles: dict[str, str] = {}

    def fault(self, problem: str, mend: str, place: Place) -> None:
        """Add a fault."""
        self.faults.append(Fault(problem, mend, place))

    # ---- masses

    def mass(self, row: Sequence[Cell], column: ValueColumn, place: Place) -> ClassRead | None:
        """Return the mass or share of a row; None if there is none, or it is refused."""
        read = self.number(row[column.index], column, place)
        if read is None:
            return None
        what, reading = "mass of a class", read.reading
        shown = f"{reading.value:g} {read.unit}"
        if reading.below or reading.above:
            self.fault(f"The {what} is {row[column.index].text}: weighed it is a number.",
                       "Weigh it; write 0 if nothing stayed on the sieve.", place)  # fmt: skip
        elif reading.value < 0.0:
            self.fault(f"The {what} is {shown}; it cannot be negative.",
                       "Correct it; a tare taken off twice makes small masses negative.",
                       place)  # fmt: skip
        elif read.unit.dimension is Dimension.MASS and read.unit.to_base(reading.value) > _ABSURD:
            self.fault(f"The {what} is {shown}, more than the whole Earth.",
                       "Correct the value or its unit.", place)  # fmt: skip
        elif read.unit.dimension is Dimension.SHARE and read.unit.to_base(reading.value) > 1.01:
            self.fault(f"The {what} is {shown}, more than the whole (100 %).",
                       "Correct the value or its unit.", place)  # fmt: skip
        else:
            return read
        return None

    def mass_with_sd(
        self, row: Sequence[Cell], column: ValueColumn, read: ClassRead, whole: float, stream: str
    ) -> ClassValue | None:
        """Return a mass or share with its stated error; ``whole`` is the sum, in kg."""
        value, unit = read.reading.value, read.unit
        stated = self.own_sd(row, column, read)
        if isinstance(stated, Fault):
            self.faults.append(stated)
            return None
        if stated is not None:
            return self.positive(ClassValue(value, stated, unit, "row", "", read.place))
        found = self.errors.rule(stream, CLASS_MASS)
        if found is None:
            if not {"*", CLASS_MASS} & self.in_doubt:
                self.missing(MASS, column, read.place)
            return None
        rule, source = found
        mass, share = unit.dimension is Dimension.MASS, False
        if rule.unit is not None and rule.unit.dimension is not unit.dimension:
            if not mass:
                self.fault(f"The error of '{CLASS_MASS}' is stated in {rule.unit}, but the masses "
                           "of this stream are given in percent of the whole.",
                           'State it as a share, for example absolute = "0.3 %".',
                           read.place)  # fmt: skip
                return None
            percent = parse_unit("%", Dimension.SHARE)
            sd, share = rule.sd(100.0 * read.base / whole, percent), True
        else:
            sd = rule.sd(value, unit)
        return self.positive(ClassValue(value, sd, unit, source, "", read.place, share))

    # ---- grades

    def grade(
        self, row: Sequence[Cell], column: ValueColumn, place: Place, stream: str, note: str
    ) -> ClassValue | None:
        """Return the grade of a class; None if there is none, or it is refused."""
        read = self.number(row[column.index], column, place)
        if read is None or not self.possible(read, column.name):
            return None
        value, unit = read.reading.value, read.unit
        if read.reading.below:
            return self.bounded(below_detection(value, unit), unit, place, stream)
        if read.reading.above:
            top = unit.from_base(self.analytes[column.name].maximum)
            return self.bounded(above_range(value, top, unit), unit, place, stream)
        stated = self.own_sd(row, column, read)
        if isinstance(stated, Fault):
            self.faults.append(stated)
            return None
        if stated is not None:
            return self.positive(ClassValue(value, stated, unit, "row", note, place))
        found = self.grade_rule(stream, column.name)
        if found is None:
            if not {"*", CLASS_GRADES, fold_name(column.name)} & self.in_doubt:
                self.missing(column.name, column, place)
            return None
        rule, source = found
        self.notes += extrapolation_notes(rule, stream, place.quantity, value, unit)
        return self.positive(ClassValue(value, rule.sd(value, unit), unit, source, note, place))

    def bounded(self, known: BoundedValue, unit: Unit, place: Place, stream: str) -> ClassValue:
        """Return a grade of which only bounds are known, and say so."""
        name = f"{place.quantity} of '{stream}'"
        self.notes.append(entered(name, known.value, known.sd, unit, known.source))
        return ClassValue(known.value, known.sd, unit, known.source, known.note, place)

    def grade_rule(self, stream: str, analyte: str) -> tuple[ErrorRule, str] | None:
        """Return the rule for grades of classes, else that of the analyte."""
        return self.errors.rule(stream, CLASS_GRADES) or self.errors.rule(stream, analyte)

    def possible(self, read: ClassRead, name: str) -> bool:
        """Tell whether a grade can be; else a fault is added."""
        reading, unit, place = read.reading, read.unit, read.place
        shown, largest = f"{reading.value:g} {unit}", self.analytes[name].maximum
        limit = f"{unit.from_base(largest):g} {unit}"
        base = unit.to_base(reading.value)
        before = len(self.faults)
        if reading.below and reading.value <= 0.0:
            self.fault("The detection limit is 0 or less.", "Write the limit, as in <0.01.", place)
        elif reading.value < 0.0:
            self.fault(f"The grade is {shown}; it cannot be negative.",
                       "Correct it, or leave the cell blank if it was not measured.",
                       place)  # fmt: skip
        elif reading.above and base >= largest * (1.0 - 1e-9):
            self.fault(f"The grade is above {shown}, which is the most that it can be.",
                       "Correct the value or its unit.", place)  # fmt: skip
        elif base > largest * (1.0 + 1e-9):
            why = "more than the whole" if largest == 1.0 else "more than the stated max"
            self.fault(f"The grade is {shown}, {why} ({limit}).", "Correct the value or its unit.",
                       place)  # fmt: skip
        return len(self.faults) == before

    # ---- numbers and errors

    def number(self, cell: Cell, column: ValueColumn, place: Place) -> ClassRead | None:
        """Return the number of a cell; None if it is blank, says so in a word, or is refused."""
        if cell.blank:
            return None
        word, unit = folded_word(cell), column.unit
        if plain_number(cell) is None:
            meaning = NOT_MEASURED.get(word)
            if meaning is not None:
                self.notes.append(f"{place.quantity} of '{place.stream}' is '{cell.text}': "
                                  f"{meaning}; it counts as not measured.")  # fmt: skip
                return None
            if word in TWO_WAYS:
                one, two = TWO_WAYS[word]
                self.fault(f"'{cell.text}' can be read as {one} or as {two}.",
                           f"Write <0.01 (the limit) for {one}\nor leave the cell blank for {two}.",
                           place)  # fmt: skip
                return None
            if word in BELOW:
                return self.below(cell, column, place)
            dimension = column.unit.dimension
            try:
                cell, unit = in_own_unit(cell, unit, lambda text: parse_unit(text, dimension))
            except UnitError as error:
                self.fault(error.problem, error.mend, place)
                return None
        reading = read_number(cell, self.table, place, "value")
        if isinstance(reading, Fault):
            self.faults.append(reading)
            return None
        return ClassRead(reading, unit, place)

    def below(self, cell: Cell, column: ValueColumn, place: Place) -> ClassRead | None:
        """Return the detection limit for a word such as 'trace'."""
        analyte = self.analytes.get(column.name)
        if analyte is None:
            self.fault(f"The mass of a class cannot be '{cell.text}'.",
                       "Weigh it; write 0 if nothing stayed on the sieve.", place)  # fmt: skip
            return None
        if analyte.detection is None:
            spelt = f'"{analyte.name}"' if " " in analyte.name else analyte.name
            self.fault(
                f"'{cell.text}' says that the grade is below detection, but not below what.",
                f"Write the limit, as in <0.01\nor state it for the analyte: [analytes] {spelt} = "
                f'{{ unit = "{analyte.unit}", detection = "0.01 {analyte.unit}" }}.', place,
            )  # fmt: skip
            return None
        limit = column.unit.from_base(analyte.detection)
        return ClassRead(ParsedNumber(limit, below=True), column.unit, place)

    def own_sd(
        self, row: Sequence[Cell], column: ValueColumn, read: ClassRead
    ) -> float | Fault | None:
        """Return the error that stands in the row, in the unit of its value; None if none does."""
        cell = None if column.error is None else row[column.error]
        if cell is None or cell.blank:
            return None
        place = replace(read.place, cell=cell.place.cell)
        unit = read.unit
        taken = ErrorColumn(column.error_unit, unit, lambda text: parse_unit(text, unit.dimension))
        stated = read_stated_error(cell, self.table, place, taken)
        return stated if isinstance(stated, Fault) else stated.sd(read.reading.value, unit)

    def positive(self, found: ClassValue) -> ClassValue | None:
        """Refuse the sd 0 that a relative error gives a value of 0."""
        if found.sd > 0.0:
            return found
        self.fault("The value is 0 and its error is stated in percent of the value, which is 0 "
                   "too.", "State an absolute error for it.", found.place)  # fmt: skip
        return None

    def missing(self, key: str, column: ValueColumn, place: Place) -> None:
        """Remember a number without an error; ``key`` is what it measures."""
        self.without_error.setdefault(key, []).append(place)
        self.titles.setdefault(key, column.title)

    def report_missing(self) -> None:
        """Report numbers without an error, one fault a column; proposed, never used."""
        for key, places in self.without_error.items():
            more = f" (and for {len(places) - 1} more below it)" if len(places) > 1 else ""
            if key == MASS:
                rule = f'"{CLASS_MASS}" = {{ relative = 1, absolute = "0.2 %" }}'
            else:
                spelt = f'"{key}"' if " " in key else key
                rule = f'{spelt} = {{ relative = 3 }}, or "{CLASS_GRADES}" = {{ relative = 5 }}'
            self.fault(f"No error is stated{more}.",
                       f"Enter it beside the value (column ± {self.titles[key]} or [rel %])\n"
                       f"or state a rule: [errors] {rule} (a usual figure; common practice, no "
                       "source).", places[0])  # fmt: skip
