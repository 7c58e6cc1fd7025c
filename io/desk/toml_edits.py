"""circuit.toml changed entry by entry: comments, order and spelling of all else stay."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Item, Key, SingleKey, Table

from oretally.flowsheet import Fault, InputError, NodeKind, Place
from oretally.flowsheet.circuit import fold_name
from oretally.io.case import CIRCUIT_FILE
from oretally.io.desk.circuit_table import FORMS, circuit_table
from oretally.io.desk_files import Parts
from oretally.io.files import toml_key, toml_text
from oretally.io.grids import GridTable

__all__ = ["REPORT_KEYS", "EditedCase", "TomlCase", "TomlText"]

REPORT_KEYS = {"feed": "feed", "products": "product", "lost": "lost"}
"""Keys of [report] that name streams, and what each is in the sheet report."""
_Body = list[tuple[Key | None, Item]]


class TomlText:
    """The text of a circuit.toml; each change gives another text.

    Parameters
    ----------
    text : str

    Raises
    ------
    InputError
        If it is no TOML: then only the text itself can be changed.
    """

    def __init__(self, text: str) -> None:
        try:
            tomllib.loads(text)
            self.document = tomlkit.parse(text)
        except (tomllib.TOMLDecodeError, TOMLKitError, RecursionError) as error:
            raise _refused(f"This is not TOML: {error}.", "Mend the text first.") from error

    @property
    def text(self) -> str:
        """The text as it now is."""
        text = self.document.as_string()
        try:
            tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise _refused("The text is laid out so that this cannot be changed from here.",
                           "Change it in the text itself.") from error  # fmt: skip
        return text

    def entries(self, table: str) -> list[str]:
        """Return the names of the entries of a table, as they are spelt."""
        return list(dict.fromkeys(key.key for key, _, _ in self._entries(table)))

    def spelt(self, table: str, name: str) -> str | None:
        """Return how an entry is spelt that is called so but for case and spaces."""
        found = (entry for entry in self.entries(table) if fold_name(entry) == fold_name(name))
        return next(found, None)

    def rename(self, table: str, name: str, to: str) -> None:
        """Give an entry of a table another name."""
        for key, body, i in self._entries(table):
            if fold_name(key.key) == fold_name(name):
                body[i] = (_renamed(key, to), body[i][1])
                self._retitled(table, body[i][1], to)

    def _retitled(self, table: str, item: Item, to: str) -> None:
        """Give the header of a table that stands by itself its new name: [streams.feed]."""
        if isinstance(item, Table) and _headed(item):
            item.display_name = f"{table}.{toml_key(to)}"

    def add(self, table: str, name: str, written: str) -> None:
        """Add an entry below the last one of a table; ``written`` is its value as TOML."""
        bodies = list(self._bodies(table))
        if not bodies:
            text = self.document.as_string()
            gap = (
                "" if not text or text.endswith("\n\n") else "\n" if text.endswith("\n") else "\n\n"
            )
            self.document = tomlkit.parse(f"{text}{gap}[{table}]\n{toml_key(name)} = {written}\n")
            return
        owner, body = bodies[0]
        item = tomlkit.value(written)
        if isinstance(owner, InlineTable):
            owner.append(SingleKey(name), item)
            return
        item.trivia.trail = "\n"
        plain = [i for i, (key, value) in enumerate(body)
                 if key is not None and not _headed(value)]  # fmt: skip
        at = plain[-1] + 1 if plain else 0
        if plain and not body[plain[-1]][1].as_string().endswith("\n"):
            last = body[plain[-1]][1].trivia
            last.trail = last.trail or "\n"
        body.insert(at, (SingleKey(name, sep=" = "), item))

    def delete(self, table: str, name: str) -> None:
        """Take an entry out of a table."""
        for key, body, _ in list(self._entries(table)):
            if fold_name(key.key) == fold_name(name):
                body[:] = [pair for pair in body if pair[0] is None or pair[0].key != key.key]

    def each(self, table: str) -> Iterator[tuple[str, Any]]:
        """Yield name and value of each entry of a table, the value to be changed in place."""
        for key, body, i in self._entries(table):
            yield key.key, body[i][1]

    def set(self, path: Sequence[str], value: object) -> None:
        """Give the entry at a path a value; None takes it out."""
        *way, last = path
        at: Any = self.document
        for name in way:
            if name not in at:
                if value is None:
                    return
                if at is self.document and not at.as_string().endswith("\n\n"):
                    at.add(tomlkit.nl())
                at[name] = tomlkit.table() if at is self.document else tomlkit.inline_table()
            at = at[name]
            if not isinstance(at, Mapping):
                raise _refused(f"'{name}' is no table.", "Change it in the text itself.")
        if value is None:
            if last in at:
                del at[last]
        elif last in at or at is not self.document:
            at[last] = value
        else:
            self._first(last, value)

    def value(self, path: Sequence[str]) -> Any:
        """Return the entry at a path; None if there is none."""
        at: Any = self.document
        for name in path:
            if not isinstance(at, Mapping) or name not in at:
                return None
            at = at[name]
        return at

    def _first(self, name: str, value: object) -> None:
        """Add an entry above all tables."""
        body = self.document.body
        tables = (i for i, (_, item) in enumerate(body) if isinstance(item, Table))
        at = next(tables, len(body))
        while at and body[at - 1][0] is None:
            at -= 1
        item = tomlkit.item(value)
        item.trivia.trail = "\n"
        body.insert(at, (SingleKey(name, sep=" = "), item))

    def _bodies(self, table: str) -> Iterator[tuple[Any, _Body]]:
        """Yield each table of a name, it may be there in pieces, with what stands in it."""
        for key, item in self.document.body:
            if key is not None and key.key == table and isinstance(item, Table | InlineTable):
                yield item, item.value.body

    def _entries(self, table: str) -> Iterator[tuple[Key, _Body, int]]:
        for _, body in self._bodies(table):
            for i, (key, _) in enumerate(body):
                if key is not None:
                    yield key, body, i


class EditedCase:
    """The parts of a case while they are changed; what both kinds have in common."""

    def __init__(self, parts: Parts) -> None:
        self.parts = dict(parts)
        table = circuit_table(parts)
        self.streams = {fold_name(s["name"]): s["name"] for s in table["streams"]}
        self.nodes = {fold_name(n["name"]): n["name"] for n in table["nodes"]}

    def grids(self) -> list[str]:
        """Return the names of the parts that are grids."""
        return [name for name, part in self.parts.items() if not isinstance(part, str)]

    def in_column(self, word: str, name: str, to: str) -> None:
        """Rename in the column of that name, in every table."""
        for title in self.grids():
            table = GridTable(self.parts[title])
            for i in table.rows():
                if fold_name(table.cell(i, word)) == fold_name(name):
                    table.put(i, word, to)
            self.parts[title] = table.grid


class TomlCase(EditedCase):
    """A folder: the circuit stands in circuit.toml."""

    def __init__(self, parts: Parts) -> None:
        super().__init__(parts)
        self.toml = TomlText(str(parts[CIRCUIT_FILE]))

    def done(self) -> None:
        """Write the circuit back into the parts."""
        self.parts[CIRCUIT_FILE] = self.toml.text

    def add_stream(self, name: str, source: str | None, target: str | None) -> None:
        """Add a stream; None is the outside."""
        ends = {"from": source, "to": target}
        written = ", ".join(f"{key} = {toml_text(end)}" for key, end in ends.items() if end)
        self.toml.add("streams", name, f"{{ {written} }}" if written else "{}")

    def connect(self, name: str, source: str | None, target: str | None) -> None:
        """Give a stream other ends."""
        spelt = self.toml.spelt("streams", name)
        for key, end in (("from", source), ("to", target)):
            self.toml.set(["streams", spelt or name, key], end)
        self._keep_empty()

    def rename_stream(self, name: str, to: str) -> None:
        """Rename a stream wherever the circuit speaks of it."""
        self.toml.rename("streams", name, to)
        self.rename_spoken(name, to)

    def rename_spoken(self, name: str, to: str) -> None:
        """Rename a stream where it is spoken of, not where it is one."""
        self._in_streams(lambda given: to if fold_name(given) == fold_name(name) else given)

    def delete_stream(self, name: str) -> None:
        """Take a stream out, and what speaks of it."""
        self.toml.delete("streams", name)
        self._in_streams(lambda given: None if fold_name(given) == fold_name(name) else given)

    def _in_streams(self, change: Callable[[str], str | None]) -> None:
        """Change a stream's name wherever it is spoken of."""
        for key in REPORT_KEYS:
            self._names(["report", key], change)
        for table, key in (("sources", "streams"), ("losses", "like"), ("streams", "like")):
            for entry in self.toml.entries(table):
                self._names([table, entry, key], change)
        lab = self.toml.document.get("lab")
        for label in list(lab.get("samples", {})) if isinstance(lab, Mapping) else ():
            self._names(["lab", "samples", label], change)

    def _keep_empty(self) -> None:
        """Write a stream without ends as one: of dotted keys nothing would be left."""
        for name, entry in list(self.toml.each("streams")):
            if isinstance(entry, Table) and not _headed(entry) and not entry:
                self.toml.delete("streams", name)
                self.toml.add("streams", name, "{}")

    def _names(self, path: list[str], change: Callable[[str], str | None]) -> None:
        at: Any = self.toml.document
        for key in path:
            if not isinstance(at, Mapping) or key not in at:
                return
            at = at[key]
        before = at.unwrap() if hasattr(at, "unwrap") else at
        after = _in_names(before, change)
        if after != before:
            self.toml.set(path, after)

    def rename_node(self, name: str, to: str | None) -> None:
        """Rename a node; None takes it out, and its streams end outside."""
        for _, entry in self.toml.each("streams"):
            for key in ("from", "to"):
                given = entry.get(key) if isinstance(entry, Mapping) else None
                if isinstance(given, str) and fold_name(given) == fold_name(name):
                    if to is None:
                        del entry[key]
                    else:
                        entry[key] = to
        self._keep_empty()
        for table in ("nodes", "losses"):
            if to is None:
                self.toml.delete(table, name)
            else:
                self.toml.rename(table, name, to)

    def set_kind(self, node: str, kind: str) -> None:
        """Say of what kind a node is."""
        spelt = self.toml.spelt("nodes", node)
        if spelt is None:
            if kind != NodeKind.SEPARATOR.value:
                self.toml.add("nodes", node, f"{{ kind = {toml_text(kind)} }}")
            return
        entry = dict(self.toml.each("nodes"))[spelt]
        if isinstance(entry, Mapping):
            self.toml.set(["nodes", spelt, "kind"], kind)
        else:
            self.toml.set(["nodes", spelt], kind)

    def set_error(self, quantity: str, relative: object, absolute: object) -> None:
        """State the error of a quantity; without any its rule goes."""
        given = {"relative": relative, "absolute": absolute}
        told = [
            f"{key} = {_value(value)}" for key, value in given.items() if value not in (None, "")
        ]
        spelt = self.toml.spelt("errors", quantity)
        if spelt is None:
            if told:
                self.toml.add("errors", quantity, f"{{ {', '.join(told)} }}")
        elif not told:
            self.toml.delete("errors", spelt)
        elif isinstance(dict(self.toml.each("errors"))[spelt], Mapping):
            for key, value in given.items():
                self.toml.set(["errors", spelt, key], None if value == "" else value)
        else:
            self.toml.delete("errors", spelt)
            self.toml.add("errors", quantity, f"{{ {', '.join(told)} }}")

    def report(self, key: str, names: list[str]) -> None:
        """Name streams in the report."""
        value: object = names[0] if len(names) == 1 and key == "feed" else names
        self.toml.set(["report", key], value if names else None)

    def set_path(self, path: list[str], value: object) -> None:
        """Give an entry a value; None takes it out."""
        self.toml.set(path, value)

    def set_entry(self, path: list[str], value: object) -> None:
        """Give a named entry of a table its value, or some of its cells; None takes it out."""
        table, *way, name = path
        spelt = None if way else self.toml.spelt(table, name)
        if not way and spelt is None:
            if value is not None:
                self.toml.add(table, name, _value(value))
            return
        path = path if way else [table, spelt or name]
        before = self.toml.value(path)
        if not isinstance(value, Mapping):
            self._set_or_prune(path, value)
        elif before is None or isinstance(before, Mapping):
            for key, cell in value.items():
                self.toml.set([*path, key], cell)
        else:
            cells = {FORMS[table]: str(before), **value}
            inline = tomlkit.inline_table()
            inline.update({key: cell for key, cell in cells.items() if cell is not None})
            self.toml.set(path, inline)

    def _set_or_prune(self, path: list[str], value: object) -> None:
        """Set a value, or take it out with the tables within its own that it leaves empty."""
        self.toml.set(path, value)
        for end in range(len(path) - 1, 1, -1):
            if value is None and self.toml.value(path[:end]) == {}:
                self.toml.set(path[:end], None)


def _headed(item: Item) -> bool:
    """Tell whether an entry is a table under a header of its own: [streams.feed]."""
    return isinstance(item, Table) and item.display_name is not None


def _in_names(value: Any, change: Callable[[str], str | None]) -> Any:
    """Return a name or a list of names with each changed; None takes one out."""
    if isinstance(value, str):
        return change(value)
    if not isinstance(value, list):
        return value
    kept = [new for new in (change(str(name)) for name in value) if new is not None]
    return kept or None


def _renamed(key: Key, to: str) -> Key:
    """Return another key, with the space that stood behind the old one."""
    written = key.as_string()
    space = written[len(written.rstrip()) :]
    return SingleKey(to, sep=key.sep, original=toml_key(to) + space)


def _value(value: object) -> str:
    if isinstance(value, Mapping):
        cells = ", ".join(f"{toml_key(k)} = {_value(v)}" for k, v in value.items() if v is not None)
        return f"{{ {cells} }}" if cells else "{}"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | float) else toml_text(str(value))


def _refused(problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(file=CIRCUIT_FILE))])
