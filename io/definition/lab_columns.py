"""How a laboratory names its columns: the table [lab] of a case, read and judged.

Headers are taken as the user writes them; nothing is looked for under another name. Two forms of
export: long, one row an assay (``columns`` names the value); wide, one row a sample
(``analytes`` names a column each).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from oretally.flowsheet import Dimension, Fault, Place, Unit, UnitError
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.cells import quantity_unit, read_amount

__all__ = [
    "COLUMNS", "IGNORED", "LAB_ANALYTE_KEYS", "LAB_KEYS", "OTHERS", "TYPES", "AnalyteColumn",
    "CertifiedValue", "LabHeading", "LabLayout", "LabRows", "LabSample", "lab_layout",
    "sheet_lab_rows",
]  # fmt: skip

COLUMNS = (
    "sample", "type", "analyte", "value", "unit", "pair", "standard", "certified", "certified sd",
)  # fmt: skip
IGNORED = "leave out"
"""Type of rows that are no assays: units, limits, remarks."""
OTHERS = "*"
"""Stands for every text of the type column that is not named."""
TYPES = ("sample", "standard", "blank", "duplicate", IGNORED)
LAB_KEYS = ("file", "sheet", "columns", "types", "analytes", "standards", "samples")
"""What the table [lab] may hold."""
LAB_ANALYTE_KEYS = ("column", "called", "unit", "certified", "certified sd")
"""What it may say of an analyte."""


@dataclass(frozen=True, slots=True)
class LabHeading:
    """A header as the user says it, and where."""

    text: str
    place: Place


@dataclass(frozen=True, slots=True)
class AnalyteColumn:
    """An analyte: its column (wide form) or its name in the export (long form), and its unit."""

    name: str
    column: LabHeading | None
    called: str
    unit: Unit | None
    certified: LabHeading | None
    certified_sd: LabHeading | None
    place: Place


@dataclass(frozen=True, slots=True)
class CertifiedValue:
    """Certified value of a standard and its sd, as mass per mass."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class LabSample:
    """A label of the laboratory's samples, the stream that it is said to be of, and where."""

    label: str
    stream: str
    place: Place


@dataclass(frozen=True, slots=True)
class LabRows:
    """The table [lab] as written; ``at`` gives the place of an entry by its keys."""

    entry: object
    at: Callable[..., Place]


@dataclass(frozen=True, slots=True)
class LabLayout:
    """What the user says of an export.

    Attributes
    ----------
    file, sheet : LabHeading or None
        Name of the export, and of its sheet in a workbook.
    columns : mapping of str to Heading
        Our column to the header; a column that is not named keeps its own name.
    types : mapping of str to str
        Text of the type column to one of `TYPES`; '*' for every other text.
    analytes : mapping of str to AnalyteColumn
        By folded name.
    certificates : mapping of (str, str) to Certificate
        By folded standard and analyte.
    samples : tuple of LabSample
        In the order in which they are written.
    mapped : bool
        Whether headers are named at all: then other columns are left alone.
    """

    file: LabHeading | None = None
    sheet: LabHeading | None = None
    columns: Mapping[str, LabHeading] = field(default_factory=dict)
    types: Mapping[str, str] = field(default_factory=dict)
    analytes: Mapping[str, AnalyteColumn] = field(default_factory=dict)
    certificates: Mapping[tuple[str, str], CertifiedValue] = field(default_factory=dict)
    samples: tuple[LabSample, ...] = ()

    def type_of(self, text: str) -> str | None:
        """Return what a text of the type column means, capitals or not; None if nobody says it."""
        folded = fold_name(text)
        named = (ours for theirs, ours in self.types.items() if fold_name(theirs) == folded)
        own = folded if folded in TYPES else self.types.get(OTHERS)
        return next(named, own)

    @property
    def wide(self) -> bool:
        """Whether each analyte has a column of its own."""
        return any(a.column is not None for a in self.analytes.values())

    @property
    def mapped(self) -> bool:
        """Whether headers are named: columns that are not are then left alone."""
        return bool(self.columns) or self.wide

    def headings(self) -> list[LabHeading]:
        """Return every header that the user names."""
        found = list(self.columns.values())
        for a in self.analytes.values():
            found += [h for h in (a.column, a.certified, a.certified_sd) if h is not None]
        return found


