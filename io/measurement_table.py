"""The measurements table: wide (a row a stream) or long (a row a number), read to entries.

An entry is one number as written, with its stated error and its address. What the numbers must
satisfy is checked in `oretally.io.measurements`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import (
    Basis,
    Dimension,
    Fault,
    Place,
    Unit,
    UnitError,
    is_unit,
    parse_unit,
)
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.streams import fold_name
from oretally.io.dry_flows import OTHER_QUANTITIES, quantities_of
from oretally.io.table import Cell, Table

__all__ = ["RELATIVE", "Entry", "EntryTable", "read_entries"]

RELATIVE = "rel %"  # error unit: percent of the value
_HEADER = re.compile(
    r"\s*(?P<error>±|\+/-|\+-)?\s*(?P<name>[^\[\]±]+?)\s*(\[(?P<unit>[^\]]*)\])?\s*"
)
_ROUND = re.compile(r"(?P<name>.+?)\s*\((?P<unit>[^()]+)\)")
_LONG = ("stream", "quantity", "value", "unit", "error", "error unit", "method", "note")
_TEXTS = {"note", "notes", "method"}
_FLOWS = {basis.quantity: basis for basis in Basis}


@dataclass(frozen=True, slots=True)
class Entry:
    """One number as written.

    Attributes
    ----------
    stream : Cell
    quantity : str
        Name as written in the header or the row.
    value : Cell
    unit : Unit
    error : Cell or None
        None, or blank, where the row states no error.
    error_unit : Unit or None
        None for an error in percent of the value.
    note : str
    """

    stream: Cell
    quantity: str
    value: Cell
    unit: Unit
    error: Cell | None
    error_unit: Unit | None
    note: str

    @property
    def place(self) -> Place:
        """Address of the value, with stream and quantity."""
        return self.value.place.about(stream=self.stream.text, quantity=self.quantity)


@dataclass(frozen=True, slots=True)
class EntryTable:
    """All entries of a table, and the quantities that its header or rows speak of, in order."""

    entries: tuple[Entry, ...]
    quantities: tuple[tuple[str, Unit], ...]


def read_entries(
    table: Table, basis: Basis, analytes: Sequence[str], faults: list[Fault]
) -> EntryTable:
    """Read a measurements table; faults are added to ``faults``.

    Parameters
    ----------
    table : Table
    basis : Basis
    analytes : sequence of str
        Known analytes; if empty, every other header with the unit of a grade is one.
    faults : list of Fault
    """
    words = [cell.text.casefold() for cell in table.header]
    if "stream" not in words:
        near = nearest_name("stream", [cell.text for cell in table.header])
        hint = f"Is it the column '{near}'? Rename it." if near else (
            "Name the column that holds the streams 'stream'."
        )  # fmt: skip
        faults.append(Fault("There is no column 'stream'.", hint, table.place))
        return EntryTable((), ())
    reader = _EntryReader(table, basis, analytes, faults)
    return reader.long() if "quantity" in words else reader.wide()


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of numbers: a quantity, or the error of one. ``unit`` None means percent of it."""

    index: int
    name: str
    is_error: bool
    unit: Unit | None
    cell: Cell


