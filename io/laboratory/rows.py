"""Rows of a laboratory's export, brought to one form: an assay each, whatever its columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from oretally.flowsheet import Dimension, Fault, Place, Unit, UnitError
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import in_solution, solution_unit
from oretally.io.cells import dissolved_name, quantity_unit, with_own_unit
from oretally.io.definition import COLUMNS, IGNORED, TYPES, AnalyteColumn, LabHeading, LabLayout
from oretally.io.files import Cell, Table

__all__ = ["LabRow", "lab_rows"]

_LONG = ("sample", "type", "analyte", "value", "unit")
_WIDE = ("sample", "type")
_NAMED = 6  # standards told by name
_MAP = "or name the laboratory's own headers under [lab] in circuit.toml"


@dataclass(frozen=True, slots=True)
class LabRow:
    """One assay: kind is 'sample', 'standard', 'blank' or 'duplicate'; cells may be blank."""

    kind: str
    sample: str
    analyte: str
    unit: Unit
    value: Cell
    pair: str
    standard: str
    certified: Cell | None
    certified_sd: Cell | None


def lab_rows(
    table: Table, layout: LabLayout, faults: list[Fault]
) -> tuple[list[LabRow], tuple[str, ...]]:
    """Return the assays of a table in its order, and what of it was not read.

    What is wrong is added to ``faults``; without its columns a table gives no rows.
    """
    reader = _Reader(table, layout, faults)
    if not reader.find_columns():
        return [], ()
    rows = [row for line in table.rows for row in reader.assays(line)]
    return rows, tuple(reader.notes())


class _Reader:
    def __init__(self, table: Table, layout: LabLayout, faults: list[Fault]) -> None:
        self.table, self.layout, self.faults = table, layout, faults
        self.ours: dict[str, int] = {}
        self.theirs: dict[str, int] = {}
        self.left_out: Counter[str] = Counter()
        self.unread: list[str] = []
        self.called = {fold_name(a.called): a for a in layout.analytes.values()}

    def find_columns(self) -> bool:
        """Find every column that is needed or named; False, with faults, if one is missing."""
        before = len(self.faults)
        self.index_headers()
        for heading in self.layout.headings():
            self.named(heading)
        for word in COLUMNS:
            if word in self.layout.columns:
                self.ours[word] = self.theirs.get(self.layout.columns[word].text, 0)
        if len(self.faults) == before:
            self.needed()
        return len(self.faults) == before

    def index_headers(self) -> None:
        """Note where each header stands; refuse what is there twice, or means nothing."""
        named = {h.text for h in self.layout.headings()}
        unnamed = [c for c in COLUMNS if c not in self.layout.columns]
        if self.layout.wide:
            unnamed = [c for c in unnamed if c in ("sample", "type", "pair", "standard")]
        for j, cell in enumerate(self.table.header):
            word = cell.text.casefold()
            twice = (cell.text in self.theirs and cell.text in named) or word in self.ours
            if twice:
                self.faults.append(
                    Fault(f"The column '{cell.text}' is there twice.",
                          "Take one out.", cell.place)
                )  # fmt: skip
                continue
            self.theirs.setdefault(cell.text, j)
            if word in unnamed:
                self.ours[word] = j
            elif not cell.blank and not self.layout.mapped:
                listed = f"Columns: {', '.join(COLUMNS)}; {_MAP}."
                mend = did_you_mean(cell.text, COLUMNS, otherwise=listed)
                self.faults.append(Fault(f"'{cell.text}' is not a column here.", mend, cell.place))

    def named(self, heading: LabHeading) -> None:
        """Refuse a header that the user names and the table has not."""
        if heading.text in self.theirs:
            return
        headers = [c.text for c in self.table.header if not c.blank]
        mend = did_you_mean(heading.text, headers, "Headers there")
        fault = Fault(f"There is no column '{heading.text}' in {self.table.place}.", mend,
                      heading.place)  # fmt: skip
        if fault not in self.faults:
            self.faults.append(fault)

    def needed(self) -> None:
        """Refuse a table without a column that must be there."""
        layout = self.layout
        needed = list(_WIDE if layout.wide else _LONG)
        if (
            not layout.wide
            and layout.analytes
            and all(a.unit is not None for a in layout.analytes.values())
        ):
            needed.remove("unit")
        missing = [c for c in needed if c not in self.ours]
        if not missing:
            return
        mend = f"Columns: {', '.join(COLUMNS)}; {_MAP}."
        if layout.mapped:
            mend = "\n".join(f'Say which it is: columns = {{ {c} = "..." }}.' for c in missing)
        many = "column" if len(missing) == 1 else "columns"
        spoken = ", ".join(map(repr, missing))
        verb = "is" if len(missing) == 1 else "are"
        self.faults.append(Fault(f"The {many} {spoken} {verb} missing.", mend, self.table.place))

    def assays(self, line: tuple[Cell, ...]) -> Iterator[LabRow]:
        """Return the assays of one row; a blank value is none."""
        cells = {word: line[j] for word, j in self.ours.items()}
        if self.layout.wide:
            pairs: list[tuple[AnalyteColumn | None, Cell]] = [
                (a, line[self.theirs[a.column.text]])
                for a in self.layout.analytes.values()
                if a.column is not None
            ]
        else:
            pairs = [(self.analyte(cells), cells["value"])]
        if all(value.blank for _, value in pairs):
            self.not_assayed(cells)
            return
        kind = self.kind(cells["type"])
        if kind == IGNORED:
            self.left_out[cells["type"].text] += 1
        if kind in (None, IGNORED):
            return
        for analyte, value in pairs:
            if value.blank:
                continue
            name = analyte.name if analyte is not None else _text(cells, "analyte")
            if (dissolved := dissolved_name(name)) is not None:
                name = in_solution(dissolved)
            name, unit = self.unit(analyte, name, cells, value)
            if not name:
                self.faults.append(Fault("The row names no analyte.", "Write it.", value.place))
            elif unit is not None:
                yield self.row(str(kind), name, unit, value, cells, self.certificate(analyte, line))

    def not_assayed(self, cells: Mapping[str, Cell]) -> None:
        """Note a standard without a reading: its certified value alone says nothing."""
        certified = cells.get("certified")
        of_standard = self.layout.type_of(cells["type"].text) == "standard"
        if of_standard or (certified is not None and not certified.blank):
            self.unread.append(_text(cells, "sample") or cells["type"].place.cell)

    def row(
        self, kind: str, name: str, unit: Unit, value: Cell, cells: Mapping[str, Cell],
        own: tuple[Cell | None, Cell | None],
    ) -> LabRow:  # fmt: skip
        sample, certified = _text(cells, "sample"), cells.get("certified")
        if kind != "standard" and certified and not (self.layout.mapped or certified.blank):
            self.faults.append(
                Fault(f"A {kind} has no certified value.", "Clear it, or write standard as the "
                      "type.", certified.place)
            )  # fmt: skip
        return LabRow(
            kind, sample, name, unit, value, _text(cells, "pair"),
            _text(cells, "standard") or sample, own[0] or certified,
            own[1] or cells.get("certified sd"),
        )  # fmt: skip

    def certificate(
        self, analyte: AnalyteColumn | None, line: tuple[Cell, ...]
    ) -> tuple[Cell | None, Cell | None]:
        """Return the cells that certify an analyte, where it has columns of its own for that."""
        if analyte is None:
            return None, None
        one, two = (
            None if h is None else line[self.theirs[h.text]]
            for h in (analyte.certified, analyte.certified_sd)
        )
        return one, two

    def analyte(self, cells: Mapping[str, Cell]) -> AnalyteColumn | None:
        return self.called.get(fold_name(cells["analyte"].text))

    def unit(
        self, analyte: AnalyteColumn | None, name: str, cells: Mapping[str, Cell], value: Cell
    ) -> tuple[str, Unit | None]:
        """Return the unit of a row, else the one stated for the analyte, else that of the value.

        Beside it what was assayed: mg/L of gold is of gold in solution, whatever it is called.
        """
        stated = analyte.unit if analyte is not None else None
        if self.layout.wide or ("unit" not in cells and stated is not None):
            return name, stated
        own = with_own_unit(value)
        if "unit" not in cells and own is None:
            self.faults.append(
                Fault(f"Nothing states the unit of '{name}'.",
                      f'Name it: analytes = {{ "{name}" = {{ unit = "%" }} }}.', value.place)
            )  # fmt: skip
            return name, None
        text = _text(cells, "unit")
        if not text and stated is not None:
            return name, stated
        text = text or (own.unit if own else "")
        try:
            return name, quantity_unit(name, text, Dimension.GRADE)
        except UnitError as error:
            try:
                return in_solution(name), solution_unit(text)
            except UnitError:
                place = value.place.about(quantity=name)
                self.faults.append(Fault(error.problem, error.mend, place))
            return name, None

    def kind(self, cell: Cell) -> str | None:
        """Return what a row is; None, with a fault, if nobody says it."""
        known = self.layout.type_of(cell.text)
        if known is not None:
            return known
        names = [t for t in self.layout.types if t.strip()] + list(TYPES)
        listed = f"Types: {', '.join(TYPES)}."
        if self.layout.mapped:
            listed = f'Say what it is: types = {{ "{cell.text}" = "sample" }}.'
        mend = did_you_mean(cell.text, names, otherwise=listed)
        problem = f"The type is '{cell.text}'." if cell.text else "The row has no type."
        self.faults.append(Fault(problem, mend, cell.place if cell.place.cell else self.at(cell)))
        return None

    def at(self, cell: Cell) -> Place:
        return cell.place if cell.place.file else self.table.place

    def notes(self) -> Iterator[str]:
        """Say what of the table was left alone."""
        if self.layout.mapped:
            top = self.table.header[0].row
            if top > 0:
                yield f"the header stands in row {top + 1}; what is above it was not read"
            read = {*self.ours.values(), *(self.theirs[h.text] for h in self.layout.headings())}
            rest = [c.text for j, c in enumerate(self.table.header) if j not in read and c.text]
            if rest:
                yield f"columns not read: {', '.join(rest)}"
        if self.unread:
            listed = ", ".join(f"'{name}'" for name in self.unread[:_NAMED])
            more = f" and {len(self.unread) - _NAMED} more" if len(self.unread) > _NAMED else ""
            many = "standard" if len(self.unread) == 1 else "standards"
            yield f"the {many} {listed}{more} without a value: not used"
        for text, count in self.left_out.items():
            yield f"rows left out, of type '{text}': {count}"


def _text(cells: Mapping[str, Cell], word: str) -> str:
    return cells[word].text if word in cells else ""