def sheet_lab_rows(rows: Sequence[Mapping[str, str]], places: Sequence[Place]) -> LabRows:
    """Return the same from rows of the sheet 'lab columns'.

    Columns: setting, name, value, unit, certified, certified sd. Settings: column (name ours, value
    the header), type (name theirs, value ours), analyte (name, value its column), called (name,
    value its name in the export), standard (name, value the analyte, figures in the unit), sample
    (name its label, value the stream), file and sheet (value alone).
    """
    entry: dict[str, object] = {}
    where: dict[tuple[str, ...], Place] = {}

    def table(key: str) -> dict[str, object]:
        found = entry.setdefault(key, {})
        return found if isinstance(found, dict) else {}

    for row, place in zip(rows, places, strict=True):
        setting, name, value = (row[k] for k in ("setting", "name", "value"))
        word = setting.casefold().removesuffix("s")
        figures = {k: row[k] for k in ("certified", "certified sd") if row[k] != ""}
        keys: tuple[str, ...] = (setting,)
        if word in ("column", "type", "sample"):
            keys = (f"{word}s", name)
            table(keys[0])[name] = value
        elif word in ("analyte", "called"):
            keys = ("analytes", name)
            title = {"column" if word == "analyte" else "called": value} if value else {}
            unit = {"unit": row["unit"]} if row["unit"] else {}
            table("analytes")[name] = {**title, **unit, **figures}
        elif word == "standard":
            keys = ("standards", name, value)
            known = table("standards").setdefault(name, {})
            if isinstance(known, dict):
                known[value] = {k: f"{v} {row['unit']}" for k, v in figures.items()}
        else:
            entry[setting] = value
        where[keys] = place

    def at(*keys: str) -> Place:
        ends = (keys[1:end] for end in range(len(keys), 1, -1))
        return next((where[k] for k in ends if k in where), places[0] if places else Place())

    return LabRows(entry, at)


def lab_layout(rows: LabRows | None, faults: list[Fault]) -> LabLayout:
    """Return what the table says; everything wrong with it is added to ``faults``."""
    if rows is None:
        return LabLayout()
    if isinstance(rows.entry, Mapping):
        return _Reader(rows.entry, rows.at, faults).layout()
    faults.append(
        Fault("'lab' must be a table.", "Write [lab] and its entries below.", rows.at("lab"))
    )
    return LabLayout()


