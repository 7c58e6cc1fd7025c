"""A laboratory batch from its table: standards, blanks and duplicates, by analyte.

Rows of routine samples (type 'sample') stand for the order in which things were assayed, and for
the first assay of a pair.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from math import inf
from pathlib import Path

from oretally.flowsheet import (
    Dimension,
    Fault,
    InputError,
    Place,
    Unit,
)
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells import (
    ErrorColumn,
    Measurand,
    ParsedNumber,
    TypedValue,
    percent_refused,
    quantity_unit,
    value_in_own_unit,
    with_own_unit,
)
from oretally.io.definition import LabLayout, LabSample
from oretally.io.files import Cell, Table, Workbook, without_pasted
from oretally.io.laboratory.contradictions import (
    BLANK_TIMES,
    AssayRange,
    BoundedBlank,
    BoundedPair,
    BoundedStandard,
)
from oretally.io.laboratory.rows import LabRow, lab_rows
from oretally.io.laboratory.source import find_layout, find_table, own_workbook

__all__ = [
    "NO_ASSAY", "Blank", "LabBatch", "LabTable", "Pair", "SampleReading", "Standard", "read_lab",
]  # fmt: skip


NO_ASSAY = "No row gives an assay."
_FEWEST_SD = 3.0  # that a certified value lies above 0
_SAME = 1e-6  # two certified figures, relative: as written in different units
_OWN_NUMBERS = "If they are readings of their own, give each its own sample number."


@dataclass(frozen=True, slots=True)
class Standard:
    """A standard as assayed, in the unit of the batch; ``name`` is that of the material."""

    sample: str
    measured: float
    certified: float
    certified_sd: float
    name: str = ""


@dataclass(frozen=True, slots=True)
class Blank:
    """A blank: its value (half the limit if ``below`` detection), and the value assayed before."""

    sample: str
    value: float
    before: float | None
    below: bool = False


@dataclass(frozen=True, slots=True)
class Pair:
    """Two assays of one sample."""

    name: str
    first: float
    second: float


@dataclass(slots=True)
class LabBatch:
    """One analyte of a batch, in ``unit``.

    ``detection`` is the least limit that stands in its blanks as '<x', or else anywhere, or None;
    ``bounded_standards``, ``bounded_blanks`` and ``bounded_pairs`` are those of which no number is
    known; ``readings`` are all numbers that are none of blanks.
    """

    analyte: str
    unit: Unit
    standards: list[Standard] = field(default_factory=list)
    blanks: list[Blank] = field(default_factory=list)
    pairs: list[Pair] = field(default_factory=list)
    bounded_standards: list[BoundedStandard] = field(default_factory=list)
    bounded_blanks: list[BoundedBlank] = field(default_factory=list)
    bounded_pairs: list[BoundedPair] = field(default_factory=list)
    detection: float | None = None
    readings: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class SampleReading:
    """One assay of a routine sample or of a duplicate, as the laboratory reports it.

    ``pair`` is the name that a duplicate shares with its sample, ``decimal`` the mark in numbers of
    the table that are written as text.
    """

    label: str
    pair: str
    analyte: str
    found: TypedValue
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class LabTable:
    """The batches of a table, an analyte each; ``notes`` say what of it was not read.

    ``samples`` are the assays of samples and duplicates, in the order of the table; ``said`` is
    whose they are, as far as the layout says it.
    """

    batches: tuple[LabBatch, ...]
    notes: tuple[str, ...]
    source: str
    samples: tuple[SampleReading, ...] = ()
    said: tuple[LabSample, ...] = ()


def read_lab(
    source: str | Path, layout: LabLayout | None = None, book: Workbook | None = None
) -> LabTable:
    """Read a batch: of a case folder, of a workbook with the sheet 'lab', or from a CSV file.

    Parameters
    ----------
    source : str or Path
    layout : LabLayout, optional
        How its columns are named; else the table [lab] of circuit.toml says it, or the sheet 'lab
        columns' of a workbook, or nothing: then the columns are our own.
    book : Workbook, optional
        What of the workbook was read already.

    Raises
    ------
    InputError
        With every fault, each located.
    """
    path = Path(source)
    faults: list[Fault] = []
    if layout is None:
        book = own_workbook(path)
        layout = find_layout(path, faults, book)
    if faults:
        raise InputError(faults)
    table = find_table(path, layout, faults, book)
    if table is None or faults:
        raise InputError(faults)
    table, alike = without_pasted(table)
    rows, notes = lab_rows(table, layout, faults)
    reader = _Reader(table, layout, faults)
    batches = reader.batches(rows)
    if not batches and not faults:
        faults.append(Fault(NO_ASSAY, "Fill in the column of values.", table.place))
    if faults:  # that a row counts once may be the cause
        raise InputError([*faults, *(Fault(note, _OWN_NUMBERS, table.place) for note in alike)])
    told = [f"{note} {_OWN_NUMBERS}" for note in alike]
    samples = tuple(reader.samples)
    return LabTable(tuple(batches), (*notes, *told), table.place.file, samples, layout.samples)


class _Reader:
    """Rows to batches; faults are collected."""

    def __init__(self, table: Table, layout: LabLayout, faults: list[Fault]) -> None:
        self.table, self.layout, self.faults = table, layout, faults
        self.found: dict[str, LabBatch] = {}
        self.samples: list[SampleReading] = []
        self.assays: dict[tuple[str, str], list[tuple[AssayRange, Place]]] = defaultdict(list)
        self.before: dict[str, float] = {}
        self.typed: set[tuple[str, str]] = set()
        self.limits: dict[str, tuple[list[float], list[float]]] = {}  # of blanks, of all else
        self.certified: dict[tuple[str, str], tuple[list[float], Place]] = {}

    def batches(self, rows: Sequence[LabRow]) -> list[LabBatch]:
        for row in rows:
            self.row(row)
        whole = not self.faults  # else an assay may be missing because it was refused
        for (key, name), values in self.assays.items():
            # without a row that is a duplicate, a name is no pair
            if (key, name) in self.typed and (whole or len(values) == 2):
                self.pair(self.found[key], name, values)
        for key, (of_blanks, others) in self.limits.items():
            _detectable(self.found[key], min(of_blanks or others))
        return list(self.found.values())

    def pair(self, batch: LabBatch, name: str, values: Sequence[tuple[AssayRange, Place]]) -> None:
        """Take a pair; one with an assay that is only bounded is not used, and said."""
        if len(values) != 2:
            many = "1 assay" if len(values) == 1 else f"{len(values)} assays"
            self.faults.append(
                Fault(f"The pair '{name}' has {many} of {batch.analyte}; a pair has two.",
                      "Give both rows the same name under 'pair': the duplicate, and its sample "
                      "or another duplicate; or give the duplicate the name of its sample.",
                      values[0][1])
            )  # fmt: skip
            return
        (one, _), (two, _) = values
        if one.known and two.known:
            batch.pairs.append(Pair(name, one.low, two.low))
            return
        batch.bounded_pairs.append(BoundedPair(name, one, two))
        batch.notes.append(
            f"The pair '{name}' ({one.text}, {two.text}) is no pair of numbers: it was not used "
            "for the precision."
        )

    def row(self, row: LabRow) -> None:
        """Take one assay."""
        key = fold_name(row.analyte)
        place = row.value.place.about(quantity=row.analyte)
        batch = self.found.setdefault(key, LabBatch(row.analyte, row.unit))
        assay = _Assay(unit_of=_unit_of(row))
        found = assay.read(row.value, self.table, row.unit, stream="", quantity=row.analyte)
        if isinstance(found, str):
            batch.notes.append(f"The {row.kind} '{row.sample}' is '{row.value.text}': {found}.")
            return
        if isinstance(found, Fault):
            self.faults.append(found)
            return
        if row.kind in ("sample", "duplicate"):
            mark = self.table.decimal
            self.samples.append(SampleReading(row.sample, row.pair, row.analyte, found, mark))
        reading, value = found.reading, _in_unit(found, batch)
        if reading.below:
            self.limits.setdefault(key, ([], []))[row.kind != "blank"].append(value)
        elif not reading.above and row.kind != "blank":
            batch.readings.append(value)
        self.take(row, batch, reading, value, place)
        self.before.pop(key, None)
        if not reading.above:  # nobody knows what such a sample carries over
            self.before[key] = value / 2.0 if reading.below else value

    def take(
        self, row: LabRow, batch: LabBatch, reading: ParsedNumber, value: float, place: Place
    ) -> None:
        found = AssayRange(
            0.0 if reading.below else value, inf if reading.above else value, row.value.text
        )
        if row.kind == "blank" and reading.above:
            batch.bounded_blanks.append(BoundedBlank(row.sample, found))
        elif row.kind == "blank":
            half = value / 2.0 if reading.below else value
            before = self.before.get(fold_name(batch.analyte))
            batch.blanks.append(Blank(row.sample, half, before, reading.below))
        elif row.kind in ("duplicate", "sample"):
            if row.kind == "duplicate" and not row.pair:
                self.faults.append(
                    Fault(f"The duplicate '{row.sample}' names no pair.",
                          "Give both assays of a sample the same name under 'pair'.", place)
                )  # fmt: skip
                return
            key = (fold_name(batch.analyte), row.pair or row.sample)
            self.assays[key].append((found, place))
            if row.kind == "duplicate":
                self.typed.add(key)
        else:
            self.standard(row, batch, found, place)

    def standard(self, row: LabRow, batch: LabBatch, found: AssayRange, place: Place) -> None:
        key = (fold_name(row.standard), fold_name(batch.analyte))
        known = self.layout.certificates.get(key)
        if known is not None:
            figures = [batch.unit.from_base(v) for v in (known.value, known.sd)]
        else:
            figures = []
            cells = (("certified", row.certified), ("certified sd", row.certified_sd))
            for column, cell in cells:
                figure = self.figure(row, column, cell, place)
                if figure is None:
                    return
                figures.append(_in_unit(figure, batch))
        name = row.standard if row.standard != row.sample else ""
        certified, sd = figures
        wrong = self.certificate(row, certified, sd, batch, place, key)
        if wrong is not None:
            self.faults.append(wrong)
            return
        if found.known:
            batch.standards.append(Standard(row.sample, found.low, certified, sd, name))
            return
        batch.bounded_standards.append(BoundedStandard(row.sample, found, certified, sd, name))
        batch.notes.append(
            f"The standard '{row.sample}' reads {found.text}: that is no number, and was not used "
            "for the bias."
        )

    def certificate(
        self, row: LabRow, certified: float, sd: float, batch: LabBatch, place: Place,
        key: tuple[str, str],
    ) -> Fault | None:  # fmt: skip
        """Return what is wrong with what is certified of a standard."""
        told = f"{certified:g} \N{PLUS-MINUS SIGN} {sd:g} {batch.unit}"
        if _FEWEST_SD * sd > certified:
            return Fault(f"The certificate of '{row.standard}' says {told}: so large an error "
                         "certifies nothing.", "Give both as the certificate has them; are the two "
                         "exchanged, or is the error in percent of the value?", place)  # fmt: skip
        (value, error), at = self.certified.setdefault(key, ([certified, sd], place))
        if max(abs(certified - value), abs(sd - error)) > _SAME * value:
            return Fault(f"The standard '{row.standard}' is certified {told} here, and {value:g} "
                         f"\N{PLUS-MINUS SIGN} {error:g} {batch.unit} in cell {at.cell}.",
                         "Correct one of them, or give two standards two names.",
                         place)  # fmt: skip
        return None

    def figure(
        self, row: LabRow, column: str, cell: Cell | None, place: Place
    ) -> TypedValue | None:
        """Return what a cell certifies, with its unit; None, with a fault, if nothing."""
        what = "certified value" if column == "certified" else column
        if cell is None or cell.blank:
            mend = f"Give it under '{column}', in the unit of the row."
            if self.layout.mapped:
                mend = (f"Name its column\nor state it: [lab.standards] \"{row.standard}\" = {{ "
                        f"{row.analyte} = {{ certified = \"...\", \"certified sd\" = \"...\" }} "
                        "}.")  # fmt: skip
            problem = f"The standard '{row.sample}' has no {what}."
            self.faults.append(Fault(problem, mend, place))
            return None
        own = with_own_unit(cell) if column == "certified sd" else None
        of = ErrorColumn(row.unit, row.unit, _unit_of(row))
        refused = own and percent_refused(cell, own, self.table, cell.place, of)
        found = refused or value_in_own_unit(
            cell, self.table, cell.place, unit=row.unit, unit_of=_unit_of(row), what=what
        )
        if isinstance(found, Fault):
            self.faults.append(found)
            return None
        low = found.value < 0.0 or (column == "certified" and found.value == 0.0)
        if low or found.reading.below or found.reading.above:
            self.faults.append(
                Fault(f"The {what} of '{row.sample}' is {cell.text}.",
                      "Give what the certificate says.", cell.place)
            )  # fmt: skip
            return None
        return found


def _unit_of(row: LabRow) -> Callable[[str], Unit]:
    """Return what reads the unit of a grade, of the solids or of the solution."""
    return partial(quantity_unit, row.analyte, dimension=Dimension.GRADE)


class _Assay(Measurand):
    """The assay of a batch; a word for 'below detection' needs its limit."""

    __slots__ = ()

    def below_unstated(self, cell: Cell, place: Place, unit: Unit) -> TypedValue | Fault:
        return Fault(f"'{cell.text}' gives no limit of detection.", "Write the limit, as in "
                     "<0.01, or leave the cell blank if it was not assayed.", place)  # fmt: skip

    def wrong(self, found: TypedValue) -> Fault | None:
        text, reading = found.cell.text, found.reading
        if found.value < 0.0:
            return Fault(f"The value is {text}.", f"Write <{text.lstrip('<>- ')} if that is how "
                         "the laboratory writes 'below detection', else a grade of 0 or more.",
                         found.place)  # fmt: skip
        if found.base > 1.0 + 1e-9:
            return Fault(f"The grade is {found}, more than the whole.",
                         "Correct the value or its unit.", found.place)  # fmt: skip
        if (reading.below or reading.above) and found.value == 0.0:
            return Fault(f"The value is {text}: the limit is 0.", "Write the limit, as in <0.01.",
                         found.place)  # fmt: skip
        return None


def _detectable(batch: LabBatch, limit: float) -> None:
    """Take a limit of detection; blanks below another one, far above it, say nothing."""
    batch.detection = limit
    blind = [b for b in batch.blanks if b.below and b.value > BLANK_TIMES * limit]
    batch.blanks = [b for b in batch.blanks if b not in blind]
    batch.notes += [
        f"The blank '{b.sample}' is below {2.0 * b.value:g} {batch.unit}: that says nothing of it, "
        "and it was not used." for b in blind
    ]  # fmt: skip


def _in_unit(found: TypedValue, batch: LabBatch) -> float:
    """Return a number in the unit of the batch; as typed if that is its own."""
    return found.value if found.unit == batch.unit else batch.unit.from_base(found.base)
