"""Changes of the circuit that the page asks for, in circuit.toml or in the sheets of a workbook.

A change of a name is one in every table of the case. The rest of the files stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from oretally.flowsheet import Fault, InputError, NodeKind
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.case import CIRCUIT_FILE
from oretally.io.definition import OUTSIDE, SHEET_COLUMNS, STREAMS_OF_NODES
from oretally.io.desk.circuit_table import FORMS, circuit_table
from oretally.io.desk.toml_edits import REPORT_KEYS, EditedCase, TomlCase
from oretally.io.desk_files import METALLICS_FILE, TABLES, Parts
from oretally.io.grids import GridTable

__all__ = ["edited"]

Edit = Mapping[str, Any]
# rows of sheets whose value is the name of a stream, by what their first column says
_STREAM_VALUES = {"report": ("feed", "product", "products", "lost"),
                  "lab columns": ("sample", "samples")}  # fmt: skip


def edited(parts: Parts, edits: Sequence[Edit]) -> Parts:
    """Return the parts with the changes made, one after the other.

    Raises
    ------
    InputError
        If one cannot be made; then none is.
    """
    now = dict(parts)
    for edit in edits:
        work = _EDITS.get(str(edit.get("op")))
        if work is None:
            mend = did_you_mean(str(edit.get("op")), list(_EDITS))
            raise _refused(f"'{edit.get('op')}' is no change of a circuit.", mend)
        case = TomlCase(now) if CIRCUIT_FILE in now else _SheetCase(now)
        work(case, edit)
        now = case.parts
    return now


class _SheetCase(EditedCase):
    """A workbook: the circuit stands in sheets."""

    def done(self) -> None:
        """Nothing is left to do: the sheets are changed in place."""

    def sheet(self, word: str) -> GridTable:
        """Return the sheet of that name; one with its header where there is none."""
        title = self._title(word)
        part = self.parts.get(title) or [list(SHEET_COLUMNS[word])]
        return GridTable(part, (SHEET_COLUMNS[word][0],))

    def _title(self, word: str) -> str:
        return next((t for t in self.parts if fold_name(t) == word), word)

    def put_back(self, word: str, sheet: GridTable) -> None:
        self.parts[self._title(word)] = sheet.grid

    def add_stream(self, name: str, source: str | None, target: str | None) -> None:
        """Add a stream; None is the outside."""
        sheet = self.sheet("circuit")
        sheet.add({"stream": name, "from": source or "", "to": target or ""})
        self.put_back("circuit", sheet)

    def connect(self, name: str, source: str | None, target: str | None) -> None:
        """Give a stream other ends."""
        self.in_row("circuit", name, {"from": source or "", "to": target or ""})

    def in_row(self, word: str, name: str, cells: Mapping[str, str]) -> None:
        """Write cells of the row of an entry; the row is added where it is not there."""
        sheet, key = self.sheet(word), SHEET_COLUMNS[word][0]
        at = sheet.find(key, name)
        if at is None:
            sheet.add({key: name, **cells})
        else:
            for column, text in cells.items():
                sheet.put(at, column, text)
        self.put_back(word, sheet)

    def rename_stream(self, name: str, to: str) -> None:
        """Rename a stream wherever the circuit speaks of it."""
        self.rename_spoken(name, to)

    def rename_spoken(self, name: str, to: str) -> None:
        """Rename a stream where it is spoken of, not where it is one."""
        self.in_column("like", name, to)
        self._in_values(name, to)

    def _in_values(self, name: str, to: str | None) -> None:
        """Rename in the rows of the sheets that name a stream as a value, or take them out."""
        for word, keys in _STREAM_VALUES.items():
            if not any(fold_name(title) == word for title in self.parts):
                continue
            sheet = self.sheet(word)
            for i in reversed(sheet.rows()):
                streams = fold_name(sheet.cell(i, SHEET_COLUMNS[word][0])) in keys
                if streams and fold_name(sheet.cell(i, "value")) == fold_name(name):
                    if to is None:
                        del sheet.grid[i]
                    else:
                        sheet.put(i, "value", to)
            self.put_back(word, sheet)

    def delete_stream(self, name: str) -> None:
        """Take a stream out, and what speaks of it."""
        self.without("circuit", name)
        self.in_column("like", name, "")
        self._in_values(name, None)

    def without(self, word: str, name: str) -> None:
        """Take the rows of an entry out of a sheet."""
        if any(fold_name(title) == word for title in self.parts):
            sheet, key = self.sheet(word), SHEET_COLUMNS[word][0]
            while (at := sheet.find(key, name)) is not None:
                del sheet.grid[at]
            self.put_back(word, sheet)

    def rename_node(self, name: str, to: str | None) -> None:
        """Rename a node; None takes it out, and its streams end outside."""
        for column in ("from", "to"):
            self.in_column(column, name, to or "")
        if to is None:
            self.without("nodes", name)
            self.without("losses", name)

    def set_kind(self, node: str, kind: str) -> None:
        """Say of what kind a node is."""
        there = any(fold_name(title) == "nodes" for title in self.parts)
        listed = there and self.sheet("nodes").find("node", node) is not None
        if listed or kind != NodeKind.SEPARATOR.value:
            self.in_row("nodes", node, {"kind": kind})

    def set_error(self, quantity: str, relative: object, absolute: object) -> None:
        """State the error of a quantity; without any its rule goes."""
        told = {"relative": "" if relative is None else str(relative),
                "absolute": "" if absolute is None else str(absolute)}  # fmt: skip
        sheet = self.sheet("errors")
        own = [i for i in sheet.rows() if not sheet.cell(i, "stream").strip()
               and fold_name(sheet.cell(i, "quantity")) == fold_name(quantity)]  # fmt: skip
        if not any(told.values()):
            for i in reversed(own):
                del sheet.grid[i]
        elif own:
            for column, text in told.items():
                sheet.put(own[0], column, text)
        else:
            sheet.add({"quantity": quantity, **told})
        self.put_back("errors", sheet)

    def report(self, key: str, names: list[str]) -> None:
        """Name streams in the report."""
        sheet, word = self.sheet("report"), REPORT_KEYS[key]
        kept = [row for i, row in enumerate(sheet.grid)
                if sheet.top is None or i <= sheet.top
                or fold_name(sheet.cell(i, "key")).removesuffix("s") != word]  # fmt: skip
        sheet.grid = kept
        for name in names:
            sheet.add({"key": word, "value": name})
        self.put_back("report", sheet)

    def set_path(self, path: list[str], value: object) -> None:
        """Give an entry a value; None takes it out."""
        text = "" if value is None else "yes" if value is True else "no" if value is False else (
            str(value)
        )  # fmt: skip
        match path:
            case ["title" | "basis" | "water" as key]:
                self.in_row("report", key, {"value": text})
            case ["streams", name, "carries" | "like" | "time" | "from" | "to" as key]:
                self.in_row("circuit", name, {key: text})
            case ["nodes", name, "kind" | "dissolves" as key]:
                self.in_row("nodes", name, {key: text})
            case ["analytes", name, key] if key in SHEET_COLUMNS["analytes"]:
                self.in_row("analytes", name, {key: text})
            case ["containers", name]:
                self.in_row("containers", name, {"mass": text})
            case ["doubts", name]:
                self.in_row("doubts", name, {"percent": text})
            case _:
                raise _refused(f"'{' '.join(path)}' cannot be set here.", "Type it into its sheet.")

    def set_entry(self, path: list[str], value: object) -> None:
        """Refuse: a workbook has a sheet of its own for it."""
        raise _refused(f"'{' '.join(path)}' cannot be set here.", "Type it into its sheet.")


Either = TomlCase | _SheetCase


def _name(edit: Edit, key: str = "name") -> str:
    given = edit.get(key)
    name = " ".join(given.split()) if isinstance(given, str) else ""
    if not name or any(ord(c) < 32 or "\ud800" <= c <= "\udfff" for c in name):
        raise _refused("A name is needed.", "Type one.")
    return name


def _end(case: Either, edit: Edit, key: str) -> str | None:
    """Return an end of a stream, spelt as the node is that is there; None is the outside."""
    given = edit.get(key)
    if given is None or (isinstance(given, str) and fold_name(given) in OUTSIDE):
        return None
    name = _name(edit, key)
    known: dict[str, str] = case.nodes
    return known.get(fold_name(name), name)


def _known(case: Either, edit: Edit, key: str = "name", *, node: bool = False) -> str:
    """Return the name of a stream or node that is there."""
    name = _name(edit, key)
    known: dict[str, str] = case.nodes if node else case.streams
    if fold_name(name) not in known:
        what = "node" if node else "stream"
        mend = did_you_mean(name, list(known.values()), f"{what.capitalize()}s")
        raise _refused(f"There is no {what} '{name}'.", mend)
    return known[fold_name(name)]


def _new(case: Either, name: str, *, node: bool = False, but: str = "") -> str:
    """Return a name that is not taken."""
    known = case.nodes if node else case.streams
    if fold_name(name) in known and fold_name(name) != fold_name(but):
        what = "node" if node else "stream"
        raise _refused(f"There is a {what} '{known[fold_name(name)]}' already.",
                       "Choose another name.")  # fmt: skip
    return name


def _add_stream(case: Either, edit: Edit) -> None:
    case.add_stream(_new(case, _name(edit)), _end(case, edit, "from"), _end(case, edit, "to"))
    case.done()


def _connect(case: Either, edit: Edit) -> None:
    case.connect(_known(case, edit), _end(case, edit, "from"), _end(case, edit, "to"))
    case.done()


def _rename_stream(case: Either, edit: Edit) -> None:
    name = _known(case, edit)
    to = _new(case, _name(edit, "to_name"), but=name)
    case.rename_stream(name, to)
    case.in_column("stream", name, to)
    case.done()


def _delete_stream(case: Either, edit: Edit) -> None:
    case.delete_stream(_known(case, edit))
    case.done()


def _rename_node(case: Either, edit: Edit) -> None:
    name = _known(case, edit, node=True)
    to = _new(case, _name(edit, "to_name"), node=True, but=name)
    case.rename_node(name, to)
    case.in_column("node", name, to)
    for of in STREAMS_OF_NODES:  # they are called after their node
        case.rename_spoken(f"{of}{name}", f"{of}{to}")
        case.in_column("stream", f"{of}{name}", f"{of}{to}")
    case.done()


def _delete_node(case: Either, edit: Edit) -> None:
    case.rename_node(_known(case, edit, node=True), None)
    case.done()


def _set_kind(case: Either, edit: Edit) -> None:
    node, kind = _known(case, edit, "node", node=True), _name(edit, "kind")
    if kind not in [k.value for k in NodeKind]:
        mend = did_you_mean(kind, [k.value for k in NodeKind], "Kinds")
        raise _refused(f"'{kind}' is not a kind of node.", mend)
    case.set_kind(node, kind)
    case.done()


def _set(case: Either, edit: Edit) -> None:
    path, value = edit.get("path"), edit.get("value")
    fine = isinstance(path, list) and path and all(isinstance(key, str) for key in path)
    if not fine or not isinstance(value, str | int | float | bool | list | None):
        raise _refused("It is not said what to set.", "Load the page again.")
    case.set_path(list(path or ()), value)
    case.done()


def _set_entry(case: Either, edit: Edit) -> None:
    path, value = edit.get("path"), edit.get("value")
    fine = isinstance(path, list) and len(path) > 1 and path[0] in FORMS
    if not isinstance(path, list) or not fine or not all(isinstance(key, str) for key in path):
        raise _refused("It is not said what to set.", "Load the page again.")
    cells = list(value.values()) if isinstance(value, dict) else [value]
    for cell in cells:
        if not (_is_cell(cell) or (isinstance(cell, list) and all(map(_is_cell, cell)))):
            raise _refused("It is not said what to set.", "Load the page again.")
    for name in path:
        _name({"name": name})
    case.set_entry(path, value)
    case.done()


def _is_cell(value: object) -> bool:
    return isinstance(value, str | int | float | bool | None)


def _set_error(case: Either, edit: Edit) -> None:
    case.set_error(_name(edit, "quantity"), edit.get("relative"), edit.get("absolute"))
    case.done()


def _report(case: Either, edit: Edit) -> None:
    for key in REPORT_KEYS:
        given = edit.get(key)
        if given is not None:
            names = given if isinstance(given, list) else [given]
            case.report(key, [_known(case, {"name": name}) for name in names])
    case.done()


def _add_table(case: Either, edit: Edit) -> None:
    name = _name(edit)
    header = _header(case, name)
    if any(fold_name(title) == fold_name(name) for title in case.parts):
        raise _refused(f"There is a table '{name}' already.", "Use that one.")
    if isinstance(case, TomlCase) and name not in TABLES:
        raise _refused(f"'{name}' is no table of a case.", did_you_mean(name, TABLES, "Tables"))
    case.parts[name] = [header]


def _header(case: Either, name: str) -> list[str]:
    """Return the header of a new table, with the quantities that the case measures."""
    word = fold_name(name).removesuffix(".csv")
    if word in SHEET_COLUMNS and word != "prices":
        return list(SHEET_COLUMNS[word])
    rate = circuit_table(case.parts)["basis"].strip().casefold() == "rate"
    flow = "dry rate [t/h]" if rate else "dry mass [kg]"
    grades = _grades(case)
    known = {
        "measurements": ["stream", flow, *grades],
        "expected": ["stream", flow, *grades],
        "kinetics": ["time [h]", "solution sampled [mL]",
                     *(f"{g.rpartition(' [')[0]} in solution [mg/L]" for g in grades),
                     "solution added [mL]", "pH", "note"],
        "sizes": ["stream", "passing [um]", "retained [um]", "mass [g]", *grades],
        "lab": ["sample", "type", "analyte", "value", "unit", "pair", "standard", "certified",
                "certified sd"],
        "stocks": ["node", "when", "dry mass [t]", *grades],
        METALLICS_FILE.removesuffix(".csv"): ["stream", "fraction", "mass [g]", "Au [g/t]"],
        "prices": ["quantity", "stream", "price [EUR]"] if CIRCUIT_FILE in case.parts
                  else ["analyte", "price"],
    }  # fmt: skip
    if word not in known:
        mend = did_you_mean(name, [*known, *SHEET_COLUMNS], "Tables")
        raise _refused(f"'{name}' is no table of a case.", mend)
    return known[word]


def _grades(case: Either) -> list[str]:
    """Return the headers of grades in the measurements."""
    names = [t for t in case.grids() if fold_name(t).removesuffix(".csv") == "measurements"]
    table = GridTable(case.parts[names[0]]) if names else GridTable([])
    if table.top is None:
        return []
    flows = ("stream", "dry", "wet", "moisture", "±", "sd", "error", "pulp", "water", "%", "solids",
             "quantity", "value", "unit", "container", "note")  # fmt: skip
    return [text for text, word in zip(table.grid[table.top], table.words, strict=True)
            if word and not word.startswith(flows)]  # fmt: skip


def _refused(problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend)])


_EDITS: dict[str, Callable[[Either, Edit], None]] = {
    "add stream": _add_stream,
    "connect": _connect,
    "rename stream": _rename_stream,
    "delete stream": _delete_stream,
    "rename node": _rename_node,
    "delete node": _delete_node,
    "set kind": _set_kind,
    "set": _set,
    "set entry": _set_entry,
    "set error": _set_error,
    "report": _report,
    "add table": _add_table,
}
