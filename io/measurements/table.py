"""The measurements table: wide (a row a stream) or long (a row a number), read to entries.

An entry is one number as written, with its stated error and its address. What the numbers must
satisfy is checked in `oretally.io.measurements.survey`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import NamedTuple

from oretally.flowsheet import Basis, Dimension, Fault, Place, Unit, UnitError
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean, nearest_name
from oretally.io.cells import (
    RELATIVE,
    QuantityNames,
    error_without_column,
    error_without_value,
    flow_word,
    is_relative,
    quantity_unit,
    read_heading,
    unnamed_row,
)
from oretally.io.files import Cell, Table

__all__ = [
    "LONG_COLUMNS", "WIDE_NUMBERS", "WIDE_TEXTS", "Entry", "EntryReader", "EntryTable",
    "read_entries",
]  # fmt: skip

LONG_COLUMNS = (
    "stream", "quantity", "value", "unit", "error", "error unit", "method", "note", "replicate",
)  # fmt: skip
"""Columns of a table with a row a number."""
_READ = ("stream", "quantity", "value", "unit", "error", "error unit", "note")
WIDE_TEXTS = ("note", "notes", "method")  # columns of words, a row a stream
WIDE_NUMBERS = ("replicate", "replicates")  # tell rows apart that are alike else


class Entry(NamedTuple):
    """One number as written; a tuple, because a large table has a million of them.

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
        return self.value.place_of(self.stream.text, self.quantity)


@dataclass(frozen=True, slots=True)
class EntryTable:
    """All entries of a table, and the quantities that its header or rows speak of, in order.

    Beside them the cells that name a stream of which nothing was measured.
    """

    entries: tuple[Entry, ...]
    quantities: tuple[tuple[str, Unit], ...]
    unmeasured: tuple[Cell, ...] = ()


