"""The columns of a table of size classes, and the openings of sieves in them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf

from oretally.flowsheet import Analyte, Dimension, Fault, Place, Unit, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.units import Series, opening_um, openings_of, outside
from oretally.io.cells import (
    MASS,
    Heading,
    Spellings,
    ValueColumn,
    error_without_column,
    is_relative,
    plain_number,
    read_heading,
    read_number,
)
from oretally.io.files import Cell, Table

__all__ = ["SIZES_COLUMNS", "OpeningColumn", "SizesColumns", "read_opening", "read_sizes_columns"]

_PASSING, _RETAINED = "passing", "retained"
_WORDS = {"stream": "stream", "note": "note", "notes": "note"}
SIZES_COLUMNS = (*_WORDS, _PASSING, _RETAINED)
"""Columns beside the masses and grades."""
_MASSES = (MASS, "dry mass")  # all masses of this table are dry
_CUMULATIVE = {"cum", "cumulative", "passing", "retained", "undersize", "oversize", "finer",
               "coarser"}  # fmt: skip
_PLAN = ("Columns: stream, passing [um], retained [um], mass [g] or mass [%], and for each analyte "
         "one such as Pb [%], each with its ± column.")  # fmt: skip
_SERIES = ", ".join(f"[{s}]" for s in Series)
_MESH = {"mesh", "#", "no.", "no", "sieve", "sieve no.", "us mesh"}
_NUMBER = re.compile(r"[<>]?\s*[+\N{MINUS SIGN}-]?[\d.,\s]+(?:[eE][+-]?\d{1,3})?")
_NOUGHT = re.compile(r"0+(?:[.,]0*)?\s*(?:\u03bcm|um|microns?|mm|cm|m)?", re.IGNORECASE)
_PAN = "pan"
_SMALLEST_UM, _LARGEST_UM = 1e-3, 1e7  # sizers of particles end above 1 nm, screens below 10 m


@dataclass(frozen=True, slots=True)
class OpeningColumn:
    """A column of openings: in a unit of length, or by the designations of a series."""

    name: str
    index: int
    unit: Unit | None = None
    series: Series | None = None


@dataclass(frozen=True, slots=True)
class SizesColumns:
    """Where everything stands; ``masses`` holds a column of masses, one of shares, or both."""

    stream: int
    passing: OpeningColumn | None
    retained: OpeningColumn
    masses: tuple[ValueColumn, ...]
    grades: tuple[ValueColumn, ...]
    note: int | None

    @property
    def values(self) -> tuple[ValueColumn, ...]:
        """All columns of numbers."""
        return (*self.masses, *self.grades)


def read_sizes_columns(
    table: Table, analytes: Sequence[Analyte], faults: list[Fault], *, listed: bool
) -> SizesColumns | None:
    """Read the header; None, with faults, if it cannot be used.

    Parameters
    ----------
    table : Table
    analytes : sequence of Analyte
        Those known so far.
    faults : list of Fault
        What is wrong is added.
    listed : bool
        Whether there can be no other analytes.
    """
    before = len(faults)
    reader = _HeaderReader(table, [a.name for a in analytes], listed, faults)
    reader.read()
    if len(faults) > before:
        return None
    return SizesColumns(
        reader.words["stream"], reader.openings.get(_PASSING), reader.openings[_RETAINED],
        tuple(c for c in reader.values if c.name == MASS),
        tuple(c for c in reader.values if c.name != MASS), reader.words.get("note"),
    )  # fmt: skip


class _HeaderReader:
    def __init__(
        self, table: Table, analytes: Sequence[str], listed: bool, faults: list[Fault]
    ) -> None:
        self.table, self.analytes, self.listed, self.faults = table, analytes, listed, faults
        self.known = Spellings([*_WORDS, _PASSING, _RETAINED, *_MASSES, "wet mass", *analytes])
        self.words: dict[str, int] = {}
        self.openings: dict[str, OpeningColumn] = {}
        self.values: list[ValueColumn] = []
        self.named: set[str] = set()

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def read(self) -> None:
        errors: list[tuple[int, Heading, Cell]] = []
        for j, cell in enumerate(self.table.header):
            heading = None if cell.problem else read_heading(cell.text, self.known)
            if heading is None or heading.second_unit or not heading.name:
                self.fault(cell.problem or f"The header '{cell.text}' cannot be read.", _PLAN,
                           cell.place)  # fmt: skip
                continue
            if heading.name in _MASSES:
                heading = replace(heading, name=MASS)
            if heading.is_error:
                errors.append((j, heading, cell))
            else:
                self.column(j, heading, cell)
        self.errors(errors)
        lost = [n for n in ("stream", _RETAINED, MASS) if n not in self.named]
        if lost:
            several = "s" if len(lost) > 1 else ""
            self.fault(f"The column{several} {', '.join(map(repr, lost))} "
                       f"{'are' if several else 'is'} missing.", _PLAN,
                       self.table.place)  # fmt: skip

    def twice(self, cell: Cell) -> None:
        self.fault(f"The column '{cell.text}' is there twice.", "Take one out.", cell.place)

    def column(self, j: int, heading: Heading, cell: Cell) -> None:
        """Take one column that is no error."""
        name = heading.name
        self.named.add(name if name != "wet mass" else MASS)
        if name in _WORDS:
            if _WORDS[name] in self.words:
                self.twice(cell)
            self.words[_WORDS[name]] = j
        elif name in (_PASSING, _RETAINED) and heading.unit != "%":
            if name in self.openings:
                self.twice(cell)
            self.opening(j, name, heading.unit, cell)
        elif name == "wet mass":
            self.fault("A size class is weighed dry here: its moisture is not known.",
                       "Dry the classes, weigh them, and name the column mass [g].",
                       cell.place)  # fmt: skip
        else:
            self.value(j, heading, cell)

    def opening(self, j: int, name: str, unit: str | None, cell: Cell) -> None:
        """Take a column of openings."""
        column = OpeningColumn(name, j)
        self.openings.setdefault(name, column)
        folded = " ".join((unit or "").split()).casefold()
        if not folded or folded in _MESH:
            problem = "The sizes stand without a unit."
            if folded:
                problem = (f"'{unit}' does not say of which series: ASTM E11, Tyler and BS 410 "
                           "number sieves differently.")  # fmt: skip
            self.fault(problem, f"Write {name} [um] or [mm] for openings\nor the series of the "
                       f"designations: {_SERIES}.", cell.place)  # fmt: skip
            return
        series = next((s for s in Series if s.casefold() == folded), None)
        try:
            found = None if series else parse_unit(unit or "", Dimension.LENGTH)
        except UnitError as error:
            mend = f"Write um or mm for openings\nor a series of designations: {_SERIES}."
            self.fault(error.problem, mend, cell.place)
            return
        self.openings[name] = OpeningColumn(name, j, found, series)

    def value(self, j: int, heading: Heading, cell: Cell) -> None:
        """Take a column of masses, of shares or of grades."""
        name = heading.name
        if name != MASS and not self.may_be_analyte(name, cell):
            return
        wanted = Dimension.GRADE
        if name == MASS:
            wanted = Dimension.SHARE if _is_share(heading.unit) else Dimension.MASS
        unit = self.unit(heading, wanted, cell)
        if unit is None:
            return
        same = (c for c in self.values if fold_name(c.name) == fold_name(name))
        if any(c.unit.dimension is wanted for c in same):
            self.twice(cell)
        self.values.append(ValueColumn(name, j, unit, "" if name == MASS else name))

    def may_be_analyte(self, name: str, cell: Cell) -> bool:
        """Tell whether a name may be that of an analyte; else a fault is added."""
        if name in self.analytes:
            return True
        if _CUMULATIVE & set(re.split(r"[\s_.%-]+", name.casefold())):
            self.fault(f"'{name}' looks cumulative; what is read is the mass of each class by "
                       "itself.", "Give the column mass [g] or mass [%]: what stayed on each "
                       "sieve.", cell.place)  # fmt: skip
            return False
        if not self.listed:
            return True
        known = ["stream", _PASSING, _RETAINED, MASS, "note", *self.analytes]
        otherwise = f"Analytes: {', '.join(self.analytes)}. List a new one under [analytes]."
        mend = did_you_mean(name, known, otherwise=otherwise)
        self.fault(f"'{name}' is no analyte of this case.", mend, cell.place)
        return False

    def unit(self, heading: Heading, dimension: Dimension, cell: Cell) -> Unit | None:
        try:
            return parse_unit(heading.unit or "", dimension)
        except UnitError as error:
            mend = f"{error.mend}\nFor shares write mass [%]." if heading.name == MASS else (
                error.mend
            )  # fmt: skip
            self.fault(error.problem, mend, cell.place.about(quantity=heading.name))
            return None

    def errors(self, found: Sequence[tuple[int, Heading, Cell]]) -> None:
        """Put the ± columns to the columns that they go with."""
        for j, heading, cell in found:
            unit, name = heading.unit or "", fold_name(heading.name)
            dimension: Dimension | None = None if is_relative(unit) else Dimension.GRADE
            if dimension is not None and name == MASS:
                dimension = Dimension.SHARE if _is_share(unit) else Dimension.MASS
            own = [c for c in self.values if fold_name(c.name) == name]
            fitting = [c for c in own if dimension in (None, c.unit.dimension)]
            if not fitting:
                if own or heading.name not in self.named:
                    self.stray(heading, cell, own)
                continue  # else its column was refused itself
            error_unit = None if dimension is None else self.unit(heading, dimension, cell)
            if any(c.error is not None for c in fitting):
                self.fault(f"The error column '{cell.text}' goes with a column that has one "
                           "already.", "Take one out.", cell.place)  # fmt: skip
                continue
            for c in fitting:
                self.values[self.values.index(c)] = replace(c, error=j, error_unit=error_unit)

    def stray(self, heading: Heading, cell: Cell, own: Sequence[ValueColumn]) -> None:
        """Refuse a ± column that goes with nothing."""
        mend = ""
        if own:
            c = own[0]
            mend = (f"Write ± {c.title} for an error in {c.unit}\nor ± {c.name} [rel %] for one in "
                    "percent of the value.")  # fmt: skip
        self.faults.append(error_without_column(cell, mend=mend))


def _is_share(unit: str | None) -> bool:
    """Tell whether the unit of a mass is that of a share of the whole."""
    try:
        parse_unit(unit or "", Dimension.SHARE)
    except UnitError:
        return False
    return True


def read_opening(
    cell: Cell, column: OpeningColumn, table: Table, stream: str, faults: list[Fault]
) -> float | None:
    """Return the opening of a cell in um; None, with a fault, if it cannot be read.

    Blank is infinity for what passed, 0 for what was retained: the ends of a stack.
    """
    last = column.name == _RETAINED
    if cell.blank:
        return 0.0 if last else inf
    place = cell.place.about(stream=stream, quantity=column.name)
    text = cell.text
    if last and (text.casefold() == _PAN or _NOUGHT.fullmatch(text)):
        return 0.0
    named = isinstance(cell.value, str) and _NUMBER.fullmatch(text) is None  # with a unit, a number
    value = plain_number(cell)
    if cell.problem or (value is None and not named):
        reading = read_number(cell, table, place, "opening")
        if isinstance(reading, Fault):
            faults.append(reading)
            return None
        if reading.below or reading.above:
            mend = "Write one number: the opening of the sieve."
            faults.append(Fault(f"The opening is '{text}'.", mend, place))
            return None
        value = reading.value
    try:
        if column.unit is not None and value is not None:
            um = _in_unit(value, column.unit)
        else:
            text = text.replace(",", ".") if table.decimal == "," else text
            um = opening_um(text, column.series)
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, place))
        return None
    wrong = _impossible(um, text, column)
    if wrong is not None:
        faults.append(Fault(*wrong, place))
        return None
    return um


def _in_unit(value: float, unit: Unit) -> float:
    """Return an opening in um; exact, so that 0.3 mm and 300 um are one opening."""
    if not abs(value) < _LARGEST_UM:  # out of reach in any unit; keeps fractions small
        return value
    return float(Fraction(repr(value)) * unit.factor * 1_000_000)


def _impossible(um: float, text: str, column: OpeningColumn) -> tuple[str, str] | None:
    """Return what is wrong with the size of an opening, and how to mend it."""
    shown = f"{text} {column.unit}" if column.unit and _NUMBER.fullmatch(text) else text
    if um <= 0.0:
        what = "The opening is" if um < 0.0 else "What passed has the opening"
        return (f"{what} {shown}; an opening is above 0.",
                "Write the opening of the sieve, or leave the cell blank for the "
                f"{'finest' if column.name == _RETAINED else 'coarsest'} class.")  # fmt: skip
    if not _SMALLEST_UM <= um < _LARGEST_UM:
        return f"The opening is {shown}; no sieve has that.", "Correct it or its unit."
    if column.series is not None and outside([um], column.series):
        near = _nearest(um, column.series)
        return (f"The opening {shown} is none of {column.series}.",
                f"Write the sieve that was used; the nearest is {near:g} um\nor name the column "
                f"{column.name} [um].")  # fmt: skip
    return None


def _nearest(um: float, series: Series) -> float:
    return min(openings_of(series), key=lambda opening: abs(opening - um))
