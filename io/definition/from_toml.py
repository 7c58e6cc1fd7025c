"""circuit.toml: read with the line of every entry, so that messages can point at it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.faults import did_you_mean
from oretally.io.cells import plain_document
from oretally.io.definition.analytes import AnalyteRow, detection_mend
from oretally.io.definition.declared_losses import LossRow
from oretally.io.definition.definition import DefinitionRows, ReagentRow
from oretally.io.definition.dissolving_leaches import DissolvingRow
from oretally.io.definition.error_rules import FROM_LAB, ErrorRow
from oretally.io.definition.error_sources import SourceRow
from oretally.io.definition.gross_error_rates import ContainerRow, DoubtRow
from oretally.io.definition.lab_columns import LabRows
from oretally.io.definition.metal_prices import PriceRow
from oretally.io.definition.streams import stream_of
from oretally.io.files import NotRead, read_toml, toml_document

__all__ = ["CIRCUIT_KEYS", "read_circuit", "read_circuit_text"]

CIRCUIT_KEYS: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "": ("title", "basis", "streams", "nodes", "analytes", "errors", "sources", "report",
         "containers", "doubts", "lab", "water", "losses", "prices", "reagents"),
    "streams": ("from", "to", "carries", "like", "time", "errors"),
    "nodes": ("kind", "dissolves"),
    "analytes": ("unit", "max", "detection", "dissolved"),
    "errors": ("relative", "absolute", "coverage"),
    "sources": ("of", "streams", "relative", "absolute", "coverage", "shared", "dof", "sampling"),
    "losses": ("mass", "rate", "like"),
    "report": ("feed", "products", "lost"),
    "reagents": ("purity", "strength", "relative"),
})  # fmt: skip
"""What circuit.toml may hold: by table, the keys of each entry; '' is the file itself."""
_HOW = (
    "Names with spaces stand in quotes, texts stand in quotes, entries of a table in braces: "
    '"mill feed" = { to = "jig" }.'
)
_KEY = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*=""")
_HEADER = re.compile(r"""\s*\[\[?((?:"(?:[^"\\]|\\.)*+"|'[^']*+'|[^"'\[\]#])*+)\]""")
_PART = re.compile(r"""\"((?:[^"\\]|\\.)*)\"|'([^']*)'|([^.\s"']+)""")


def read_circuit_text(path: Path, name: str) -> DefinitionRows:
    """Read circuit.toml; what is wrong with it is left in ``faults`` of the result."""
    rows = DefinitionRows(places={"": Place(file=name)})
    try:
        document, text = read_toml(path)
    except NotRead as refused:
        return _unreadable(rows, refused.problem, refused.mend or _HOW)
    return _read(rows, document, text, name)


def read_circuit(text: str, name: str) -> DefinitionRows:
    """Read the text of a circuit.toml; ``name`` is how the user knows the file."""
    rows = DefinitionRows(places={"": Place(file=name)})
    try:
        document = toml_document(text)
    except NotRead as refused:
        return _unreadable(rows, refused.problem, refused.mend or _HOW)
    return _read(rows, document, text, name)


def _read(rows: DefinitionRows, document: dict[str, Any], text: str, name: str) -> DefinitionRows:
    reader = _Reader(rows, name, _line_index(text))
    reader.read(plain_document(document, reader.at, rows.faults))
    return rows


def _unreadable(rows: DefinitionRows, problem: str, mend: str) -> DefinitionRows:
    rows.faults.append(Fault(problem, mend, rows.place("")))
    rows.streams_read = False
    rows.basis = "batch"  # not a choice: keeps a second message about the basis away
    return rows


def _line_index(text: str) -> dict[tuple[str, ...], int]:
    """Return the line of each table and of each key at the start of a line."""
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            table = tuple(a or b or c for a, b, c in _PART.findall(header[1]))
            lines.setdefault(table, number)
        elif key:
            lines.setdefault((*table, _unquoted(key[1])), number)
    return lines


def _unquoted(key: str) -> str:
    if key[0] not in "\"'":
        return key
    try:
        return str(next(iter(tomllib.loads(f"{key} = 1"))))
    except tomllib.TOMLDecodeError:
        return key[1:-1]


