"""The columns of a table of screened metallics, and the numbers in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from oretally.flowsheet import (
    Analyte,
    Dimension,
    Fault,
    Place,
    Unit,
    UnitError,
    parse_unit,
)
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.cells import (
    MASS,
    WHOLE_EARTH,
    Heading,
    Measurand,
    ParsedNumber,
    Spellings,
    TypedValue,
    ValueColumn,
    error_of_nothing,
    error_without_column,
    error_without_value,
    is_relative,
    read_heading,
    read_row_error,
)
from oretally.io.files import Cell, Table

__all__ = ["CONTAINED", "METALLICS_COLUMNS", "Columns", "Value", "read_columns", "read_value"]

CONTAINED = "contained"
_WORDS = {"stream": "stream", "fraction": "fraction", "note": "note", "notes": "note",
          "replicate": "note"}  # fmt: skip
METALLICS_COLUMNS = (*_WORDS, MASS)
"""Columns beside the grades and the metal contained."""
_WET = "wet mass"
_MASSES = (MASS, "dry mass")  # all masses of this table are dry
_NEEDED = ("stream", "fraction", MASS)
_PLAN = ("Columns: stream, fraction (plus or minus), mass [g], and for each metal Au [g/t] or "
         "Au contained [mg], with ± columns.")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Columns:
    """Where everything stands; ``grades`` and ``metals`` by analyte."""

    stream: int
    fraction: int
    mass: ValueColumn
    grades: dict[str, ValueColumn]
    metals: dict[str, ValueColumn]
    analytes: tuple[Analyte, ...]


@dataclass(frozen=True, slots=True)
class Value:
    """A number in its base unit; ``sd`` is None where no error is stated.

    Below detection it is half the limit, its sd limit/sqrt(12) (JCGM 100:2008, GUM, 4.3.7).
    """

    base: float
    sd: float | None
    below: bool
    place: Place


def read_columns(table: Table, analytes: Sequence[Analyte], faults: list[Fault]) -> Columns | None:
    """Read the header; None, with faults, if it cannot be used.

    If ``analytes`` is empty, the headers say what is assayed.
    """
    before = len(faults)
    words: dict[str, int] = {}
    found: dict[str, ValueColumn] = {}
    errors: dict[str, tuple[int, Heading, Cell]] = {}
    names = [a.name for a in analytes]
    metals = [f"{name} {CONTAINED}" for name in names]
    known = Spellings([*_WORDS, *_MASSES, _WET, *names, *metals])
    seen: set[tuple[str, bool]] = set()
    for j, cell in enumerate(table.header):
        heading = read_heading(cell.text, known)
        if heading is None or heading.second_unit or not heading.name:
            faults.append(Fault(f"The header '{cell.text}' cannot be read.", _PLAN, cell.place))
            continue
        name = MASS if heading.name in _MASSES else fold_name(heading.name)
        if (name, heading.is_error) in seen:
            faults.append(Fault(f"The column '{cell.text}' is there twice.", "Take one out.",
                                cell.place))  # fmt: skip
            continue
        seen.add((name, heading.is_error))
        if heading.is_error:
            errors[name] = (j, heading, cell)
        elif name in _WORDS:
            words[_WORDS[name]] = j
        else:
            column = _column(heading, j, cell, names, faults)
            if column is not None:
                found[name] = column
    given = {name for name, is_error in seen if not is_error}
    for name, (j, heading, cell) in errors.items():
        if name in found:
            found[name] = _with_error(found[name], j, heading.unit, cell, faults)
        elif name not in given:
            faults.append(error_without_column(cell))
    lost = [n for n in _NEEDED if n not in given and not (n == MASS and _WET in given)]
    if lost:
        faults.append(
            Fault(f"The column {', '.join(map(repr, lost))} is missing.", _PLAN, table.place)
        )
    values = [column for column in found.values() if column.analyte]
    grades = {c.analyte: c for c in values if c.unit.dimension is Dimension.GRADE}
    contained = {c.analyte: c for c in values if c.unit.dimension is Dimension.MASS}
    if len(faults) == before and not values:
        faults.append(Fault("No column holds an assay.", _PLAN, table.place))
    if len(faults) == before:
        faults.extend(
            Fault(f"'{column.name}' has no column for the grade of the minus fraction.",
                  f"Add the column {name} [g/t], or in another unit.",
                  table.header[column.index].place)
            for name, column in contained.items() if name not in grades
        )  # fmt: skip
    if len(faults) > before:
        return None
    units = {name: column.unit for name, column in grades.items()}
    listed = analytes or [Analyte(name, unit) for name, unit in units.items()]
    return Columns(
        words["stream"], words["fraction"], found[MASS], grades, contained, tuple(listed)
    )


def _column(
    heading: Heading, j: int, cell: Cell, analytes: Sequence[str], faults: list[Fault]
) -> ValueColumn | None:
    """Return a column of masses, grades or contained metal; None, with a fault, if it is none.

    If there are no analytes, every other name is one.
    """
    name = MASS if heading.name in _MASSES else heading.name
    dimension, analyte = Dimension.MASS, ""
    if name == _WET:
        faults.append(
            Fault("A fraction is weighed dry here: its moisture is not known.",
                  "Dry both fractions, weigh them, and name the column mass [g].", cell.place)
        )  # fmt: skip
        return None
    if name != MASS:
        head, _, tail = name.rpartition(" ")
        metal = bool(head) and tail.casefold() == CONTAINED
        analyte = head if metal else name
        dimension = Dimension.MASS if metal else Dimension.GRADE
        if analytes and analyte not in analytes:
            mend = did_you_mean(
                analyte,
                [*analytes, *_NEEDED, "note"],
                otherwise=f"Analytes: {', '.join(analytes)}.",
            )
            faults.append(Fault(f"'{analyte}' is no analyte of this case.", mend, cell.place))
            return None
        name = f"{analyte} {CONTAINED}" if metal else analyte
    try:
        unit = parse_unit(heading.unit or "", dimension)
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, cell.place.about(quantity=name)))
        return None
    return ValueColumn(name, j, unit, analyte)


def _with_error(
    column: ValueColumn, j: int, unit: str | None, cell: Cell, faults: list[Fault]
) -> ValueColumn:
    """Return the column with its ± column; faults are added."""
    found = None
    if not is_relative(unit or ""):
        try:
            found = parse_unit(unit or "", column.unit.dimension)
        except UnitError as error:
            place = cell.place.about(quantity=column.name)
            faults.append(Fault(error.problem, error.mend, place))
    return replace(column, error=j, error_unit=found)


def read_value(
    row: Sequence[Cell], column: ValueColumn, table: Table, stream: str, faults: list[Fault],
    notes: list[str], *, detection: float | None = None,
) -> Value | None:  # fmt: skip
    """Return the number of a row in a column; None if it is blank, or refused with a fault.

    None, too, with a note, where a word says that nothing was measured. ``detection`` is the limit
    for words such as 'trace', in the base unit.
    """
    cell = row[column.index]
    error = None if column.error is None else row[column.error]
    place = cell.place.about(stream=stream, quantity=column.name)
    if cell.blank:
        faults.extend(error_without_value(error, place))
        return None
    unit_of = partial(parse_unit, dimension=column.unit.dimension)
    of = _Metallic(unit_of=unit_of, column=column, detection=detection)
    read = of.read(cell, table, column.unit, stream=stream, quantity=column.name)
    if isinstance(read, str):
        notes.append(f"{column.name} of '{stream}' is '{cell.text}': {read}; it counts as not "
                     "measured.")  # fmt: skip
        return None
    if isinstance(read, Fault):
        faults.append(read)
        return None
    if read.reading.below:
        return Value(read.base / 2.0, read.base / 12.0**0.5, True, place)
    if error is None or error.blank:
        return Value(read.base, None, False, place)
    sd = _sd(read, error, column, table)
    if isinstance(sd, Fault):
        faults.append(sd)
        return None
    return Value(read.base, sd, False, place)


def _sd(read: TypedValue, error: Cell, column: ValueColumn, table: Table) -> float | Fault:
    """Return the stated error of a number in its base unit, or what is wrong with it."""
    where = error.place_of(read.stream, column.name)
    dimension = column.unit.dimension
    unit_of = partial(parse_unit, dimension=dimension)
    stated = read_row_error(error, table, unit=column.error_unit, value=read.unit, unit_of=unit_of,
                            stream=read.stream, quantity=column.name)  # fmt: skip
    if isinstance(stated, Fault):
        return stated
    sd = read.unit.to_base(stated.sd(read.value, read.unit))
    if sd > (WHOLE_EARTH if dimension is Dimension.MASS else 1.0):
        return Fault(f"The stated error is {error.text}, more than anything measured.",
                     "Correct it or its unit.", where)  # fmt: skip
    return sd if sd > 0.0 else error_of_nothing(where)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Metallic(Measurand):
    """A mass, a grade or metal contained; ``detection`` as of `read_value`."""

    column: ValueColumn
    detection: float | None

    def below_unstated(self, cell: Cell, place: Place, unit: Unit) -> TypedValue | Fault:
        if not self.column.analyte:
            return Fault(f"A mass cannot be '{cell.text}'.", "Weigh it.", place)
        if self.detection is None or unit.dimension is not Dimension.GRADE:
            return Fault(f"'{cell.text}' says that it is below detection, but not below what.",
                         "Write the limit, as in <0.01.", place)  # fmt: skip
        limit = ParsedNumber(unit.from_base(self.detection), below=True)
        return TypedValue(cell, limit, unit, place.stream, place.quantity)

    def wrong(self, found: TypedValue) -> Fault | None:
        return _wrong(found, self.column)


def _wrong(read: TypedValue, column: ValueColumn) -> Fault | None:
    """Return what is wrong with the size of a number."""
    what = column.name if column.analyte else "mass of the fraction"
    shown = read.cell.text if read.own_unit else f"{read.cell.text} {read.unit}"
    problem, mend = "", "Correct it."
    if read.reading.above:
        problem, mend = ", only known to be above", "Have it assayed by a method for such grades."
    elif not column.analyte and read.reading.below:
        problem, mend = ", only known to be below", "Weigh it."
    elif not column.analyte and read.value == 0.0:
        mend = ("Give its dry mass. If nothing stayed on the sieve, the assays of the rest are "
                "plain assays: write them into the measurements.")  # fmt: skip
    elif read.base > WHOLE_EARTH:
        problem, mend = ", more than the whole Earth", "Correct it or its unit."
    elif read.value < 0.0 or (read.reading.below and read.value == 0.0):
        problem = "; it cannot be negative, nor below 0"
    else:
        return None
    return Fault(f"The {what} is {shown}{problem}.", mend, read.place)