class _Reader:
    """Walks the table [lab]; faults are collected."""

    def __init__(
        self, entry: Mapping[str, object], at: Callable[..., Place], faults: list[Fault]
    ) -> None:
        self.entry, self.at, self.faults = entry, at, faults

    def fault(self, problem: str, mend: str, *keys: str) -> None:
        self.faults.append(Fault(problem, mend, self.at("lab", *keys)))

    def layout(self) -> LabLayout:
        self.known(self.entry, LAB_KEYS)
        columns: dict[str, LabHeading] = {}
        for ours in self.known(self.table("columns"), COLUMNS, "columns"):
            heading = self.heading(self.table("columns")[ours], "columns", ours)
            if heading is not None:
                columns[ours] = heading
        found = LabLayout(
            file=self.heading(self.entry.get("file"), "file"),
            sheet=self.heading(self.entry.get("sheet"), "sheet"),
            columns=columns,
            types=self.types(),
            analytes=self.analytes(),
            certificates=self.certificates(),
            samples=self.samples(),
        )
        if found.wide and {"analyte", "value", "unit"} & set(columns):
            self.fault("The columns of analytes are named, and a column of values as well: is one "
                       "row of the export a sample or an assay?", "A sample: take analyte, value "
                       "and unit out of columns.\nAn assay: take column out of analytes.",
                       "columns")  # fmt: skip
        return found

    def table(self, *keys: str) -> Mapping[str, object]:
        """Return a table inside; empty, with a fault, if it is something else."""
        value: object = self.entry
        for key in keys:
            value = value.get(key, {}) if isinstance(value, Mapping) else {}
        if isinstance(value, Mapping):
            return value
        fault = Fault(f"'{keys[-1]}' must be a table.", f"Write {keys[-1]} = {{ ... }}.",
                      self.at("lab", *keys))  # fmt: skip
        if fault not in self.faults:
            self.faults.append(fault)
        return {}

    def known(self, entry: Mapping[str, object], words: Sequence[str], *where: str) -> list[str]:
        """Return the keys that mean something; the others are refused."""
        for key in entry:
            if key not in words:
                mend = did_you_mean(key, words)
                self.fault(f"'{key}' is not known here.", mend, *where, key)
        return [key for key in entry if key in words]

    def heading(self, value: object, *keys: str) -> LabHeading | None:
        """Return a text; None, with a fault, if it is something else or blank."""
        if value is None:
            return None
        if isinstance(value, str) and value.strip():
            return LabHeading(" ".join(value.split()), self.at("lab", *keys))
        self.fault(f"'{keys[-1]}' is {value!r}; it is a text.", f'Write {keys[-1]} = "...", as it '
                   "stands in the export.", *keys)  # fmt: skip
        return None

    def types(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for theirs, ours in self.table("types").items():
            word = ours.strip().casefold() if isinstance(ours, str) else ""
            if word not in TYPES:
                self.fault(f"The type '{theirs}' is said to be '{ours}', which is no type.",
                           did_you_mean(word, TYPES, "Types"),
                           "types", theirs)  # fmt: skip
            elif fold_name(theirs) in map(fold_name, found):
                self.fault(f"The type '{theirs}' is there twice.", "Take one out.", "types", theirs)
            else:
                found[theirs] = word
        return found

    def samples(self) -> tuple[LabSample, ...]:
        found: dict[str, LabSample] = {}
        for label, stream in self.table("samples").items():
            where = ("samples", label)
            if not isinstance(stream, str) or not stream.strip():
                self.fault(f"The sample '{label}' is said to be of {stream!r}; it is the name of a "
                           "stream.", f'Write "{label}" = "...".', *where)  # fmt: skip
            elif fold_name(label) in found:
                self.fault(f"The sample '{label}' is there twice.", "Take one out.", *where)
            else:
                found[fold_name(label)] = LabSample(
                    " ".join(label.split()), " ".join(stream.split()), self.at("lab", *where)
                )
        return tuple(found.values())

    def analytes(self) -> dict[str, AnalyteColumn]:
        found: dict[str, AnalyteColumn] = {}
        for name in self.table("analytes"):
            entry, where = self.table("analytes", name), ("analytes", name)
            self.known(entry, LAB_ANALYTE_KEYS, *where)
            column, called, certified, certified_sd = (
                self.heading(entry.get(k), *where, k)
                for k in ("column", "called", "certified", "certified sd")
            )
            unit = None
            if "unit" in entry or column is not None:
                try:
                    unit = quantity_unit(name, str(entry.get("unit", "")), Dimension.GRADE)
                except UnitError as error:
                    place = self.at("lab", *where).about(quantity=name)
                    self.faults.append(Fault(error.problem, error.mend, place))
            if column is not None and any(
                a.column is not None and a.column.text == column.text for a in found.values()
            ):
                self.fault(f"The column '{column.text}' is named for two analytes.",
                           "Name the one that it holds.", *where)  # fmt: skip
            found[fold_name(name)] = AnalyteColumn(
                " ".join(name.split()), column, called.text if called else name, unit, certified,
                certified_sd, self.at("lab", *where),
            )  # fmt: skip
        return found

    def certificates(self) -> dict[tuple[str, str], CertifiedValue]:
        found: dict[tuple[str, str], CertifiedValue] = {}
        for standard in self.table("standards"):
            for analyte in self.table("standards", standard):
                where = ("standards", standard, analyte)
                entry = self.table(*where)
                self.known(entry, ("certified", "certified sd"), *where)
                value = self.amount(entry, "certified", *where)
                sd = self.amount(entry, "certified sd", *where)
                if value is not None and sd is not None:
                    key = (fold_name(standard), fold_name(analyte))
                    found[key] = CertifiedValue(value, sd)
        return found

    def amount(self, entry: Mapping[str, object], key: str, *where: str) -> float | None:
        """Return a grade as mass per mass; None, with a fault, if it is not one."""
        place = self.at("lab", *where).about(quantity=where[-1])
        what = "certified value" if key == "certified" else key
        found = read_amount(entry.get(key, ""))
        if found is None or found[0] < 0.0 or (key == "certified" and found[0] == 0.0):
            shown = f"is '{entry[key]}'" if key in entry else "is not stated"
            self.faults.append(
                Fault(f"The {what} of the standard '{where[1]}' {shown}; it is a number with "
                      "its unit.", f"Give what the certificate says, for example \"{key}\" = "
                      "\"1.52 %\".", place)
            )  # fmt: skip
            return None
        try:
            return quantity_unit(where[-1], found[1], Dimension.GRADE).to_base(found[0])
        except UnitError as error:
            self.faults.append(Fault(error.problem, error.mend, place))
            return None
