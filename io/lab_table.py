"""The table of a laboratory batch: standards, blanks and duplicates, by analyte.

Columns: sample, type, analyte, value, unit, pair, certified, certified sd. Rows of routine samples
(type 'sample') stand for the order in which things were assayed, and for the first assay of a pair
that they name.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

from oretally.flowsheet import Dimension, Fault, InputError, Place, Unit, UnitError, parse_unit
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.streams import fold_name
from oretally.io.csv_table import read_csv_table
from oretally.io.number import Reading, read_number
from oretally.io.table import Cell, Table
from oretally.io.workbook import SUFFIXES, read_workbook

__all__ = ["LAB_FILE", "Blank", "LabBatch", "Pair", "Standard", "read_lab"]

LAB_FILE = "lab.csv"
_COLUMNS = ("sample", "type", "analyte", "value", "unit", "pair", "certified", "certified sd")
_NEEDED = ("sample", "type", "analyte", "value", "unit")
_TYPES = ("sample", "standard", "blank", "duplicate")


@dataclass(frozen=True, slots=True)
class Standard:
    """A standard as assayed, in the unit of the batch."""

    sample: str
    measured: float
    certified: float
    certified_sd: float


@dataclass(frozen=True, slots=True)
class Blank:
    """A blank: its value (half the limit if below detection), and the value assayed before it."""

    sample: str
    value: float
    before: float | None


@dataclass(frozen=True, slots=True)
class Pair:
    """Two assays of one sample."""

    name: str
    first: float
    second: float


@dataclass(slots=True)
class LabBatch:
    """One analyte of a batch, in ``unit``.

    ``detection`` is the largest limit that stands in it as '<x', or None.
    """

    analyte: str
    unit: Unit
    standards: list[Standard] = field(default_factory=list)
    blanks: list[Blank] = field(default_factory=list)
    pairs: list[Pair] = field(default_factory=list)
    detection: float | None = None
    notes: list[str] = field(default_factory=list)


def read_lab(source: str | Path) -> list[LabBatch]:
    """Read lab.csv of a case folder, the sheet 'lab' of a workbook, or a CSV file.

    Raises
    ------
    InputError
        With every fault, each located.
    """
    path = Path(source)
    faults: list[Fault] = []
    table = _table(path, faults)
    if table is None:
        raise InputError(faults)
    batches = _Reader(table, faults).batches()
    if faults:
        raise InputError(faults)
    return batches


def _table(path: Path, faults: list[Fault]) -> Table | None:
    file = path / LAB_FILE if path.is_dir() else path
    if not file.exists():
        faults.append(
            Fault("There is no such file." if not path.is_dir() else f"There is no {LAB_FILE} in "
                  "the folder.", f"Write it: columns {', '.join(_COLUMNS)}.",
                  Place(file=str(path)))
        )  # fmt: skip
        return None
    if file.suffix.casefold() in SUFFIXES:
        sheets, wrong = read_workbook(file, file.name, ("lab",))
        faults.extend(wrong)
        if "lab" not in sheets and not wrong:
            faults.append(Fault("There is no sheet 'lab'.", f"Add it: {', '.join(_COLUMNS)}.",
                                Place(file=file.name)))  # fmt: skip
        return sheets.get("lab")
    table, wrong = read_csv_table(file, file.name)
    faults.extend(wrong)
    return table


class _Reader:
    """Rows to batches; faults are collected."""

    def __init__(self, table: Table, faults: list[Fault]) -> None:
        self.table, self.faults = table, faults
        self.found: dict[str, LabBatch] = {}
        self.duplicates: dict[tuple[str, str], list[tuple[float, Place]]] = defaultdict(list)
        self.before: dict[str, float] = {}
        self.typed: set[tuple[str, str]] = set()

    def batches(self) -> list[LabBatch]:
        position = self.header()
        if position is None:
            return []
        for line in self.table.rows:
            self.row({name: line[j] for name, j in position.items()})
        for (key, name), values in self.duplicates.items():
            if (key, name) not in self.typed:
                continue  # a pair of which no row says that it is a duplicate
            if len(values) != 2:
                many = "1 assay" if len(values) == 1 else f"{len(values)} assays"
                self.faults.append(
                    Fault(f"The pair '{name}' has {many} of {self.found[key].analyte}; a pair has "
                          "two.", "Give both rows the same name under 'pair': the duplicate, and "
                          "its sample or another duplicate.", values[0][1])
                )  # fmt: skip
                continue
            (one, _), (two, _) = values
            self.found[key].pairs.append(Pair(name, one, two))
        return list(self.found.values())

    def header(self) -> dict[str, int] | None:
        position: dict[str, int] = {}
        for j, cell in enumerate(self.table.header):
            word = cell.text.casefold()
            if word in _COLUMNS and word not in position:
                position[word] = j
            elif word in position:
                self.faults.append(
                    Fault(f"The column '{cell.text}' is there twice.", "Take one out.", cell.place)
                )
            elif not cell.blank:
                near = nearest_name(cell.text, _COLUMNS)
                mend = f"Did you mean '{near}'?" if near else f"Columns: {', '.join(_COLUMNS)}."
                self.faults.append(Fault(f"'{cell.text}' is not a column here.", mend, cell.place))
        missing = [c for c in _NEEDED if c not in position]
        if missing:
            self.faults.append(
                Fault(f"The column {', '.join(map(repr, missing))} is missing.",
                      f"Columns: {', '.join(_COLUMNS)}.", self.table.place)
            )  # fmt: skip
            return None
        return position

    def row(self, cells: dict[str, Cell]) -> None:
        if cells["value"].blank:
            return
        kind = cells["type"].text.casefold()
        place = cells["value"].place.about(quantity=cells["analyte"].text)
        if kind not in _TYPES:
            near = nearest_name(kind, _TYPES)
            self.faults.append(
                Fault(f"The type is '{cells['type'].text}'.",
                      f"Did you mean '{near}'?" if near else f"Types: {', '.join(_TYPES)}.",
                      cells["type"].place)
            )  # fmt: skip
            return
        batch, unit = self.batch(cells, place)
        if batch is None or unit is None:
            return
        reading = read_number(cells["value"], self.table, place, "value")
        if isinstance(reading, Fault):
            self.faults.append(reading)
            return
        if reading.value < 0.0 or reading.above:
            self.faults.append(
                Fault(f"The value is {cells['value'].text}.", "Give a grade of 0 or more.", place)
            )
            return
        value = batch.unit.from_base(unit.to_base(reading.value))
        self.take(kind, cells, batch, reading, value, place)
        self.before[fold_name(batch.analyte)] = value / 2.0 if reading.below else value

    def batch(self, cells: dict[str, Cell], place: Place) -> tuple[LabBatch | None, Unit | None]:
        name = " ".join(cells["analyte"].text.split())
        try:
            unit = parse_unit(cells["unit"].text, Dimension.GRADE)
        except UnitError as error:
            self.faults.append(Fault(error.problem, error.mend, place))
            return None, None
        if not name:
            self.faults.append(Fault("The row names no analyte.", "Write it.", place))
            return None, None
        return self.found.setdefault(fold_name(name), LabBatch(name, unit)), unit

    def take(
        self, kind: str, cells: dict[str, Cell], batch: LabBatch, reading: Reading, value: float,
        place: Place,
    ) -> None:  # fmt: skip
        sample = cells["sample"].text
        if reading.below:
            batch.detection = max(batch.detection or 0.0, value)
            if kind in ("standard", "duplicate"):
                batch.notes.append(f"{kind} '{sample}' is below detection and not used.")
                return
        if kind == "blank":
            half = value / 2.0 if reading.below else value
            batch.blanks.append(Blank(sample, half, self.before.get(fold_name(batch.analyte))))
        elif kind == "duplicate":
            name = cells["pair"].text if "pair" in cells else ""
            if not name:
                self.faults.append(
                    Fault(f"The duplicate '{sample}' names no pair.",
                          "Give both assays of a sample the same name under 'pair'.", place)
                )  # fmt: skip
                return
            self.duplicates[fold_name(batch.analyte), name].append((value, place))
            self.typed.add((fold_name(batch.analyte), name))
        elif kind == "sample" and "pair" in cells and not cells["pair"].blank:
            self.duplicates[fold_name(batch.analyte), cells["pair"].text].append((value, place))
        elif kind == "standard":
            self.standard(cells, batch, sample, value, place)

    def standard(
        self, cells: dict[str, Cell], batch: LabBatch, sample: str, value: float, place: Place
    ) -> None:
        figures = []
        for column, least in (("certified", 0.0), ("certified sd", 0.0)):
            cell = cells.get(column)
            if cell is None or cell.blank:
                self.faults.append(
                    Fault(f"The standard '{sample}' has no {column} value.",
                          f"Give it under '{column}', in the unit of the row.", place)
                )  # fmt: skip
                return
            reading = read_number(cell, self.table, cell.place, column)
            if isinstance(reading, Fault):
                self.faults.append(reading)
                return
            if reading.value < least or (column == "certified" and reading.value == 0.0):
                self.faults.append(
                    Fault(f"The {column} of '{sample}' is {cell.text}.",
                          "Give what the certificate says.", cell.place)
                )  # fmt: skip
                return
            unit = parse_unit(cells["unit"].text, Dimension.GRADE)
            figures.append(batch.unit.from_base(unit.to_base(reading.value)))
        batch.standards.append(Standard(sample, value, *figures))
