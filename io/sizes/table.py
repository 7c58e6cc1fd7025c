"""Size data from their table to measurements: the stack of sieves of each stream, masses, grades.

sizes.csv, or the sheet 'sizes': a row a class of a stream, between the sieve that it passed (blank
for the coarsest) and the one that retained it (blank, 0 or 'pan' for the finest). Its mass is that
of the class by itself, dry, or its share in percent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from math import inf

from oretally.flowsheet import Analyte, Fault, Measurement, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.problem import linked_by_size
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share, grid_of
from oretally.io.cells import StreamNames
from oretally.io.definition import Definition
from oretally.io.files import Cell, Table
from oretally.io.sizes.columns import SizesColumns, read_opening, read_sizes_columns
from oretally.io.sizes.shares import class_shares
from oretally.io.sizes.stacks import SieveClass, crossing_stacks, one_sieve_twice, stack_of
from oretally.io.sizes.values import ClassValue, ClassValues

__all__ = ["SIZES_FILE", "SizesReading", "read_sizes"]

SIZES_FILE = "sizes.csv"
_COUNTS = ("counts as the sum", "count each as the sum")


@dataclass(frozen=True, slots=True)
class SizesReading:
    """What was read of sizes.

    Attributes
    ----------
    grid : SizeGrid
        All openings in use.
    measurements : tuple of Measurement
        Shares and grades of classes; empty if anything is wrong.
    analytes : tuple of Analyte
        What the classes were assayed for, and what was known before.
    notes : tuple of str
    stacks : frozenset of str
        Streams with a stack: their shares add up to 100 %, see
        `oretally.flowsheet.problem.positions`.
    """

    grid: SizeGrid = SizeGrid()
    measurements: tuple[Measurement, ...] = ()
    analytes: tuple[Analyte, ...] = ()
    notes: tuple[str, ...] = ()
    stacks: frozenset[str] = frozenset()


def read_sizes(
    table: Table, definition: Definition, faults: list[Fault], *, assayed: Sequence[Analyte] = ()
) -> SizesReading:
    """Read a table of sizes; everything wrong with it is added to ``faults``.

    Streams have their classes in common as `linked_by_size` says. Where the row states no error,
    the rules 'class mass', 'class grades' and those of the analytes do, see `ClassValues`.

    Parameters
    ----------
    table : Table
    definition : Definition
        Of its case. If it lists no analytes, the headers name more than those ``assayed``.
    faults : list of Fault
    assayed : sequence of Analyte
        Those that the measurements name.

    Notes
    -----
    The share of a class is its mass over the sum of all, and its sd that of the mass over that
    sum: that they add up to 100 % is left to the balance, see
    `oretally.flowsheet.problem.positions`. Shares in percent are taken as masses per 100; those
    that add up to 99 to 101 are scaled to 100.
    """
    before, circuit = len(faults), definition.circuit
    analytes = definition.analytes or tuple(assayed)
    columns = read_sizes_columns(table, analytes, faults, listed=bool(definition.analytes))
    if columns is None:
        return SizesReading(analytes=analytes)
    known = {a.name for a in analytes}
    more = (Analyte(c.name, c.unit) for c in columns.grades if c.name not in known)
    analytes = (*analytes, *more)
    notes: list[str] = []
    values = ClassValues(table, analytes, definition.errors, definition.rules_in_doubt,
                         faults=faults, notes=notes)  # fmt: skip
    stacks = _Reader(table, columns, definition, faults).stacks()
    linked: Mapping[str, Set[str]] = {}
    if circuit is not None:
        linked = dict(zip(circuit.stream_names, linked_by_size(circuit), strict=True))
    groups = [{s: stacks[s] for s in stacks if s in linked.get(stream, {stream})}
              for stream in stacks]  # fmt: skip
    for i, group in enumerate(groups):
        if group not in groups[:i]:
            crossing_stacks(group, faults)
    grid = grid_of([(c.retained, c.passing) for c in stack] for stack in stacks.values())
    found: list[Measurement] = []
    for (stream, stack), group in zip(stacks.items(), groups, strict=True):
        found += _of_stream(stream, stack, grid, columns, values)
        sieves = {c.retained for other in group.values() for c in other}
        runs = [c.name for c in stack if any(c.retained < o < c.passing for o in sieves)]
        if runs:
            notes.append(f"The stack of '{stream}' lacks sieves that others have: {_listed(runs)} "
                         f"{_COUNTS[len(runs) > 1]} of the finer classes.")  # fmt: skip
    values.report_missing()
    if len(faults) > before:
        return SizesReading(analytes=analytes)
    return SizesReading(grid, tuple(found), analytes, tuple(notes), frozenset(stacks))


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _stacks(
    read: Mapping[str, Sequence[SieveClass]],
) -> tuple[dict[str, list[SieveClass]], list[Fault]]:
    """Return the stacks of streams, coarsest first, without those that have faults; the faults."""
    faults, stacks = list[Fault](), dict[str, list[SieveClass]]()
    doubtful = one_sieve_twice(read, faults)
    for stream, classes in read.items():
        stack = None if stream in doubtful else stack_of(stream, classes, faults)
        if stack is not None:
            stacks[stream] = stack
    return stacks, faults


class _Reader:
    """Rows to the stacks of the streams; faults are collected."""

    def __init__(
        self, table: Table, columns: SizesColumns, definition: Definition, faults: list[Fault]
    ) -> None:
        self.table, self.columns, self.faults = table, columns, faults
        self.streams = StreamNames(definition.stream_names)
        drawn = definition.circuit.streams if definition.circuit is not None else ()
        self.solutions = {fold_name(s.name) for s in drawn if not s.content.has_solids}
        self.told: set[str] = set()

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def stacks(self) -> dict[str, list[SieveClass]]:
        """Return the classes of each stream, coarsest first; streams with faults are left out."""
        rows: dict[str, list[tuple[Cell, ...]]] = {}
        for row in self.table.rows:
            stream = self.stream(row)
            if stream is not None:
                rows.setdefault(stream, []).append(row)
        read: dict[str, list[SieveClass]] = {}
        for stream, own in rows.items():
            if all(row[c.index].blank for row in own for c in self.columns.values):
                continue  # a table to fill in, this stream was not sieved
            classes = self.classes(stream, own)
            if classes is not None:
                read[stream] = classes
        stacks, wrong = _stacks(read)
        two_units = self.two_units(read) if wrong else None
        self.faults += wrong if two_units is None else [two_units]
        return stacks

    def two_units(self, read: Mapping[str, Sequence[SieveClass]]) -> Fault | None:
        """Return that the headers state two units, if with one of them all classes would meet."""
        passing, retained = self.columns.passing, self.columns.retained
        if passing is None or passing.unit is None or retained.unit is None:
            return None
        ratio = retained.unit.factor / passing.unit.factor
        in_one = {stream: [c.with_passing_times(float(ratio)) for c in classes]
                  for stream, classes in read.items()}  # fmt: skip
        if ratio == 1 or _stacks(in_one)[1]:
            return None
        one, other = (f"{passing.name} [{u}] and {retained.name} [{u}]"
                      for u in (retained.unit, passing.unit))  # fmt: skip
        heads = [self.table.header[c.index] for c in (passing, retained)]
        return Fault(f"The headers '{heads[0].text}' and '{heads[1].text}' (cell "
                     f"{heads[1].place.cell}) state two units, and with these no class passes the "
                     "sieve that retained the one above it; with one unit all of them do.",
                     f"Write the unit of the numbers in both: {one}\nor {other}.",
                     heads[0].place)  # fmt: skip

    def stream(self, row: Sequence[Cell]) -> str | None:
        """Return the stream of a row as the circuit spells it."""
        cell = row[self.columns.stream]
        known = self.streams.of_row(row, self.columns.stream, self.faults)
        if known is None or fold_name(known) not in self.solutions:
            return known
        if known not in self.told:
            self.told.add(known)
            self.fault(f"The stream '{known}' is a solution: it has no solids to be sieved.",
                       'Take its rows out, or correct its content in the circuit to "pulp".',
                       cell.place)  # fmt: skip
        return None

    def classes(self, stream: str, rows: Sequence[tuple[Cell, ...]]) -> list[SieveClass] | None:
        """Return the classes of a stream as written; None, with faults, if an opening is wrong."""
        before = len(self.faults)
        c, found = self.columns, []
        passing = c.passing
        if passing is not None and all(row[passing.index].blank for row in rows):
            passing = None
        coarser = inf
        for row in rows:
            own = row[c.retained.index]
            retained = read_opening(own, c.retained, self.table, stream, self.faults)
            cells, passed = [own], coarser
            if passing is not None:
                at = row[passing.index]
                read = read_opening(at, passing, self.table, stream, self.faults)
                cells.append(at)
                if read is None:
                    continue
                passed = read
            if retained is None:
                continue
            if passing is None and coarser != inf and retained >= coarser and retained > 0.0:
                self.fault(f"The rows of '{stream}' do not stand from coarse to fine, and nothing "
                           "else says what each class passed.",
                           "Put them from coarse to fine, or add the column passing [um].",
                           own.place.about(stream=stream))  # fmt: skip
                return None
            found.append(SieveClass(retained, passed, row, own.place.about(stream=stream),
                                    tuple(cell.place for cell in cells)))  # fmt: skip
            coarser = retained
        return found if len(self.faults) == before else None


def _of_stream(
    stream: str, stack: Sequence[SieveClass], grid: SizeGrid, columns: SizesColumns,
    values: ClassValues,
) -> list[Measurement]:  # fmt: skip
    """Return the shares and grades of the classes of one stream."""
    labels = [grid.label(grid.run(c.retained, c.passing)) for c in stack]
    named = [class_share(label) for label in labels]
    shares = class_shares(stream, stack, named, columns, values)
    notes = [c.row[columns.note].text if columns.note is not None else "" for c in stack]
    found = [_measured(stream, q, s) for q, s in zip(named, shares.values, strict=True) if s]
    for column in columns.grades:
        for c, label, note, mass in zip(stack, labels, notes, shares.masses, strict=True):
            quantity = class_grade(column.name, label)
            place = c.row[column.index].place.about(stream=stream, quantity=quantity)
            grade = values.grade(c.row, column, place, note)
            if grade is not None and mass == 0.0:
                values.fault("The class has the mass 0, but an assay.",
                             "Clear the assay, or correct the mass.", place)  # fmt: skip
            elif grade is not None:
                found.append(_measured(stream, quantity, grade))
    return found


def _measured(stream: str, quantity: str, v: ClassValue) -> Measurement:
    return Measurement(
        stream, quantity, v.value, v.unit, v.sd, v.source, v.note, v.place, written=v.written
    )
