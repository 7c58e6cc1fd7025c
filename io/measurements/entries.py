"""Entries to measurements: numbers checked, stated errors found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from oretally.flowsheet import Analyte, Dimension, Fault, Missing
from oretally.flowsheet.survey import SizeRule, in_solution
from oretally.io.cells import (
    RELATIVE,
    Grade,
    Measurand,
    StreamNames,
    TypedValue,
    ValueReader,
    Weight,
    quantity_unit,
    with_own_unit,
)
from oretally.io.definition import STOCKS_FILE, Definition
from oretally.io.files import Cell, Table, toml_key
from oretally.io.measurements.replicates import Reading
from oretally.io.measurements.table import Entry, EntryTable

__all__ = ["EntryChecker"]

_NAMED = 8  # numbers that are named after the first, of those with one fault

_NO_STOCK = (
    "No stock is below 0: write 0 for an empty pile, and leave the cell blank if nobody measured "
    "it.\nIf it was computed from what came in and went out, one of those masses is wrong."
)


class EntryChecker(ValueReader):
    """Turns entries into readings, or into faults."""

    def __init__(
        self, table: Table, read: EntryTable, definition: Definition,
        analytes: Sequence[Analyte], faults: list[Fault],
    ) -> None:  # fmt: skip
        in_doubt = definition.rules_in_doubt
        super().__init__(table, definition.errors, in_doubt, faults=faults, notes=[])
        self.read = read
        self.streams = StreamNames(definition.stream_names)
        self.analytes = {a.name: a for a in analytes}
        self.analytes |= {(name := in_solution(a.name)): Analyte(name, a.unit) for a in analytes}
        self.measurands: dict[str, Measurand] = {}
        self.without_error: dict[str, tuple[Measurand, list[TypedValue]]] = {}
        self.spelt: dict[str, str] = {}
        self.told: set[Fault] = set()

    def reading(self, entry: Entry) -> Reading | None:
        """Return the reading of one entry; None, with faults, if it cannot be used."""
        written, of = entry.stream.text, self.measurand(entry)
        stream = self.spelt.get(written) or self.stream(entry.stream)
        read = self.value(entry.value, of, entry.unit, stream=written, quantity=entry.quantity)
        if read is None:
            return None
        rule: SizeRule | None = None
        known = of.bounded(read)
        if known is not None:
            value, sd, source, note = known.value, known.sd, known.source, known.note
        else:
            value, note = read.value, entry.note
            stated = self.stated_sd(read, of, entry.error, entry.error_unit)
            if stated is None:
                return None
            sd, rule, source = stated
        if stream is None:
            return None
        return Reading(
            stream, entry.quantity, value, read.unit, sd, source, note, entry.value, rule
        )

    def measurand(self, entry: Entry) -> Measurand:
        """Return what the numbers of a quantity are of."""
        found = self.measurands.get(entry.quantity)
        if found is None:
            name, analyte = entry.quantity, self.analytes.get(entry.quantity)
            unit_of = partial(quantity_unit, name, dimension=entry.unit.dimension)
            if analyte is not None:
                found = Grade(unit_of=unit_of, title=name, rules=(name,), analyte=analyte)
            else:
                found = Weight(unit_of=unit_of, title=name, rules=(name,), what=name)
                if self.table.place.file == STOCKS_FILE or self.table.place.sheet == "stocks":
                    found = replace(found, negative=_NO_STOCK)
            self.measurands[name] = found
        return found

    def stream(self, cell: Cell) -> str | None:
        """Return the stream as the circuit spells it; None, with a fault, if there is none."""
        if cell.blank or not self.streams.known:
            return None
        found = self.streams.find(cell)
        if isinstance(found, str):
            self.spelt[cell.text] = found
            return found
        if found not in self.told:  # once for the row of a stream, whatever stands in it
            self.told.add(found)
            self.faults.append(found)
        return None

    def check_unmeasured(self) -> None:
        """Report streams that nobody knows and of which nothing was measured: a row cut short."""
        for cell in self.read.unmeasured:
            self.stream(cell)

    def instead(self, read: TypedValue, of: Measurand) -> str:
        """Return words on the rule that would stand in for a missing error, or nothing."""
        rule = self.rule(read.stream, of)
        return f" to use the rule stated for the {rule[1]}" if rule else ""

    def missing(self, read: TypedValue, of: Measurand) -> None:
        """Remember a number without an error."""
        self.without_error.setdefault(of.title, (of, []))[1].append(read)

    def report_missing(self) -> None:
        """Report numbers without an error, one fault a quantity."""
        for of, (first, *others) in self.without_error.values():
            places = [read.place for read in others]
            named = [f"'{p.stream}' ({p.cell})" for p in places[:_NAMED]]
            if len(places) > _NAMED:
                named.append(f"{len(places) - _NAMED} more")
            listed = " and ".join([*([", ".join(named[:-1])] if named[1:] else []), *named[-1:]])
            nor = f", nor for {listed}" if listed else ""
            mend, rule = self.proposal(first, of), Missing("error", of.title)
            self.faults.append(Fault(f"No error is stated{nor}.", mend, first.place, rule))

    def proposal(self, read: TypedValue, of: Measurand) -> str:
        """Return a proposal for a missing error: proposed, never used."""
        name = of.title
        same = [
            e.error.text if with_own_unit(e.error) else f"{e.error.text} {e.error_unit or RELATIVE}"
            for e in self.read.entries
            if e.quantity == name and e.error is not None and not e.error.blank
        ]
        if same:
            shown = ", ".join(dict.fromkeys(same[:3]))
            return f"Enter it beside the value; other rows of {name} state {shown}."
        usual = "relative = 3" if isinstance(of, Grade) else "relative = 0.5"
        if read.unit.dimension is Dimension.SHARE:
            usual = 'absolute = "0.5 %"'
        return (
            f"Enter it beside the value (column ± {name})\n"
            f"or state a rule: [errors] {toml_key(name)} = {{ {usual} }} "
            "(a usual figure; common practice, no source)."
        )
