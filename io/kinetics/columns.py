"""The columns of a table of times: what was drawn off, found in it, and put in.

    time [h], solution sampled [mL], Au in solution [mg/L], solution added [mL],
    Au in solution added [mg/L], NaCN added [g], NaCN left [g/L], pH, note

each number with a ± column if it has errors of its own. 'NaCN' is whatever name a reagent has; what
is added in a unit of volume is a stock solution.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from oretally.flowsheet import Analyte, Dimension, Fault, Place, Unit, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import in_solution, solution_unit
from oretally.flowsheet.units import time_unit, units_of
from oretally.io.cells import (
    WATER,
    Heading,
    Spellings,
    ValueColumn,
    dissolved_name,
    error_without_column,
    is_relative,
    quantity_unit,
    read_heading,
)
from oretally.io.definition import SOLUTION_ADDED, SOLUTION_SAMPLED
from oretally.io.files import Cell, Table

__all__ = ["KINETICS_COLUMNS", "PH", "KineticsColumns", "ReagentColumns", "read_kinetics_columns"]

PH = "pH"
KINETICS_COLUMNS = ("time", SOLUTION_SAMPLED, SOLUTION_ADDED, PH, "note")
"""Columns beside the grades of solution and the reagents."""
_PLAN = (
    "Columns: time [h], solution sampled [mL], Au in solution [mg/L], solution added [mL], and for "
    "each reagent one such as NaCN added [g] and NaCN left [g/L]; pH; note. Each number may have "
    "its ± column."
)
_ADDED, _LEFT, _FREE = " added", " left", "free "
_TIME = re.compile(r"time\s*[\[(,]?\s*(?P<unit>[a-z.]*?)\s*[\])]?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ReagentColumns:
    """What was put in of a reagent, and what was found; ``by_volume``: a stock solution."""

    name: str
    added: ValueColumn | None = None
    left: ValueColumn | None = None
    by_volume: bool = False


@dataclass(slots=True)
class KineticsColumns:
    """Where everything stands; analytes and reagents by their folded names."""

    time: int = -1
    unit: str = "h"
    sampled: ValueColumn | None = None
    added: ValueColumn | None = None
    grades: dict[str, ValueColumn] = field(default_factory=dict)
    added_grades: dict[str, ValueColumn] = field(default_factory=dict)
    reagents: dict[str, ReagentColumns] = field(default_factory=dict)
    ph: ValueColumn | None = None
    note: int | None = None


def read_kinetics_columns(
    table: Table, analytes: Sequence[Analyte], faults: list[Fault], *, times_only: bool = False
) -> KineticsColumns | None:
    """Read the header; None, with faults, if it cannot be used.

    ``times_only``: whatever else is wrong, if the column of times can be read.
    """
    before = len(faults)
    reader = _HeaderReader(table, analytes, faults)
    reader.read()
    if times_only:
        return reader.found if reader.found.time >= 0 else None
    return reader.found if len(faults) == before else None


class _HeaderReader:
    def __init__(self, table: Table, analytes: Sequence[Analyte], faults: list[Fault]) -> None:
        self.table, self.faults = table, faults
        self.of_solution = {fold_name(in_solution(a.name)): a for a in analytes}
        self.of_added = {fold_name(f"{in_solution(a.name)} added"): a for a in analytes}
        names = [in_solution(a.name) for a in analytes]
        self.names = [*KINETICS_COLUMNS, *names]
        self.known = Spellings([*self.names, *(f"{n} added" for n in names)])
        self.found = KineticsColumns()
        self.columns: dict[str, ValueColumn] = {}
        self.refused: set[str] = set()

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def read(self) -> None:
        errors = list[tuple[int, Heading, Cell]]()
        seen = set[str]()
        for j, cell in enumerate(self.table.header):
            clock = _TIME.fullmatch(cell.text)
            if clock is not None and "time" not in seen:
                seen.add("time")
                self.time(j, clock["unit"], cell)
                continue
            heading = None if cell.problem else read_heading(cell.text, self.known)
            if heading is None or heading.second_unit or not heading.name:
                self.fault(cell.problem or f"The header '{cell.text}' cannot be read.", _PLAN,
                           cell.place)  # fmt: skip
                continue
            if heading.is_error:
                errors.append((j, replace(heading, name=self.plain(heading.name)), cell))
                continue
            heading = replace(heading, name=self.plain(heading.name))
            name = fold_name(heading.name)
            if name in seen:
                self.fault(f"The column '{cell.text}' is there twice.", "Take one out.", cell.place)
                continue
            seen.add(name)
            self.column(j, heading, cell)
        for j, heading, cell in errors:
            self.error(j, heading, cell)
        self.settle()
        if self.found.time < 0 and "time" not in self.refused:
            self.fault("The column 'time' is missing.", _PLAN, self.table.place)

    def column(self, j: int, heading: Heading, cell: Cell) -> None:
        """Take one column that is no error."""
        name = fold_name(heading.name)
        if name in ("note", "notes"):
            self.found.note = j
        elif name == "ph":
            if not self.of_ph(heading, cell):
                self.columns["ph"] = ValueColumn(PH, j, parse_unit("%", Dimension.SHARE))
        elif (unit := self.unit(name, heading.unit or "", cell)) is not None:
            self.columns[name] = ValueColumn(heading.name, j, unit)

    def of_ph(self, heading: Heading, cell: Cell) -> bool:
        """Refuse a unit of pH, or of its error; return whether there is one."""
        if heading.unit is not None:
            self.refused.add("ph")
            self.fault(f"The column '{cell.text}' has a unit, and a pH has none.",
                       f"Write {'± ' * heading.is_error}pH; its ± is in pH too.",
                       cell.place)  # fmt: skip
        return heading.unit is not None

    def plain(self, written: str) -> str:
        """Return a name as it is known: 'Au solution' is 'Au in solution'."""
        whole = " ".join(written.split())
        added = whole.casefold().endswith(_ADDED)
        of = dissolved_name(whole[: -len(_ADDED)] if added else whole)
        if of is None:
            return whole
        known = self.of_solution.get(fold_name(in_solution(of)))
        name = in_solution(of if known is None else known.name)
        return f"{name} added" if added else name

    def time(self, j: int, symbol: str, cell: Cell) -> None:
        """Take the column of times."""
        try:
            unit = time_unit(symbol)
        except UnitError as error:
            self.refused.add("time")
            self.fault(error.problem, error.mend, cell.place)
            return
        self.found.time, self.found.unit = j, unit

    def unit(self, name: str, symbol: str, cell: Cell) -> Unit | None:
        """Return the unit of a column, as the balance takes it; None, with a fault, if wrong."""
        place = cell.place.about(quantity=cell.text)
        try:
            if name in (SOLUTION_SAMPLED, SOLUTION_ADDED):
                return quantity_unit(WATER, symbol, Dimension.MASS)
            if name in self.of_solution or name in self.of_added or _left_of(name):
                return solution_unit(symbol)
            if name.endswith(_ADDED):
                return quantity_unit(WATER, symbol, Dimension.MASS)
        except UnitError as error:
            self.refused.add(name)
            self.fault(error.problem, error.mend, place)
            return None
        self.refused.add(name)
        mend = did_you_mean(cell.text, self.names, otherwise=_PLAN)
        self.fault(f"'{cell.text}' is no column of a table of times.", mend, cell.place)
        return None

    def error(self, j: int, heading: Heading, cell: Cell) -> None:
        """Put a ± column to the column that it goes with."""
        name, symbol = fold_name(heading.name), heading.unit or ""
        if name in self.refused:
            return
        own = self.columns.get(name)
        if own is None:
            self.faults.append(error_without_column(cell))
            return
        if own.error is not None:
            self.fault(f"The error column '{cell.text}' goes with a column that has one already.",
                       "Take one out.", cell.place)  # fmt: skip
            return
        unit: Unit | None = own.unit if name == "ph" else None
        if name == "ph":
            if self.of_ph(heading, cell):
                return
        elif not is_relative(symbol):
            unit = self.unit(name, symbol, cell)
            if unit is None:
                return
        self.columns[name] = replace(own, error=j, error_unit=unit)

    def settle(self) -> None:
        """Give each column its place."""
        found = self.found
        for name, column in self.columns.items():
            reagent = _left_of(name)
            if name == SOLUTION_SAMPLED:
                found.sampled = column
            elif name == SOLUTION_ADDED:
                found.added = column
            elif name == "ph":
                found.ph = column
            elif name in self.of_solution:
                found.grades[self.of_solution[name].name] = column
            elif name in self.of_added:
                found.added_grades[self.of_added[name].name] = column
            elif reagent:
                own = found.reagents.get(reagent, ReagentColumns(_spelt(column.name)))
                found.reagents[reagent] = replace(own, left=column)
            else:
                key = name.removesuffix(_ADDED)
                own = found.reagents.get(key, ReagentColumns(_spelt(column.name)))
                by_volume = column.unit.symbol in units_of(Dimension.VOLUME)
                found.reagents[key] = replace(own, added=column, by_volume=by_volume)


def _left_of(folded: str) -> str:
    """Return the reagent of which a column says what is left; empty if of none."""
    if folded.endswith(_LEFT):
        return folded.removesuffix(_LEFT)
    return folded.removeprefix(_FREE) if folded.startswith(_FREE) else ""


def _spelt(title: str) -> str:
    """Return the name of a reagent as its column spells it."""
    words = " ".join(title.split())
    low = words.casefold()
    if low.endswith(_ADDED):
        return words[: -len(_ADDED)]
    return words[: -len(_LEFT)] if low.endswith(_LEFT) else words[len(_FREE) :]