class _Reader:
    """Walks the document and fills the rows."""

    def __init__(
        self, rows: DefinitionRows, name: str, lines: Mapping[tuple[str, ...], int]
    ) -> None:
        self.rows, self.name, self.lines = rows, name, lines

    def at(self, *keys: str) -> Place:
        """Return the place of an entry, or of the table it stands in."""
        for end in range(len(keys), 0, -1):
            if keys[:end] in self.lines:
                return Place(file=self.name, line=self.lines[keys[:end]])
        return Place(file=self.name)

    def fault(self, problem: str, mend: str, *keys: str) -> None:
        """Add a fault at an entry."""
        self.rows.faults.append(Fault(problem, mend, self.at(*keys)))

    def read(self, document: Mapping[str, Any]) -> None:
        """Fill the rows from the whole document."""
        self.known(document, CIRCUIT_KEYS[""])
        self.rows.title = self.words(document, "title")
        self.rows.basis = self.words(document, "basis")
        self.rows.places["basis"] = self.at("basis")
        if "water" in document:
            self.rows.water = (document["water"], self.at("water"))
        for name, entry in self.table(document, "streams").items():
            self.stream(name, entry)
        for name, entry in self.table(document, "nodes").items():
            kind = entry if isinstance(entry, str) else None
            if isinstance(entry, Mapping):
                self.known(entry, CIRCUIT_KEYS["nodes"], "nodes", name)
                kind = entry.get("kind")
                if isinstance(kind, str) and "dissolves" in entry:
                    self.rows.dissolving.append(
                        DissolvingRow(name, entry["dissolves"], self.at("nodes", name))
                    )
            if isinstance(kind, str):
                self.rows.kinds.append((name, kind.strip().casefold(), self.at("nodes", name)))
            else:
                self.fault(f"The node '{name}' has no kind.", 'Write { kind = "splitter" } or '
                           "another kind.", "nodes", name)  # fmt: skip
        for name, entry in self.table(document, "analytes").items():
            self.analyte(name, entry)
        for quantity, entry in self.table(document, "errors").items():
            self.error("", quantity, entry, "errors", quantity)
        for name, entry in self.table(document, "sources").items():
            self.source(" ".join(name.split()), entry)
        self.report(self.table(document, "report"))
        for name, mass in self.table(document, "containers").items():
            at = self.at("containers", name)
            self.rows.containers.append(ContainerRow(" ".join(name.split()), mass, at))
        for name, entry in self.table(document, "losses").items():
            self.loss(" ".join(name.split()), entry)
        if "lab" in document:
            self.rows.lab = LabRows(document["lab"], self.at)
        for name, percent in self.table(document, "doubts").items():
            self.rows.doubts.append(DoubtRow(name, percent, self.at("doubts", name)))
        for name, price in self.table(document, "prices").items():
            at = self.at("prices", name)
            self.rows.prices.append(PriceRow(" ".join(name.split()), price, at))
        for name, entry in self.table(document, "reagents").items():
            self.reagent(" ".join(name.split()), name, entry)

    def reagent(self, name: str, key: str, entry: object) -> None:
        """Take what is said of a reagent."""
        if not isinstance(entry, Mapping):
            self.fault(f"The reagent '{name}' is no table.",
                       'Write { purity = 98, relative = 1 }, or { strength = "50 g/L", '
                       "relative = 2 }.", "reagents", key)  # fmt: skip
            return
        self.known(entry, CIRCUIT_KEYS["reagents"], "reagents", key)
        self.rows.reagents.append(
            ReagentRow(name, entry.get("purity"), entry.get("strength"), entry.get("relative"),
                       self.at("reagents", key))
        )  # fmt: skip

    def table(self, parent: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        """Return a table; empty, with a fault, if it is something else."""
        value = parent.get(key, {})
        if isinstance(value, Mapping):
            return value
        self.fault(f"'{key}' must be a table.", f"Write [{key}] and its entries below.", key)
        return {}

    def words(self, parent: Mapping[str, Any], key: str) -> str:
        """Return a text; empty, with a fault, if it is something else."""
        value = parent.get(key, "")
        if isinstance(value, str):
            return value
        self.fault(f"'{key}' must be a text.", f'Write {key} = "...".', key)
        return ""

    def known(self, entry: Mapping[str, Any], keys: Sequence[str], *where: str) -> None:
        """Refuse keys that mean nothing, with the nearest that does."""
        for key in entry:
            if key not in keys:
                mend = did_you_mean(key, keys)
                self.fault(f"'{key}' is not known here.", mend, *where, key)

    def stream(self, name: str, entry: Any) -> None:
        """Add one stream."""
        if not isinstance(entry, Mapping):
            self.fault(f"The stream '{name}' has no ends.", 'Write { from = "...", to = "..." }, '
                       "without the end that is outside.", "streams", name)  # fmt: skip
            return
        self.known(entry, CIRCUIT_KEYS["streams"], "streams", name)
        ends: list[str | None] = []
        for key in ("from", "to"):
            end = entry.get(key)
            if end is not None and not (isinstance(end, str) and end.strip()):
                self.fault(f"'{key}' of the stream '{name}' must be the name of a node.",
                           "Leave it out if that end is outside.", "streams", name)  # fmt: skip
                end = None
            ends.append(" ".join(end.split()) if end else None)
        place = self.at("streams", name)
        before = len(self.rows.faults)
        self.rows.streams.append(
            stream_of(" ".join(name.split()), (ends[0], ends[1]), entry.get("carries"),
                      entry.get("like"), place, self.rows.faults, time=entry.get("time"))
        )  # fmt: skip
        self.rows.contents_read &= len(self.rows.faults) == before
        errors = entry.get("errors", {})
        if not isinstance(errors, Mapping):
            self.fault(f"'errors' of the stream '{name}' must be a table.",
                       "Write errors = { Sn = { relative = 5 } }.", "streams", name)  # fmt: skip
            return
        for quantity, rule in errors.items():
            self.error(" ".join(name.split()), quantity, rule, "streams", name)

    def analyte(self, name: str, entry: Any) -> None:
        """Add one analyte."""
        if isinstance(entry, str):
            entry = {"unit": entry}
        if not isinstance(entry, Mapping):
            self.fault(f"The analyte '{name}' has no unit.", 'Write { unit = "%" }.',
                       "analytes", name)  # fmt: skip
            return
        self.known(entry, CIRCUIT_KEYS["analytes"], "analytes", name)
        unit = str(entry.get("unit", ""))
        place = self.at("analytes", name)
        self.rows.analytes.append(
            AnalyteRow(name, unit, entry.get("max"), entry.get("detection"), place,
                       entry.get("dissolved"))
        )  # fmt: skip

    def loss(self, name: str, entry: Any) -> None:
        """Add one declared loss."""
        if not isinstance(entry, Mapping):
            self.fault(f"The loss at '{name}' is not a table.",
                       'Write { mass = "0.5 t", like = "mill feed" }.', "losses", name)  # fmt: skip
            return
        key, other = "mass", "rate"
        if self.rows.basis.strip().casefold() == other:
            key, other = other, key
        keys = [each for each in CIRCUIT_KEYS["losses"] if each != other]
        self.known(entry, keys, "losses", name)
        self.rows.losses.append(
            LossRow(name, entry.get(key), entry.get("like"), self.at("losses", name))
        )

    def error(self, stream: str, quantity: str, entry: Any, *where: str) -> None:
        """Add one error rule."""
        if isinstance(entry, str) and entry.strip().casefold() == FROM_LAB:
            self.rows.errors.append(
                ErrorRow(stream, quantity, None, FROM_LAB, None, self.at(*where))
            )
            return
        if not isinstance(entry, Mapping):
            self.fault(f"The error of '{quantity}' is not a table.",
                       'Write { relative = 3 } or { absolute = "0.01 %" }.', *where)  # fmt: skip
            return
        if "detection" in entry:
            self.fault("A detection limit is no error.", detection_mend(quantity), *where)
        rule = {key: value for key, value in entry.items() if key != "detection"}
        self.known(rule, CIRCUIT_KEYS["errors"], *where)
        self.rows.errors.append(
            ErrorRow(stream, quantity, entry.get("relative"), entry.get("absolute"),
                     entry.get("coverage"), self.at(*where))
        )  # fmt: skip

    def source(self, name: str, entry: Any) -> None:
        """Add one source of error: a row for each quantity and stream that it names."""
        at = ("sources", name)
        if not isinstance(entry, Mapping):
            self.fault(f"The error source '{name}' is not a table.",
                       'Write { of = "...", relative = 2 }.', *at)  # fmt: skip
            return
        self.known(entry, CIRCUIT_KEYS["sources"], *at)
        of, streams = self.names(entry, "of", *at), self.names(entry, "streams", *at)
        if of == []:
            self.fault(f"The error source '{name}' does not say of what.",
                       'Write of = "dry mass", or of = ["...", "..."].', *at)  # fmt: skip
        if streams == [] and "streams" in entry:
            self.fault(f"The error source '{name}' names no stream.",
                       "Name one, or leave 'streams' out: then it is of all.", *at)  # fmt: skip
            return
        relative, absolute, coverage = (entry.get(k) for k in ("relative", "absolute", "coverage"))
        for quantity in of or ():
            for stream in streams or ([""] if streams == [] else ()):
                size = ErrorRow(
                    " ".join(stream.split()), quantity, relative, absolute, coverage, self.at(*at)
                )
                self.rows.sources.append(
                    SourceRow(name, size, entry.get("shared"), entry.get("dof"),
                              entry.get("sampling"))
                )  # fmt: skip

    def names(self, entry: Mapping[str, Any], key: str, *where: str) -> list[str] | None:
        """Return one name or a list of names; None, with a fault, if it is something else."""
        value = entry.get(key, [])
        value = [value] if isinstance(value, str) else value
        if isinstance(value, list) and all(isinstance(v, str) and v.strip() for v in value):
            return value
        self.fault(f"'{key}' must be a name or a list of names.",
                   f'Write {key} = "...", or {key} = ["...", "..."].', *where)  # fmt: skip
        return None

    def report(self, entry: Mapping[str, Any]) -> None:
        """Take feeds, products and which of these are lost."""
        self.known(entry, CIRCUIT_KEYS["report"], "report")
        taken = {"feed": self.rows.feeds, "products": self.rows.products, "lost": self.rows.lost}
        for key, named in taken.items():
            names = self.names(entry, key, "report", key) or []
            named.extend((name, self.at("report", key)) for name in names)