def read_entries(
    table: Table,
    basis: Basis,
    analytes: Sequence[str],
    faults: list[Fault],
    *,
    water: bool = False,
) -> EntryTable:
    """Read a measurements table; faults are added to ``faults``.

    Parameters
    ----------
    table : Table
    basis : Basis
    analytes : sequence of str
        Known analytes; if empty, every other header with the unit of a grade is one.
    faults : list of Fault
    water : bool
        Whether water is balanced too.
    """
    words = [cell.text.casefold() for cell in table.header]
    if "stream" not in words:
        near = nearest_name("stream", [cell.text for cell in table.header])
        hint = f"Is it the column '{near}'? Rename it." if near else (
            "Name the column that holds the streams 'stream'."
        )  # fmt: skip
        faults.append(Fault("There is no column 'stream'.", hint, table.place))
        return EntryTable((), ())
    reader = EntryReader(table, basis, analytes, water, faults)
    return reader.long() if "quantity" in words else reader.wide()


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of numbers: a quantity, or the error of one. ``unit`` None means percent of it."""

    index: int
    name: str
    is_error: bool
    unit: Unit | None
    cell: Cell


class EntryReader:
    """Reads header and rows; faults are collected. Parameters as for `read_entries`."""

    def __init__(
        self, table: Table, basis: Basis, analytes: Sequence[str], water: bool,
        faults: list[Fault],
    ) -> None:  # fmt: skip
        self.table, self.faults = table, faults
        self.names = QuantityNames(basis, analytes, water)
        self.taken: dict[tuple[str, str], Unit] = {}
        self.meanings: dict[tuple[object, ...], tuple[str, Unit, Unit | None]] = {}

    def fault(self, problem: str, mend: str, place: Place) -> None:
        """Add a fault."""
        self.faults.append(Fault(problem, mend, place))

    # ---- what a quantity is

    def dimension(self, name: str, place: Place) -> Dimension | None:
        """Return what a quantity measures; None, with a fault, if it cannot be taken."""
        found = self.names.dimension(name, place)
        if isinstance(found, Fault):
            self.faults.append(found)
            return None
        return found

    def unit(self, name: str, text: str | None, dimension: Dimension, place: Place) -> Unit | None:
        """Return the unit of a quantity; None, with a fault, if it cannot be taken."""
        try:
            return quantity_unit(name, text or "", dimension)
        except UnitError as error:
            self.fault(error.problem, error.mend, place)
            return None

    # ---- wide form

    def wide(self) -> EntryTable:
        """Return the entries of a table with a row a stream."""
        stream, note, columns = self.header()
        values = [c for c in columns if not c.is_error]
        errors = {fold_name(c.name): c for c in columns if c.is_error}
        for key, column in errors.items():
            if key not in {fold_name(c.name) for c in values}:
                self.faults.append(error_without_column(column.cell, column.name))
        pairs = [(c, errors.get(fold_name(c.name))) for c in values]
        entries, unmeasured = list[Entry](), list[Cell]()
        for row in self.table.rows:
            before = len(entries)
            named, told = row[stream], row[note].text if note >= 0 else ""
            for column, error in pairs:
                cell, beside = row[column.index], row[error.index] if error else None
                if cell.blank:
                    self.faults += error_without_value(
                        beside, cell.place_of(named.text, column.name)
                    )
                elif column.unit is not None:
                    entries.append(Entry(named, column.name, cell, column.unit, beside,
                                         error.unit if error else None, told))  # fmt: skip
            if len(entries) == before:
                unmeasured.append(named)
        self.nameless(stream)
        seen = tuple((c.name, c.unit) for c in values if c.unit is not None)
        return EntryTable(tuple(entries), seen, tuple(unmeasured))

    def nameless(self, stream: int) -> None:
        """Report rows that hold something but name no stream."""
        for row in self.table.rows:
            wrong = unnamed_row(row, row[stream])
            if wrong is not None:
                self.faults.append(wrong)

    def header(self) -> tuple[int, int, list[_Column]]:
        """Return the positions of stream and note, and the columns of numbers."""
        stream = note = -1
        columns: list[_Column] = []
        first: dict[tuple[str, bool], Cell] = {}
        flows = self.flows()
        for j, cell in enumerate(self.table.header):
            if cell.problem:
                self.fault(cell.problem, "Write the header as a text.", cell.place)
                continue
            found = read_heading(cell.text, self.names.known)
            if found is None:
                self.fault(
                    f"The header '{cell.text}' cannot be read.",
                    "Write the quantity and its unit in square brackets, for example Sn [%]; "
                    "its error: ± Sn [rel %].",
                    cell.place,
                )
                continue
            if found.second_unit:
                self.fault(
                    f"The header '{cell.text}' names two units.",
                    f"Write {found.name} [{found.unit}]\nor {found.name} [{found.second_unit}].",
                    cell.place,
                )
                continue
            if not found.name or fold_name(found.name) in ("error", "sd", "uncertainty"):
                self.fault(
                    f"The header '{cell.text}' does not say of what.",
                    "Name the quantity, for example ± Sn [%].",
                    cell.place,
                )
                continue
            is_error, name = found.is_error, self.names.beside(found.written, found.unit or "")
            if is_error and (found.unit is None or is_relative(found.unit)):
                of = flows.get(flow_word(found.written, self.names.known), [name])
                if len(of) > 1:
                    self.fault(
                        f"The header '{cell.text}' can be of the {of[0]} or of the {of[1]}.",
                        f"Write ± {of[0]} [{RELATIVE}]\nor ± {of[1]} [{RELATIVE}].",
                        cell.place,
                    )
                    continue
                name = of[0]
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
            elif not is_error and fold_name(name) in WIDE_TEXTS:
                note = j
            elif not is_error and fold_name(name) in WIDE_NUMBERS:
                continue
            else:
                columns.extend(self.column(j, name, found.unit, cell, is_error=is_error))
        return stream, note, columns

    def flows(self) -> dict[str | None, list[str]]:
        """Return what columns of flows are taken as, by their words: their errors go with them."""
        known = self.names.known
        headings = (read_heading(cell.text, known) for cell in self.table.header)
        found: dict[str | None, list[str]] = {}
        for h in headings:
            word = None if h is None or h.is_error else flow_word(h.written, known)
            if h is not None and word is not None:
                name, names = self.names.beside(h.written, h.unit or ""), found.setdefault(word, [])
                names += [name] if name not in names else []
        return found

    def column(
        self, j: int, name: str, unit: str | None, cell: Cell, *, is_error: bool
    ) -> list[_Column]:
        """Return the column; none if it is an error in a unit that cannot be taken."""
        place = cell.place.about(quantity=name)
        dimension = self.names.of_error(name) if is_error else self.dimension(name, place)
        if dimension is None:  # refused: no number of it is taken
            return [_Column(j, name, is_error, None, cell)]
        if is_error and unit is not None and is_relative(unit):
            return [_Column(j, name, True, None, cell)]
        found = self.unit(name, unit, dimension, place)
        if found is None and is_error:
            return []
        return [_Column(j, name, is_error, found, cell)]

    # ---- long form

    def long(self) -> EntryTable:
        """Return the entries of a table with a row a number."""
        position: dict[str, int] = {}
        for j, cell in enumerate(self.table.header):
            word = "note" if cell.text.casefold() == "notes" else cell.text.casefold()
            if word in position:
                self.fault(f"The column '{cell.text}' is there twice.", "Take one out.", cell.place)
            elif word in LONG_COLUMNS:
                position[word] = j
            elif not cell.blank:
                mend = did_you_mean(cell.text, LONG_COLUMNS, "Columns")
                self.fault(f"'{cell.text}' is not a column of a long table.", mend, cell.place)
        missing = [c for c in ("stream", "quantity", "value", "unit") if c not in position]
        if missing:
            self.fault(
                f"The column {', '.join(map(repr, missing))} is missing.",
                f"Columns of a long table: {', '.join(LONG_COLUMNS)}.",
                self.table.place,
            )
            return EntryTable((), ())
        entries: list[Entry] = []
        unmeasured: list[Cell] = []
        seen: dict[str, Unit] = {}
        nothing = Cell(None, self.table.place)  # in place of a column that is not there
        cells = itemgetter(*(position.get(word, len(self.table.header)) for word in _READ))
        for row in self.table.rows:
            entry = self.long_entry(*cells((*row, nothing)))
            if entry is not None:
                seen.setdefault(entry.quantity, entry.unit)
                entries.append(entry)
            else:
                unmeasured.append(row[position["stream"]])
        self.nameless(position["stream"])
        return EntryTable(tuple(entries), tuple(seen.items()), tuple(unmeasured))

    def long_entry(
        self, stream: Cell, quantity: Cell, value: Cell, unit: Cell, error: Cell,
        error_unit: Cell, note: Cell,
    ) -> Entry | None:  # fmt: skip
        """Return the entry of one row of a long table."""
        if value.blank:
            return None
        if quantity.problem or unit.problem or error_unit.problem:
            of = {"quantity": quantity, "unit": unit, "error unit": error_unit}
            word, cell = next((word, cell) for word, cell in of.items() if cell.problem)
            self.fault(cell.problem, f"Write the {word} as a text.", cell.place)
            return None
        as_typed = quantity.value, unit.value, None if error.blank else (error_unit.value,)
        meaning = self.meanings.get(as_typed)
        if meaning is None:
            written = quantity.text, unit.text, None if error.blank else error_unit.text
            meaning = self.meaning(*written, stream=stream.text, value=value, error=error)
            if meaning is None:
                return None
            self.meanings[as_typed] = meaning
        name, of_value, of_error = meaning
        return Entry(stream, name, value, of_value, error, of_error, note.text)

    def meaning(
        self, quantity: str, unit: str, error_unit: str | None, *, stream: str, value: Cell,
        error: Cell,
    ) -> tuple[str, Unit, Unit | None] | None:  # fmt: skip
        """Return the quantity that a row names and its units; None, with a fault, if in doubt.

        ``error_unit`` is None if the row states no error.
        """
        name = self.names.beside(quantity, unit)
        place = value.place_of(stream, name)
        if not name:
            self.fault("The row names no quantity.", "Write the quantity.", place)
            return None
        of_value = self.unit_of_row(name, unit, place)
        if of_value is None:
            return None
        if error_unit is None or is_relative(error_unit):
            return name, of_value, None
        of_error = self.unit_of_row(name, error_unit, error.place_of(stream, name))
        return None if of_error is None else (name, of_value, of_error)

    def unit_of_row(self, name: str, text: str, place: Place) -> Unit | None:
        """Return the unit that goes with a quantity; found once for all rows alike."""
        taken = self.taken.get((name, text))
        if taken is None:
            dimension = self.dimension(name, place)
            taken = self.unit(name, text, dimension, place) if dimension else None
            if taken is not None:
                self.taken[name, text] = taken
        return taken
