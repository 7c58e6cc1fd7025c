"""The table of times of a leach, to a chain of leaches, measurements and what was put in.

kinetics.csv, or the sheet 'kinetics': a row a time. The row of time 0 says what was put in at the
start. A blank cell is a number that nobody measured, but of what is added: there it says that
nothing was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet import Analyte, Basis, Circuit, Fault, Measurement, NodeKind, Place
from oretally.flowsheet.circuit import (
    Content,
    Drawn,
    Instant,
    added_at,
    chain_faults,
    chained,
    sample_at,
)
from oretally.flowsheet.digits import format_number
from oretally.flowsheet.survey import CourseTime, Reagent, ReagentReading, TimeCourse
from oretally.io.cells import NOT_MEASURED, WATER, ValueColumn, folded_word, read_number
from oretally.io.definition import SOLUTION_ADDED, SOLUTION_SAMPLED, Definition
from oretally.io.files import Cell, Table
from oretally.io.kinetics.columns import KineticsColumns, read_kinetics_columns
from oretally.io.kinetics.reagents import reagent_contents
from oretally.io.kinetics.values import KineticsValues

__all__ = ["KINETICS_FILE", "KineticsReading", "leach_of", "names_over_time", "read_kinetics"]

KINETICS_FILE = "kinetics.csv"


@dataclass(frozen=True, slots=True)
class KineticsReading:
    """What was read: the circuit with the chain, what was measured on it, and the course."""

    circuit: Circuit
    measurements: tuple[Measurement, ...]
    course: TimeCourse
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    """A row that says something; ``time`` in the unit of the table."""

    time: float
    cells: Sequence[Cell]
    place: Place


def leach_of(definition: Definition, place: Place, faults: list[Fault]) -> str | None:
    """Return the leach that a table of times is of; None, with a fault, if it can be of none."""
    before, circuit = len(faults), definition.circuit
    if circuit is None:
        return None
    if definition.basis is not Basis.BATCH:
        faults.append(Fault("A table of times is of one batch, but the basis is rate.",
                            'Write basis = "batch", or take the table out.', place))  # fmt: skip
    if not definition.water.balanced:
        faults.append(Fault("A table of times needs the solution balanced too.",
                            "Write water = true at the top of the case (in the sheet report: "
                            "water, yes).", place))  # fmt: skip
    leaches = [n.name for n in circuit.nodes if n.kind is NodeKind.LEACH]
    if len(leaches) != 1:
        found = "no leach" if not leaches else f"{len(leaches)} leaches"
        mend = "Make each leach a case of its own."
        if not leaches:
            mend = 'Say which node it is: [nodes] "bottle" = { kind = "leach" }.'
        faults.append(Fault(f"A table of times is of one leach; the circuit has {found}.", mend,
                            place))  # fmt: skip
    return leaches[0] if len(faults) == before else None


def read_kinetics(
    table: Table, definition: Definition, analytes: Sequence[Analyte], faults: list[Fault]
) -> KineticsReading | None:
    """Read a table of times; None, with faults, if it cannot be used; None if nobody filled it in.

    Parameters
    ----------
    table : Table
    definition : Definition
        Of its case.
    analytes : sequence of Analyte
        Of the case.
    faults : list of Fault
        What is wrong is added.
    """
    before = len(faults)
    columns = read_kinetics_columns(table, analytes, faults)
    leach = leach_of(definition, table.place, faults)
    if columns is None or leach is None or definition.circuit is None:
        return None
    return _Reader(table, columns, definition, analytes, faults).read(
        definition.circuit, leach, before
    )


def names_over_time(table: Table) -> tuple[str, ...]:
    """Return what a table of times may call its streams, as far as it can be read.

    Errors may be stated for them before the circuit is known.
    """
    columns = read_kinetics_columns(table, (), list[Fault](), times_only=True)
    if columns is None:
        return ()
    reader = [read_number(row[columns.time], table, row[columns.time].place, "time")
              for row in table.rows if not row[columns.time].blank]  # fmt: skip
    labels = [_label(x.value, columns.unit) for x in reader if not isinstance(x, Fault)]
    return tuple(name(label) for label in labels for name in (sample_at, added_at))


def _label(time: float, unit: str) -> str:
    return f"{format_number(time, 6)} {unit}"


class _Reader:
    def __init__(
        self, table: Table, columns: KineticsColumns, definition: Definition,
        analytes: Sequence[Analyte], faults: list[Fault],
    ) -> None:  # fmt: skip
        self.table, self.columns, self.faults = table, columns, faults
        self.definition, self.analytes = definition, analytes
        self.notes: list[str] = []
        self.values = KineticsValues(table, definition, faults=faults, notes=self.notes)

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    def read(self, circuit: Circuit, leach: str, before: int) -> KineticsReading | None:
        start, rows = self.rows()
        if not rows:
            if start is not None:
                self.fault("No time above 0 has a number.",
                           "Write a row for each time at which solution was drawn off.",
                           start.place)  # fmt: skip
            return None
        contents = reagent_contents(
            self.definition.reagents, self.columns.reagents, self.table.place, self.faults
        )
        begun = None if start is None else self.start(start)
        instants = [self.instant(row, last=row is rows[-1]) for row in rows]
        self.faults += [
            replace(f, place=self.table.place) for f in chain_faults(circuit, leach, instants)
        ]
        if len(self.faults) > before:
            return None
        made, drawn, opened = chained(circuit, leach, instants, start=begun)
        fresh = next(
            s.name for s in circuit.streams
            if s.target == leach and s.content is Content.SOLUTION
        )  # fmt: skip
        found = list[Measurement]()
        if start is not None:
            found += self.put_in(start, fresh, opened)
        times = []
        for row, at in zip(rows, drawn, strict=True):
            found += self.drawn_off(row, at)
            times.append(self.time(row, at))
        reagents = self.reagents(start, rows, drawn, contents)
        self.values.report_missing()
        if len(self.faults) > before:
            return None
        ph = None if start is None else self.values.ph(start.cells, self.columns.ph, "start")
        course = TimeCourse(leach, self.columns.unit, tuple(times), reagents,
                            None if ph is None else ph[0], opened)  # fmt: skip
        return KineticsReading(made, tuple(found), course, tuple(self.notes))

    def label(self, row: _Row) -> str:
        return _label(row.time, self.columns.unit)

    def rows(self) -> tuple[_Row | None, list[_Row]]:
        """Return the row of time 0, if there is one, and the others in order of time."""
        start, found, c = None, dict[float, _Row](), self.columns
        for cells in self.table.rows:
            at = cells[c.time]
            said = [x for j, x in enumerate(cells) if j not in (c.time, c.note) and not x.blank]
            if at.blank:
                if said:
                    self.fault("The row has numbers, but no time.", "Enter the time.", at.place)
                continue
            read = read_number(at, self.table, at.place, "time")
            if isinstance(read, Fault):
                self.faults.append(read)
                continue
            if read.value < 0.0 or read.below or read.above:
                self.fault(f"The time is {at.text}.", "Count from the start of the leach, which is "
                           "0.", at.place)  # fmt: skip
                continue
            if not said:
                continue  # a form to fill in
            row = _Row(read.value, cells, at.place)
            if row.time == 0.0 and start is None:
                start = row
            elif row.time == 0.0 or row.time in found:
                self.fault(f"The time {self.label(row)} is there twice.",
                           "Write all that belongs to a time on one row.", at.place)  # fmt: skip
            else:
                found[row.time] = row
        return start, [found[t] for t in sorted(found)]

    def start(self, row: _Row) -> Instant | None:
        """Return what is put in at the start beside the streams of the circuit, if anything is."""
        c = self.columns
        if c.sampled is not None and self.amount(row, c.sampled) not in (None, 0.0):
            self.fault("Solution is drawn off at the time 0.",
                       "Enter it at the time at which it was drawn, or clear the cell.",
                       row.cells[c.sampled.index].place)  # fmt: skip
        return Instant(self.label(row), False, True, row.place) if self.stock(row) else None

    def stock(self, row: _Row) -> bool:
        """Whether a stock solution of a reagent is put in."""
        return any(
            r.by_volume and r.added is not None and self.amount(row, r.added) not in (None, 0.0)
            for r in self.columns.reagents.values()
        )

    def amount(self, row: _Row, column: ValueColumn) -> float | None:
        """Return the number of a cell; None if it is blank, NaN if it is no number."""
        cell = row.cells[column.index]
        if cell.blank or folded_word(cell) in NOT_MEASURED:
            return None if cell.blank else float("nan")
        read = read_number(cell, self.table, cell.place, "amount")
        return float("nan") if isinstance(read, Fault) else read.value

    def instant(self, row: _Row, *, last: bool) -> Instant:
        """Return what happened at a time."""
        c = self.columns
        found = any(not row.cells[x.index].blank
                    for x in (*c.grades.values(), *(r.left for r in c.reagents.values()))
                    if x is not None)  # fmt: skip
        drawn = None if c.sampled is None else self.amount(row, c.sampled)
        if found and c.sampled is None:
            self.fault("Solution was assayed, and nothing says how much was drawn off.",
                       "Add the column solution sampled [mL]; write 0 where it was poured back.",
                       self.table.place)  # fmt: skip
        added = self.stock(row) or (c.added is not None and self.amount(row, c.added) not in
                                    (None, 0.0))  # fmt: skip
        if added and last:
            self.fault(f"Solution is added at {self.label(row)}, behind the last sample: nothing "
                       "says what became of it.", "Enter the time at which the leach ended, or "
                       "clear the cell.", row.place)  # fmt: skip
        sampled = drawn != 0.0 and (drawn is not None or found)
        return Instant(self.label(row), sampled, added, row.place)

    def put_in(self, row: _Row, fresh: str, opened: str) -> list[Measurement]:
        """Return what was measured of the solution at the start."""
        c = self.columns
        found = [self.values.volume(row.cells, c.added, fresh, SOLUTION_ADDED)]
        for a in self.analytes:
            both = [
                self.values.grade(row.cells, of.get(a.name), fresh, a)
                for of in (c.grades, c.added_grades)
            ]
            if None not in both:
                self.fault(f"The solution at the start has {a.name} twice.",
                           "Take one of the two out.", row.place)  # fmt: skip
            found += both
        found.append(self.stock_volume(row, opened))
        return [m for m in found if m is not None and m.sd > 0.0]

    def stock_volume(self, row: _Row, stream: str, beside: Measurement | None = None
                     ) -> Measurement | None:  # fmt: skip
        """Return what stock solutions, and solution ``beside`` them, are together."""
        parts = [] if beside is None or beside.sd == 0.0 else [beside]
        for r in self.columns.reagents.values():
            if r.by_volume:
                m = self.values.reagent_added(row.cells, r.added, stream)
                parts += [m] if m is not None and m.sd > 0.0 else []
        if not parts or not stream:
            return None
        if len(parts) == 1:
            return replace(parts[0], stream=stream, quantity=WATER)
        first = parts[0]
        value, variance = (sum(x) for x in zip(*((m.value_base, m.sd_base**2) for m in parts),
                                               strict=True))  # fmt: skip
        return replace(first, stream=stream, quantity=WATER, value=first.unit.from_base(value),
                       sd=first.unit.from_base(variance**0.5),
                       note="sum of what was added")  # fmt: skip

    def drawn_off(self, row: _Row, at: Drawn) -> list[Measurement]:
        """Return what was measured of a sample, and of what was added behind it."""
        c, found = self.columns, list[Measurement | None]()
        if at.sample:
            volume = self.values.volume(row.cells, c.sampled, at.sample, SOLUTION_SAMPLED)
            found.append(volume)
            if volume is None and c.sampled is not None and row.cells[c.sampled.index].blank:
                self.notes.append(f"No volume stands for the '{at.sample}': it counts as not "
                                  "measured, not as nothing.")  # fmt: skip
        found += [self.values.grade(row.cells, c.grades.get(a.name), at.sample or at.liquid, a)
                  for a in self.analytes]  # fmt: skip
        if at.added:
            beside = self.values.volume(row.cells, c.added, at.added, SOLUTION_ADDED)
            found.append(self.stock_volume(row, at.added, beside))
            found += [self.values.grade(row.cells, c.added_grades.get(a.name), at.added, a)
                      for a in self.analytes]  # fmt: skip
        return [m for m in found if m is not None and m.sd > 0.0]

    def time(self, row: _Row, at: Drawn) -> CourseTime:
        c = self.columns
        ph, ph_sd = self.values.ph(row.cells, c.ph, at.liquid) or (None, None)
        note = "" if c.note is None else row.cells[c.note].text
        return CourseTime(row.time, at.node, at.liquid, at.sample, at.added, ph, ph_sd, note)

    def reagents(
        self, start: _Row | None, rows: Sequence[_Row], drawn: Sequence[Drawn],
        contents: dict[str, tuple[float, float]],
    ) -> tuple[Reagent, ...]:  # fmt: skip
        """Return what was put in of each reagent, and what was found."""
        made = []
        for key, r in self.columns.reagents.items():
            added = [None if start is None else self.values.reagent_added(
                start.cells, r.added, added_at(self.label(start)))]  # fmt: skip
            added += [self.values.reagent_added(row.cells, r.added, added_at(self.label(row)))
                      for row in rows[:-1]]  # fmt: skip
            left = [self.values.reagent_left(row.cells, r.left, sample_at(self.label(row)))
                    for row in rows]  # fmt: skip
            last = self.values.reagent_added(rows[-1].cells, r.added, drawn[-1].liquid)
            if last is not None and last.value > 0.0:
                self.fault(f"{r.name} is added at {self.label(rows[-1])}, when the leach ended.",
                           "Clear the cell, or enter the time at which the leach ended.",
                           last.place)  # fmt: skip
            if start is not None and r.left is not None and not start.cells[r.left.index].blank:
                self.notes.append(f"{r.name} left at the time 0 is not used: what was put in is.")
            made.append(Reagent(r.name, tuple(map(_reading, added)), tuple(map(_reading, left)),
                                *contents[key], r.by_volume))  # fmt: skip
        return tuple(made)


def _reading(m: Measurement | None) -> ReagentReading | None:
    return None if m is None else ReagentReading(m.value_base, m.sd_base)
