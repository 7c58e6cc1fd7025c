"""Entries to measurements: numbers checked, stated errors found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from oretally.flowsheet import (
    Analyte,
    Basis,
    Dimension,
    ErrorModel,
    Fault,
    Measurement,
    Unit,
    UnitError,
)
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.survey import SizeRule, in_solution
from oretally.io.cells import (
    BELOW,
    NOT_MEASURED,
    TWO_WAYS,
    ErrorColumn,
    ParsedNumber,
    StatedError,
    above_range,
    below_detection,
    dissolved_name,
    extrapolation_notes,
    folded_word,
    in_own_unit,
    plain_number,
    quantity_unit,
    read_number,
    read_stated_error,
    with_own_unit,
)
from oretally.io.definition import STOCKS_FILE
from oretally.io.files import Table
from oretally.io.measurements.table import Entry, EntryTable

__all__ = ["EntryChecker"]

_ABSURD = 6e24  # kg, and whatever else stands in base units
_NO_STOCK = (
    "No stock is below 0: write 0 for an empty pile, and leave the cell blank if nobody measured "
    "it.\nIf it was computed from what came in and went out, one of those masses is wrong."
)


class EntryChecker:
    """Turns entries into measurements, or into faults."""

    def __init__(
        self,
        table: Table,
        basis: Basis,
        streams: Sequence[str],
        analytes: Sequence[Analyte],
        errors: ErrorModel,
        faults: list[Fault],
        read: EntryTable,
    ) -> None:
        self.table, self.basis, self.errors = table, basis, errors
        self.faults, self.read = faults, read
        self.streams = {fold_name(s): s for s in streams}
        self.analytes = {a.name: a for a in analytes}
        solutions = [Analyte(in_solution(a.name), a.unit) for a in analytes]
        self.analytes |= {a.name: a for a in solutions}
        self.notes: list[str] = []
        self.rules_in_doubt: frozenset[str] = frozenset()

    def measurement(self, entry: Entry) -> tuple[Measurement, SizeRule | None] | None:
        """Return the measurement of one entry; None, with faults, if it cannot be used.

        Beside it stands what states its error at any level; None if only bounds are known.
        """
        stream = self.stream(entry)
        if plain_number(entry.value) is None:
            entry_ = self.in_own_unit(entry)
            if entry_ is None or self.not_measured(entry_):
                return None
            entry = entry_
        reading = self.reading(entry)
        if isinstance(reading, Fault):
            self.faults.append(reading)
            return None
        wrong = self.implausible(entry, reading)
        if wrong is not None:
            self.faults.append(wrong)
            return None
        rule: SizeRule | None = None
        if reading.below:
            known = below_detection(reading.value, entry.unit)
            value, sd, source, note = known.value, known.sd, known.source, known.note
        elif reading.above:
            top = entry.unit.from_base(self.analytes[entry.quantity].maximum)
            known = above_range(reading.value, top, entry.unit)
            value, sd, source, note = known.value, known.sd, known.source, known.note
        else:
            value, note = reading.value, entry.note
            stated = self.stated_error(entry, value)
            if stated is None:
                return None
            sd, rule, source = stated
        if stream is None:
            return None
        return Measurement(
            stream, entry.quantity, value, entry.unit, sd, source, note, entry.place
        ), rule

    def in_own_unit(self, entry: Entry) -> Entry | None:
        """Return the entry in the unit that its cell names, if it names one."""
        if folded_word(entry.value) in BELOW:
            return entry
        try:
            number, unit = in_own_unit(entry.value, entry.unit, self.unit_of(entry))
        except UnitError as error:
            self.faults.append(Fault(error.problem, error.mend, entry.place))
            return None
        return replace(entry, value=number, unit=unit)

    def unit_of(self, entry: Entry) -> Callable[[str], Unit]:
        """Return what reads the spelling of a unit for the quantity of an entry."""
        return lambda text: quantity_unit(entry.quantity, text, entry.unit.dimension)

    def not_measured(self, entry: Entry) -> bool:
        """Tell whether a word says that nothing was measured; it is noted."""
        meaning = NOT_MEASURED.get(folded_word(entry.value))
        if meaning is not None:
            self.notes.append(
                f"{entry.quantity} of '{entry.stream.text}' is '{entry.value.text}': {meaning}; "
                "it counts as not measured."
            )
        return meaning is not None

    def reading(self, entry: Entry) -> ParsedNumber | Fault:
        """Return the number, or the detection limit where a word says that it is below."""
        word = folded_word(entry.value)
        if word in TWO_WAYS:
            one, two = TWO_WAYS[word]
            return Fault(
                f"'{entry.value.text}' can be read as {one} or as {two}.",
                f"Write <0.01 (the limit) for {one}\nor leave the cell blank for {two}.",
                entry.place,
            )
        if word not in BELOW:
            return read_number(entry.value, self.table, entry.place, "value")
        analyte = self.analytes.get(entry.quantity)
        if analyte is None:
            return Fault(f"A {entry.quantity} cannot be '{entry.value.text}'.",
                         "Weigh it, or leave it blank.", entry.place)  # fmt: skip
        if analyte.detection is None and dissolved_name(analyte.name) is not None:
            return Fault(
                f"'{entry.value.text}' says that the grade is below detection, but not below what.",
                "Write the limit, as in <0.01.",
                entry.place,
            )
        if analyte.detection is None:
            spelt = f'"{analyte.name}"' if " " in analyte.name else analyte.name
            return Fault(
                f"'{entry.value.text}' says that the grade is below detection, but not below what.",
                f"Write the limit, as in <0.01\nor state it for the analyte: [analytes] {spelt} = "
                f'{{ unit = "{analyte.unit}", detection = "0.01 {analyte.unit}" }}.',
                entry.place,
            )
        return ParsedNumber(entry.unit.from_base(analyte.detection), below=True)

    def stream(self, entry: Entry) -> str | None:
        """Return the stream as the circuit spells it."""
        name = entry.stream.text
        if not name or not self.streams:
            return None
        known = self.streams.get(fold_name(name))
        if known is None:
            near = nearest_name(name, list(self.streams.values()))
            mend = f"Did you mean '{near}'?" if near else (
                f"Streams: {', '.join(self.streams.values())}."
            )  # fmt: skip
            fault = Fault(f"There is no stream '{name}' in the circuit.", mend, entry.stream.place)
            if fault not in self.faults:
                self.faults.append(fault)
        return known

    def implausible(self, entry: Entry, reading: ParsedNumber) -> Fault | None:
        """Return what is wrong with the size of a number."""
        grade = entry.quantity in self.analytes
        what = "grade" if grade else entry.quantity
        if reading.below and not grade:
            return Fault(f"A {what} cannot be below detection.", "Weigh it, or leave it blank.",
                         entry.place)  # fmt: skip
        if reading.below and reading.value <= 0.0:
            return Fault("The detection limit is 0 or less.", "Write the limit, as in <0.01.",
                         entry.place)  # fmt: skip
        if reading.above and (not grade or dissolved_name(entry.quantity) is not None):
            mend = f"{'Assay' if grade else 'Weigh'} it, or leave it blank."
            return Fault(f"A {what} is measured, or it is not: '>' says neither.", mend,
                         entry.place)  # fmt: skip
        shown = f"{reading.value:g} {entry.unit}"
        if reading.value < 0.0:
            mend = "Correct it, or leave the cell blank if it was not measured."
            if not grade and (entry.place.file == STOCKS_FILE or entry.place.sheet == "stocks"):
                mend = _NO_STOCK
            return Fault(f"The {what} is {shown}; it cannot be negative.", mend, entry.place)
        if not grade:
            if entry.unit.to_base(reading.value) > _ABSURD:
                return Fault(f"The {what} is {shown}, more than the whole Earth.",
                             "Correct the value or its unit.", entry.place)  # fmt: skip
            return None
        largest = self.analytes[entry.quantity].maximum
        if reading.above and entry.unit.to_base(reading.value) >= largest * (1.0 - 1e-9):
            return Fault(f"The grade is above {shown}, which is the most that it can be.",
                         "Correct the value or its unit.", entry.place)  # fmt: skip
        if entry.unit.to_base(reading.value) > largest * (1.0 + 1e-9):
            limit = f"{entry.unit.from_base(largest):g} {entry.unit}"
            why = "more than the whole" if largest == 1.0 else "more than the stated max"
            return Fault(
                f"The grade is {shown}, {why} ({limit}).",
                "Correct the value or its unit.",
                entry.place,
            )
        return None

    def stated_error(self, entry: Entry, value: float) -> tuple[float, SizeRule, str] | None:
        """Return the sd, what states it and its source: the row, the stream or the quantity."""
        if entry.error is not None and not entry.error.blank:
            plain = plain_number(entry.error)
            if plain is not None and plain > 0.0:
                return self.positive(StatedError(plain, entry.error_unit), value, entry, "row")
            place = entry.error.place.about(stream=entry.stream.text, quantity=entry.quantity)
            column = ErrorColumn(entry.error_unit, entry.unit, self.unit_of(entry))
            stated = read_stated_error(
                entry.error, self.table, place, column, instead=self.fallback(entry)
            )
            if isinstance(stated, Fault):
                self.faults.append(stated)
                return None
            return self.positive(stated, value, entry, "row")
        rule = self.errors.rule(entry.stream.text, entry.quantity)
        if rule is None:
            if {"*", fold_name(entry.quantity)} & self.rules_in_doubt:
                return None
            self.faults.append(Fault("No error is stated.", self.proposal(entry), entry.place))
            return None
        self.notes += extrapolation_notes(
            rule[0], entry.stream.text, entry.quantity, value, entry.unit
        )
        return self.positive(rule[0], value, entry, rule[1])

    def positive(
        self, rule: SizeRule, value: float, entry: Entry, source: str
    ) -> tuple[float, SizeRule, str] | None:
        """Refuse the sd 0 that a relative error gives a value of 0."""
        sd = rule.sd(value, entry.unit)
        if sd > 0.0:
            return sd, rule, source
        self.faults.append(
            Fault(
                "The value is 0 and its error is stated in percent of the value, which is 0 too.",
                "State an absolute error for it.",
                entry.place,
            )
        )
        return None

    def fallback(self, entry: Entry) -> str:
        """Return words on the rule that would stand in for a missing error, or nothing."""
        rule = self.errors.rule(entry.stream.text, entry.quantity)
        return f" to use the rule stated for the {rule[1]}" if rule else ""

    def proposal(self, entry: Entry) -> str:
        """Return a proposal for a missing error: proposed, never used."""
        same = [
            e.error.text if with_own_unit(e.error) else f"{e.error.text} {e.error_unit or 'rel %'}"
            for e in self.read.entries
            if e.quantity == entry.quantity and e.error is not None and not e.error.blank
        ]
        if same:
            shown = ", ".join(dict.fromkeys(same[:3]))
            return f"Enter it beside the value; other rows of {entry.quantity} state {shown}."
        usual = "relative = 3" if entry.quantity in self.analytes else "relative = 0.5"
        if entry.unit.dimension is Dimension.SHARE:
            usual = 'absolute = "0.5 %"'
        spelt = f'"{entry.quantity}"' if " " in entry.quantity else entry.quantity
        return (
            f"Enter it beside the value (column ± {entry.quantity})\n"
            f"or state a rule: [errors] {spelt} = {{ {usual} }} "
            "(a usual figure; common practice, no source)."
        )
