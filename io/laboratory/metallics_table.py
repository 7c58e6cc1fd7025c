"""Screened metallics from their table to grades: what stayed on a sieve and what went through it.

metallics.csv, or the sheet 'metallics': a row a fraction; several rows of the minus fraction are
its replicate assays. All masses are dry, and of the whole fraction.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from oretally.flowsheet import Analyte, Fault, Measurement, Place, Unit
from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.flowsheet.survey import PROPAGATED
from oretally.io.cells import StreamNames, ValueColumn, error_without_value
from oretally.io.files import Cell, Table, without_pasted
from oretally.io.laboratory.metallics_columns import (
    Columns,
    Value,
    read_columns,
    read_value,
)
from oretally.recon.laboratory import SieveFraction, WholeFraction, metallics_grade

__all__ = ["read_metallics", "with_metallics"]

_FRACTIONS = ("plus", "minus")
_REPLICATES = "If they are replicates, number them in a column 'replicate'."
_SAME = 1e-9  # two masses, relative: as written in different rows

SampleRow = tuple[Cell, ...]


def with_metallics(
    measurements: Sequence[Measurement], found: Sequence[Measurement], faults: list[Fault]
) -> list[Measurement]:
    """Return measurements with the grades of screened metallics; both for one stream is a fault."""
    given = {(m.stream, m.quantity): m for m in measurements}
    for m in found:
        other = given.get((m.stream, m.quantity))
        if other is not None:
            faults.append(
                Fault(f"The {m.quantity} of '{m.stream}' is given by screened metallics and among "
                      f"the measurements ({other.place}); they say the same twice.",
                      "Take one of them out.", m.place)
            )  # fmt: skip
    return [*measurements, *(m for m in found if (m.stream, m.quantity) not in given)]


def read_metallics(
    table: Table, streams: Sequence[str], analytes: Sequence[Analyte], faults: list[Fault]
) -> tuple[list[Measurement], list[str]]:
    """Read the screened metallics of a case.

    Parameters
    ----------
    table : Table
    streams : sequence of str
        Names of the circuit's streams; empty if they could not be read: then names are not judged.
    analytes : sequence of Analyte
        If empty, the headers say what is assayed.
    faults : list of Fault
        What is wrong is added.

    Returns
    -------
    list of Measurement
        One for each stream and analyte, of error source 'propagated'.
    list of str
        The way from what was typed to each grade.
    """
    table, alike = without_pasted(table)
    columns = read_columns(table, analytes, faults)
    if columns is None:
        return [], []
    reader = _Reader(table, columns, streams, faults)
    return reader.measurements(), [*(f"{note} {_REPLICATES}" for note in alike), *reader.notes]


class _Reader:
    """Rows to grades; faults are collected."""

    def __init__(
        self, table: Table, columns: Columns, streams: Sequence[str], faults: list[Fault]
    ) -> None:
        self.table, self.columns, self.faults = table, columns, faults
        self.streams = StreamNames(streams)
        self.detections = {a.name: a.detection for a in columns.analytes}
        self.notes: list[str] = []
        self.below: set[tuple[str, str]] = set()

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def measurements(self) -> list[Measurement]:
        """Return the grades of all streams, in the order of the table."""
        groups: dict[str, dict[str, list[SampleRow]]] = {}
        for row in self.table.rows:
            stream = self.streams.of_row(row, self.columns.stream, self.faults)
            fraction = self.fraction(row)
            if stream is not None:
                parts = groups.setdefault(stream, defaultdict(list))
                parts[fraction or "refused"].append(row)
        found: list[Measurement] = []
        for stream, parts in groups.items():
            if not parts.get("refused"):
                found.extend(self.of_stream(stream, parts))
        return found

    def fraction(self, row: SampleRow) -> str | None:
        cell = row[self.columns.fraction]
        word = cell.text.casefold()
        if word in _FRACTIONS:
            return word
        self.fault(
            f"The fraction is '{cell.text}'." if word else "The row names no fraction.",
            "Write plus for what stayed on the sieve, minus for what went through it.",
            cell.place.about(stream=row[self.columns.stream].text),
        )
        return None

    def of_stream(self, stream: str, parts: dict[str, list[SampleRow]]) -> list[Measurement]:
        """Return the grades of one stream."""
        for word, other in (("plus", "minus"), ("minus", "plus")):
            if not parts.get(word):
                place = parts[other][0][self.columns.stream].place.about(stream=stream)
                self.fault(f"There is no row of the {word} fraction.",
                           "Add it: a grade needs what stayed on the sieve and what went through "
                           "it.", place)  # fmt: skip
                return []
        if len(parts["plus"]) > 1:
            place = parts["plus"][1][self.columns.fraction].place.about(stream=stream)
            self.fault("The plus fraction has several rows, but it is assayed whole, once.",
                       "Add its portions up in one row: mass, and metal contained.",
                       place)  # fmt: skip
            return []
        plus_mass, minus_mass = (self.mass(stream, word, parts[word]) for word in _FRACTIONS)
        known = [a for a in self.columns.analytes if self.assayed(a, parts)]
        if not known:
            place = parts["plus"][0][self.columns.stream].place.about(stream=stream)
            self.fault("The rows of this stream hold no assay.",
                       "Enter the assays of both fractions, or clear the rows.",
                       place)  # fmt: skip
        found = []
        for analyte in known:
            before = len(self.faults)
            plus = self.plus(stream, analyte, parts["plus"][0], plus_mass)
            minus = self.minus(stream, analyte, parts["minus"], minus_mass)
            if len(self.faults) == before and plus is not None and minus is not None:
                found.append(self.combined(stream, analyte, plus, minus, parts))
        return found

    def assayed(self, analyte: Analyte, parts: dict[str, list[SampleRow]]) -> bool:
        """Tell whether any row of a stream holds an assay of the analyte."""
        columns = (self.columns.grades.get(analyte.name), self.columns.metals.get(analyte.name))
        rows = [row for word in _FRACTIONS for row in parts[word]]
        return any(c is not None and not row[c.index].blank for c in columns for row in rows)

    def mass(self, stream: str, word: str, rows: Sequence[SampleRow]) -> Value | None:
        """Return the mass of a fraction; rows of replicates may leave it out, or repeat it."""
        before = len(self.faults)
        column = self.columns.mass
        read = (
            read_value(row, column, self.table, stream, self.faults, self.notes) for row in rows
        )
        values = [v for v in read if v is not None]
        if len(self.faults) > before:
            return None
        if not values:
            place = rows[0][column.index].place.about(stream=stream, quantity=column.name)
            self.fault(
                f"The {word} fraction has no mass.", "Give the dry mass of all of it.", place
            )
            return None
        first = values[0]
        for value in values[1:]:
            if abs(value.base - first.base) > _SAME * first.base:
                self.fault(
                    f"The mass of the {word} fraction is {_shown(value, column)} here and "
                    f"{_shown(first, column)} in cell {first.place.cell}.",
                    "Give the dry mass of the whole fraction once, not those of the aliquots.",
                    value.place,
                )
                return None
        stated = [v for v in values if v.sd is not None]
        if len({v.sd for v in stated}) > 1:
            self.fault(f"The mass of the {word} fraction has two stated errors.",
                       "Keep one of them.", stated[-1].place)  # fmt: skip
            return None
        return (stated or values)[0]

    def value(self, stream: str, row: SampleRow, column: ValueColumn | None) -> Value | None:
        if column is None:
            return None
        found = read_value(
            row, column, self.table, stream, self.faults, self.notes,
            detection=self.detections.get(column.analyte),
        )  # fmt: skip
        if found is not None and found.below:
            self.below.add((stream, column.analyte))
        return found

    def plus(
        self, stream: str, analyte: Analyte, row: SampleRow, mass: Value | None
    ) -> SieveFraction | WholeFraction | None:
        """Return what stayed on the sieve."""
        before = len(self.faults)
        grade_column = self.columns.grades[analyte.name]
        metal_column = self.columns.metals.get(analyte.name)
        grade = self.value(stream, row, grade_column)
        metal = self.value(stream, row, metal_column)
        if len(self.faults) > before:
            return None
        place = row[self.columns.fraction].place.about(stream=stream, quantity=analyte.name)
        if grade is not None and metal is not None:
            self.fault(f"Both {analyte.name} and {analyte.name} contained are given; they say the "
                       "same twice.", "Take one of them out.", metal.place)  # fmt: skip
            return None
        found, column = grade, grade_column
        if metal is not None and metal_column is not None:
            found, column = metal, metal_column
        if found is None:
            self.fault(f"The plus fraction has no {analyte.name}, the minus fraction has.",
                       f"Enter it, as {analyte.name} [g/t] or {analyte.name} contained [mg].",
                       place)  # fmt: skip
            return None
        if found.sd is None:
            self.fault("No error is stated.", f"Enter one standard deviation beside the value "
                       f"(column ± {column.name} [{column.unit}] or [rel %]).",
                       found.place)  # fmt: skip
            return None
        if mass is None:
            return None
        limit = analyte.maximum * (mass.base if metal is not None else 1.0)
        if not self.possible(found, column, limit):
            return None
        if metal is not None:
            return WholeFraction(mass.base, metal.base, found.sd, mass.sd or 0.0)
        return SieveFraction(mass.base, (found.base,), found.sd, mass.sd or 0.0)

    def minus(
        self, stream: str, analyte: Analyte, rows: Sequence[SampleRow], mass: Value | None
    ) -> SieveFraction | None:
        """Return what went through the sieve."""
        before = len(self.faults)
        column = self.columns.grades[analyte.name]
        metal = self.columns.metals.get(analyte.name)
        for row in rows:
            if metal is not None and metal.error is not None and row[metal.index].blank:
                place = row[metal.index].place.about(stream=stream, quantity=metal.name)
                self.faults += error_without_value(row[metal.error], place)
            elif metal is not None and not row[metal.index].blank:
                place = row[metal.index].place.about(stream=stream, quantity=metal.name)
                self.fault("The metal contained is asked of the plus fraction, which is assayed "
                           "whole; of the minus fraction only aliquots are.",
                           f"Give its grade, under {analyte.name} [g/t].", place)  # fmt: skip
        values = [v for row in rows if (v := self.value(stream, row, column)) is not None]
        if len(self.faults) > before:
            return None
        if not values:
            place = rows[0][self.columns.fraction].place
            self.fault(f"The minus fraction has no {analyte.name}, the plus fraction has.",
                       f"Enter its grade, under {analyte.name} [g/t].",
                       place.about(stream=stream, quantity=analyte.name))  # fmt: skip
            return None
        if not all([self.possible(v, column, analyte.maximum) for v in values]):
            return None
        values = _one_if_all_below(values)
        sds = [v.sd for v in values if v.sd is not None]
        if 0 < len(sds) < len(values):
            blank = next(v for v in values if v.sd is None)
            self.fault("Some assays of this fraction state an error, this one does not.",
                       "State it for all of them, or for none.", blank.place)  # fmt: skip
            return None
        grades = tuple(v.base for v in values)
        if not sds and len(set(grades)) == 1:
            why = "they are all equal" if len(values) > 1 else "it has no replicate"
            self.fault(f"No error is stated, and none follows from the assays: {why}.",
                       f"Enter one standard deviation of one assay (column ± {column.name} "
                       f"[{column.unit}] or [rel %]).", values[0].place)  # fmt: skip
            return None
        if mass is None:
            return None
        # of a plain mean the sd is that of n equal ones with this sd
        sd = math.sqrt(math.fsum(s * s for s in sds) / len(sds)) if sds else None
        return SieveFraction(mass.base, grades, sd, mass.sd or 0.0)

    def possible(self, value: Value, column: ValueColumn, limit: float) -> bool:
        """Refuse more metal than there can be; ``limit`` is in the base unit."""
        if value.base <= limit * (1.0 + 1e-9):
            return True
        most = f"{format_number(column.unit.from_base(limit))} {column.unit}"
        self.fault(f"The {column.name} is {_shown(value, column)}, more than can be ({most}).",
                   "Correct the value or its unit, or the mass.", value.place)  # fmt: skip
        return False

    def combined(
        self, stream: str, analyte: Analyte, plus: SieveFraction | WholeFraction,
        minus: SieveFraction, parts: dict[str, list[SampleRow]],
    ) -> Measurement:  # fmt: skip
        """Return the grade of the whole, and note the way to it."""
        name, column, mass = analyte.name, self.columns.grades[analyte.name], self.columns.mass
        unit = column.unit
        found = metallics_grade(plus, minus)
        value, sd = unit.from_base(found.grade), unit.from_base(found.sd)
        asked = column
        if isinstance(plus, WholeFraction):
            asked = self.columns.metals[name]
            on = f"with {_with_sd(plus.metal_kg, plus.metal_sd_kg, asked.unit)} of {name}"
        else:
            on = f"at {_with_sd(plus.grade, plus.grade_sd, unit)}"
        many = f" ({len(minus.assays)} assays)" if len(minus.assays) > 1 else ""
        path = (
            f"from plus fraction {_with_sd(plus.mass_kg, plus.mass_sd_kg, mass.unit)} {on} and "
            f"minus fraction {_with_sd(minus.mass_kg, minus.mass_sd_kg, mass.unit)} at "
            f"{_with_sd(minus.grade, minus.grade_sd, unit)}{many}"
        )
        told = f"{name} of '{stream}' is {' ± '.join(format_with_sd(value, sd))} {unit}, {path}"
        if found.plus_share is not None:
            told += f"; {100.0 * found.plus_share:.0f} % of it stayed on the sieve"
        if plus.mass_sd_kg == 0.0 or minus.mass_sd_kg == 0.0:
            told += "; a mass without a stated error counts as exact"
        if (stream, name) in self.below:
            told += "; what is below detection counts as uniform between 0 and the limit"
        if minus.assay_sd is None:
            n = len(minus.assays)
            told += (f"; the sd of the minus fraction comes from the scatter of {n} assays, and is "
                     f"itself uncertain by {100.0 * _uncertainty(n):.0f} %")  # fmt: skip
        self.notes.append(f"{told}.")
        place = parts["plus"][0][asked.index].place
        return Measurement(stream, name, value, unit, sd, PROPAGATED, path,
                           place.about(stream=stream, quantity=name))  # fmt: skip


def _one_if_all_below(values: list[Value]) -> list[Value]:
    """Return one value, of the highest limit, if all are below detection.

    Several readings below one limit say no more than one: their errors are not independent.
    """
    if not all(v.below for v in values):
        return values
    return [max(values, key=lambda v: v.base)]


def _uncertainty(n: int) -> float:
    """Return the relative sd of an sd from n readings of a normal distribution.

    Source: GUM (JCGM 100:2008), table E.1; from the moments of the chi distribution.
    """
    c = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))
    return math.sqrt(1.0 - c * c) / c


def _with_sd(base: float, sd: float | None, unit: Unit) -> str:
    value, error = format_with_sd(unit.from_base(base), unit.from_base(sd) if sd else None)
    return f"{value} ± {error} {unit}" if sd else f"{value} {unit}"


def _shown(value: Value, column: ValueColumn) -> str:
    return f"{format_number(column.unit.from_base(value.base))} {column.unit}"
