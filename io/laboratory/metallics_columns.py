"""The columns of a table of screened metallics, and the numbers in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
from oretally.flowsheet.faults import nearest_name
from oretally.io.cells import (
    ErrorColumn,
    Heading,
    ParsedNumber,
    Spellings,
    in_own_unit,
    is_relative,
    read_heading,
    read_number,
    read_stated_error,
)
from oretally.io.files import Cell, Table

__all__ = ["CONTAINED", "MASS", "Columns", "Value", "ValueColumn", "read_columns", "read_value"]

MASS, CONTAINED = "mass", "contained"
_WORDS = {"stream": "stream", "fraction": "fraction", "note": "note", "notes": "note"}
_WET = "wet mass"
_MASSES = (MASS, "dry mass")  # all masses of this table are dry
_LARGEST = {Dimension.MASS: 6e24, Dimension.GRADE: 1.0}  # kg, the whole Earth; the whole
_NEEDED = ("stream", "fraction", MASS)
_PLAN = ("Columns: stream, fraction (plus or minus), mass [g], and for each metal Au [g/t] or "
         "Au contained [mg], with ± columns.")  # fmt: skip


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """A column of numbers.

    Attributes
    ----------
    name : str
        'mass', an analyte, or an analyte with 'contained'.
    analyte : str
        Empty for the mass.
    index : int
    unit : Unit
    error : int or None
        Position of its ± column.
    error_unit : Unit or None
        None for an error in percent of the value.
    """

    name: str
    analyte: str
    index: int
    unit: Unit
    error: int | None = None
    error_unit: Unit | None = None


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
            faults.append(
                Fault(f"The error column '{cell.text}' has no column to go with it.",
                      "Add it, or correct the name.", cell.place)
            )  # fmt: skip
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
            near = nearest_name(analyte, [*analytes, *_NEEDED, "note"])
            mend = f"Did you mean '{near}'?" if near else f"Analytes: {', '.join(analytes)}."
            faults.append(Fault(f"'{analyte}' is no analyte of this case.", mend, cell.place))
            return None
        name = f"{analyte} {CONTAINED}" if metal else analyte
    try:
        unit = parse_unit(heading.unit or "", dimension)
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, cell.place.about(quantity=name)))
        return None
    return ValueColumn(name, analyte, j, unit)


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
    return ValueColumn(column.name, column.analyte, column.index, column.unit, j, found)


def read_value(
    row: Sequence[Cell], column: ValueColumn, table: Table, stream: str, faults: list[Fault]
) -> Value | None:
    """Return the number of a row in a column; None if it is blank, or refused with a fault."""
    cell = row[column.index]
    error = None if column.error is None else row[column.error]
    place = cell.place.about(stream=stream, quantity=column.name)
    if cell.blank:
        if error is not None and not error.blank:
            where = error.place.about(stream=stream, quantity=column.name)
            faults.append(Fault("There is an error but no value.",
                                "Enter the value, or clear the error.", where))  # fmt: skip
        return None
    dimension = column.unit.dimension
    try:
        number, unit = in_own_unit(cell, column.unit, lambda text: parse_unit(text, dimension))
    except UnitError as wrong_unit:
        faults.append(Fault(wrong_unit.problem, wrong_unit.mend, place))
        return None
    reading = read_number(number, table, place, "value")
    if isinstance(reading, Fault):
        faults.append(reading)
        return None
    shown = cell.text if number is not cell else f"{cell.text} {unit}"
    wrong = _wrong(reading, shown, unit, column)
    if wrong:
        faults.append(Fault(*wrong, place))
        return None
    base = unit.to_base(reading.value)
    if reading.below:
        return Value(base / 2.0, base / 12.0**0.5, True, place)
    if error is None or error.blank:
        return Value(base, None, False, place)
    where = error.place.about(stream=stream, quantity=column.name)
    taken = ErrorColumn(column.error_unit, unit, lambda text: parse_unit(text, dimension))
    stated = read_stated_error(error, table, where, taken)
    if isinstance(stated, Fault):
        faults.append(stated)
        return None
    sd = base * stated.number / 100.0
    if stated.unit is not None:
        sd = stated.unit.to_base(stated.number)
    if sd > _LARGEST[dimension]:
        faults.append(Fault(f"The stated error is {error.text}, more than anything measured.",
                            "Correct it or its unit.", where))  # fmt: skip
        return None
    if sd == 0.0:
        faults.append(Fault("The value is 0 and its error is stated in percent of the value, which "
                            "is 0 too.", "State an absolute error for it.", where))  # fmt: skip
        return None
    return Value(base, sd, False, place)


def _wrong(
    reading: ParsedNumber, shown: str, unit: Unit, column: ValueColumn
) -> tuple[str, str] | None:
    """Return what is wrong with the size of a number, and how to mend it."""
    what = column.name if column.analyte else "mass of the fraction"
    if reading.above:
        return (f"The {what} is {shown}, only known to be above.",
                "Have it assayed by a method for such grades.")  # fmt: skip
    if not column.analyte and reading.below:
        return f"The {what} is {shown}, only known to be below.", "Weigh it."
    if not column.analyte and reading.value == 0.0:
        return (f"The {what} is {shown}.",
                "Give its dry mass. If nothing stayed on the sieve, the assays of the rest are "
                "plain assays: write them into the measurements.")  # fmt: skip
    if unit.to_base(reading.value) > _LARGEST[Dimension.MASS]:
        return f"The {what} is {shown}, more than the whole Earth.", "Correct it or its unit."
    if reading.value < 0.0 or (reading.below and reading.value == 0.0):
        return f"The {what} is {shown}; it cannot be negative, nor below 0.", "Correct it."
    return None