class _EntryReader:
    def __init__(
        self, table: Table, basis: Basis, analytes: Sequence[str], faults: list[Fault]
    ) -> None:
        self.table, self.basis, self.faults = table, basis, faults
        self.analytes = {fold_name(a): a for a in analytes}
        self.others = quantities_of(basis)

    def fault(self, problem: str, mend: str, place: Place) -> None:
        self.faults.append(Fault(problem, mend, place))

    # ---- what a quantity is

    def dimension(self, name: str, place: Place) -> Dimension | None:
        """Return what a quantity measures; None, with a fault, if it cannot be taken."""
        folded = fold_name(name)
        if folded == self.basis.quantity:
            return self.basis.dimension
        if folded in _FLOWS:
            other = _FLOWS[folded]
            self.fault(
                f"'{name}' belongs to the basis \"{other}\", but this case has the basis "
                f'"{self.basis}".',
                f'Give the {self.basis.quantity},\nor write basis = "{other}".',
                place,
            )
        elif folded in ("mass", "weight", "rate", "flow", "tonnage"):
            flow = self.basis.quantity
            self.fault(
                f"'{name}' does not say whether it is wet or dry.",
                f"Name it '{flow}' if it is dry\nor '{flow.replace('dry', 'wet')}' if it is wet, "
                "and give the moisture.",
                place,
            )
        elif folded in self.others:
            return self.others[folded]
        elif folded in OTHER_QUANTITIES:
            right = "wet mass" if folded == "wet rate" else "wet rate"
            self.fault(
                f"'{name}' does not go with the basis \"{self.basis}\" of this case.",
                f"Give the {right}, or correct the basis.",
                place,
            )
        elif not self.analytes or folded in self.analytes:
            return Dimension.GRADE
        else:
            known = [self.basis.quantity, *self.analytes.values()]
            near = nearest_name(name, known)
            mend = f"Did you mean '{near}'?" if near else (
                f"Quantities: {', '.join(known)}. List a new one under [analytes]."
            )  # fmt: skip
            self.fault(f"'{name}' is no quantity of this case.", mend, place)
        return None

    def canonical(self, name: str) -> str:
        folded = fold_name(name)
        return (
            folded
            if folded in (*_FLOWS, *OTHER_QUANTITIES)
            else self.analytes.get(folded, " ".join(name.split()))
        )

    def unit(self, text: str | None, dimension: Dimension, place: Place) -> Unit | None:
        try:
            return parse_unit(text or "", dimension)
        except UnitError as error:
            self.fault(error.problem, error.mend, place)
            return None

    # ---- wide form

    def wide(self) -> EntryTable:
        stream, note, columns = self.header()
        values = [c for c in columns if not c.is_error]
        errors = {fold_name(c.name): c for c in columns if c.is_error}
        for key, column in errors.items():
            if key not in {fold_name(c.name) for c in values}:
                self.fault(
                    f"The error column '{column.cell.text}' has no column '{column.name}' "
                    "to go with it.",
                    "Add it, or correct the name.",
                    column.cell.place,
                )
        entries = []
        for row in self.table.rows:
            for column in values:
                cell = row[column.index]
                error = errors.get(fold_name(column.name))
                error_cell = row[error.index] if error else None
                if cell.blank:
                    if error_cell is not None and not error_cell.blank:
                        self.fault(
                            "There is an error but no value.",
                            "Enter the value, or clear the error.",
                            error_cell.place.about(stream=row[stream].text, quantity=column.name),
                        )
                    continue
                if column.unit is None:
                    continue
                entries.append(
                    Entry(row[stream], column.name, cell, column.unit, error_cell,
                          error.unit if error else None, row[note].text if note >= 0 else "")
                )  # fmt: skip
        self.nameless(stream)
        seen = tuple((c.name, c.unit) for c in values if c.unit is not None)
        return EntryTable(tuple(entries), seen)

    def nameless(self, stream: int) -> None:
        """Report rows that hold something but name no stream."""
        for row in self.table.rows:
            if row[stream].blank:
                first = next((cell for cell in row if not cell.blank), row[stream])
                self.fault(
                    "The row names no stream.", "Write the stream, or clear the row.", first.place
                )

    def header(self) -> tuple[int, int, list[_Column]]:
        """Return the positions of stream and note, and the columns of numbers."""
        stream = note = -1
        columns: list[_Column] = []
        first: dict[tuple[str, bool], Cell] = {}
        for j, cell in enumerate(self.table.header):
            if cell.blank:
                if any(not row[j].blank for row in self.table.rows):
                    self.fault("The column has no header.", "Name it, or clear it.", cell.place)
                continue
            match = _HEADER.fullmatch(cell.text)
            if match is None:
                self.fault(
                    f"The header '{cell.text}' cannot be read.",
                    "Write the quantity and its unit in square brackets, for example Sn [%]; "
                    "its error: ± Sn [rel %].",
                    cell.place,
                )
                continue
            rounded = _ROUND.fullmatch(match["name"])
            if match["unit"] is None and rounded is not None and is_unit(rounded["unit"]):
                self.fault(
                    f"The unit of '{cell.text}' stands in round brackets.",
                    f"Write {rounded['name']} [{rounded['unit']}].",
                    cell.place,
                )
                continue
            is_error, name = match["error"] is not None, self.canonical(match["name"])
            key = (fold_name(name), is_error)
            if key in first:
                self.fault(
                    f"The column '{cell.text}' is there twice (also {first[key].place.cell}).",
                    "Take one out; replicates go into rows of their own.",
                    cell.place,
                )
                continue
            first[key] = cell
            if not is_error and fold_name(name) == "stream":
                stream = j
            elif not is_error and fold_name(name) in _TEXTS:
                note = j
            else:
                columns.extend(self.column(j, name, match["unit"], cell, is_error=is_error))
        return stream, note, columns

    def column(
        self, j: int, name: str, unit: str | None, cell: Cell, *, is_error: bool
    ) -> list[_Column]:
        """Return the column if its quantity and unit can be taken."""
        place = cell.place.about(quantity=name)
        folded = fold_name(name)
        measures = {q: b.dimension for q, b in _FLOWS.items()} | self.others
        dimension: Dimension | None
        if not is_error:
            dimension = self.dimension(name, place)
        elif folded in measures:
            dimension = measures[folded]
        elif folded in OTHER_QUANTITIES or (self.analytes and folded not in self.analytes):
            return []  # its value column says what is wrong with the name
        else:
            dimension = Dimension.GRADE
        if dimension is None:
            return []
        if is_error and unit is not None and _is_relative(unit):
            return [_Column(j, name, True, None, cell)]
        found = self.unit(unit, dimension, place)
        if found is None and is_error:
            return []
        return [_Column(j, name, is_error, found, cell)]

    # ---- long form

    def long(self) -> EntryTable:
        position: dict[str, int] = {}
        for j, cell in enumerate(self.table.header):
            word = "note" if cell.text.casefold() == "notes" else cell.text.casefold()
            if word in position:
                self.fault(f"The column '{cell.text}' is there twice.", "Take one out.", cell.place)
            elif word in _LONG:
                position[word] = j
            elif not cell.blank:
                near = nearest_name(cell.text, _LONG)
                mend = f"Did you mean '{near}'?" if near else f"Columns: {', '.join(_LONG)}."
                self.fault(f"'{cell.text}' is not a column of a long table.", mend, cell.place)
        missing = [c for c in ("stream", "quantity", "value", "unit") if c not in position]
        if missing:
            self.fault(
                f"The column {', '.join(map(repr, missing))} is missing.",
                f"Columns of a long table: {', '.join(_LONG)}.",
                self.table.place,
            )
            return EntryTable((), ())
        entries: list[Entry] = []
        seen: dict[str, Unit] = {}
        for row in self.table.rows:
            cells = {k: row[j] for k, j in position.items()}
            entry = self.long_entry(cells)
            if entry is not None:
                seen.setdefault(entry.quantity, entry.unit)
                entries.append(entry)
        self.nameless(position["stream"])
        return EntryTable(tuple(entries), tuple(seen.items()))

    def long_entry(self, cells: dict[str, Cell]) -> Entry | None:
        """Return the entry of one row of a long table."""
        if cells["value"].blank:
            return None
        name = self.canonical(cells["quantity"].text)
        place = cells["value"].place.about(stream=cells["stream"].text, quantity=name)
        if not name:
            self.fault("The row names no quantity.", "Write the quantity.", place)
            return None
        dimension = self.dimension(name, place)
        unit = self.unit(cells["unit"].text, dimension, place) if dimension else None
        if dimension is None or unit is None:
            return None
        error, error_unit = cells.get("error"), None
        if error is not None and not error.blank:
            text = cells["error unit"].text if "error unit" in cells else ""
            if not _is_relative(text):
                error_unit = self.unit(text, dimension, error.place.about(
                    stream=cells["stream"].text, quantity=name))  # fmt: skip
                if error_unit is None:
                    return None
        note = cells["note"].text if "note" in cells else ""
        return Entry(cells["stream"], name, cells["value"], unit, error, error_unit, note)


def _is_relative(unit: str) -> bool:
    return "".join(unit.split()).casefold() in ("rel%", "%rel", "rel.%", "relative%")
