"""The circuit of a case as a table: what can be read of it, even where it is faulty."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from oretally.flowsheet import Node, NodeKind, Place, Stream
from oretally.flowsheet.circuit import Content, fold_name, with_all_nodes
from oretally.io.case import CIRCUIT_FILE
from oretally.io.definition import (
    COLUMNS,
    SHEET_COLUMNS,
    TYPES,
    DefinitionRows,
    read_circuit,
    read_circuit_sheets,
)
from oretally.io.desk_files import CasePart, Parts
from oretally.io.files import Cell, Sheets, make_table
from oretally.io.grids import trimmed

__all__ = ["FORMS", "Sketch", "circuit_table", "definition_rows", "sketch"]

FORMS = {"analytes": "unit", "sources": "of", "doubts": "percent", "containers": "mass",
         "lab": "column", "prices": "price", "losses": "mass", "nodes": "kind"}  # fmt: skip
"""Tables of circuit.toml that the page has a form for, and what an entry of one value says."""
_LAB = {"types": "type", "analytes": "column"}


@dataclass(frozen=True)
class Sketch:
    """As much of a circuit as can be drawn."""

    streams: Sequence[Stream]
    nodes: Sequence[Node]


def definition_rows(parts: Parts) -> DefinitionRows:
    """Return what the parts say of the circuit, as it was written."""
    text = parts.get(CIRCUIT_FILE)
    if isinstance(text, str):
        return read_circuit(text, CIRCUIT_FILE)
    return read_circuit_sheets(_definition_sheets(parts), "")


def _definition_sheets(parts: Parts) -> Sheets:
    """Return the sheets that define a case, read from their grids."""
    sheets: Sheets = {}
    for title, part in parts.items():
        word = fold_name(title)
        if word not in SHEET_COLUMNS or isinstance(part, str):
            continue
        place = Place(sheet=title)
        key = SHEET_COLUMNS[word][0]
        table, _ = make_table(place, list(_cells(place, part)), key=key)
        if table is not None:
            sheets[word] = table
    return sheets


def _cells(place: Place, part: CasePart) -> Iterator[list[Cell]]:
    rows = trimmed(part)
    width = max(map(len, rows), default=0)
    for i, row in enumerate(rows):
        padded = (*row, *[""] * (width - len(row)))
        yield [Cell(text.strip() or None, place, "", i, j) for j, text in enumerate(padded)]


def circuit_table(parts: Parts) -> dict[str, Any]:
    """Return the circuit as the page shows it: streams, nodes, and what they may be.

    ``readable`` is false where nothing could be read: the text is no TOML.
    """
    rows = definition_rows(parts)
    spelt, nodes = with_all_nodes(rows.streams, _named(rows))
    known = {name: place for name, _, place in rows.kinds}
    kinds = {fold_name(name): kind for name, kind, _ in rows.kinds}
    dissolves = {fold_name(row.node): _dissolves(row.amount) for row in rows.dissolving}
    return {
        "title": rows.title,
        "basis": rows.basis,
        "water": str(rows.water[0]).strip().casefold() in ("true", "yes") if rows.water else False,
        "readable": rows.streams_read,
        "feeds": [name for name, _ in rows.feeds],
        "products": [name for name, _ in rows.products],
        "streams": [
            {"name": s.name, "from": s.source, "to": s.target, "carries": s.content.value,
             "like": s.like, "time": None if s.time is None else str(s.time),
             "line": s.place.line, "cell": s.place.cell or None}
            for s in spelt
        ],
        "nodes": [
            {"name": node.name, "kind": kinds.get(fold_name(node.name), NodeKind.SEPARATOR.value),
             "dissolves": dissolves.get(fold_name(node.name)),
             "line": known[node.name].line if node.name in known else None,
             "cell": (known[node.name].cell or None) if node.name in known else None}
            for node in nodes
        ],
        "errors": [
            {"quantity": row.quantity, "relative": _written(row.relative),
             "absolute": _written(row.absolute), "line": row.place.line}
            for row in rows.errors if not row.stream
        ],
        "analytes": [row.name for row in rows.analytes],
        "forms": _forms(parts, rows),
        "kinds": [kind.value for kind in NodeKind],
        "carries": [c.value for c in Content if c is not Content.DISSOLVED],
    }  # fmt: skip


def _forms(parts: Parts, rows: DefinitionRows) -> dict[str, Any] | None:
    """Return what stands in the tables that have a form, as written; None of a workbook."""
    text = parts.get(CIRCUIT_FILE)
    if not isinstance(text, str):
        return None
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        document = {}
    told = {"analytes": [(row.name, row.place) for row in rows.analytes],
            "sources": [(row.name, row.size.place) for row in rows.sources],
            "doubts": [(row.name, row.place) for row in rows.doubts],
            "containers": [(row.name, row.place) for row in rows.containers],
            "losses": [(row.node, row.place) for row in rows.losses],
            "prices": [(row.analyte, row.place) for row in rows.prices]}  # fmt: skip
    forms: dict[str, Any] = {}
    for table, known in told.items():
        lines = {fold_name(name): place.line for name, place in reversed(known)}
        forms[table] = [
            row | {"line": lines.get(fold_name(row["name"]))}
            for row in _entries(document.get(table), FORMS[table])
        ]
    lab = document.get("lab")
    lab = lab if isinstance(lab, dict) else {}
    standards = lab.get("standards")
    return forms | {
        "lab": {
            "file": _cell_text(lab.get("file")),
            "sheet": _cell_text(lab.get("sheet")),
            "columns": {row["name"]: row["cells"]["header"]
                        for row in _entries(lab.get("columns"), "header")},
            **{table: _entries(lab.get(table), short) for table, short in _LAB.items()},
            "standards": [
                row | {"standard": standard}
                for standard, entry in (standards if isinstance(standards, dict) else {}).items()
                for row in _entries(entry, "certified")
            ],
            "headers": list(COLUMNS),
            "meanings": list(TYPES),
        }
    }  # fmt: skip


def _entries(table: object, short: str) -> list[dict[str, Any]]:
    """Return the entries of a table as written, each with its cells as texts or yes and no."""
    if not isinstance(table, dict):
        return []
    rows = []
    for name, entry in table.items():
        cells = entry if isinstance(entry, dict) else {short: entry}
        told = {key: value if isinstance(value, bool) else _cell_text(value)
                for key, value in cells.items()}  # fmt: skip
        rows.append({"name": name, "cells": told})
    return rows


def _cell_text(value: object) -> str:
    if isinstance(value, dict):
        return "as in the text"
    if isinstance(value, list):
        return "; ".join(map(str, value))
    return "" if value is None else str(value)


def _dissolves(amount: object) -> str:
    """Return how much dissolves as a field has it: 'yes' where only that is said."""
    return "yes" if amount is True else "no" if amount is False else _cell_text(amount)


def _written(value: object) -> str | None:
    return None if value is None else str(value)


def _named(rows: DefinitionRows) -> list[Node]:
    """Return the nodes that are listed; a kind that is none is that of a plain separator."""
    kinds = {kind.value: kind for kind in NodeKind}
    found = {fold_name(name): Node(name, kinds.get(kind, NodeKind.SEPARATOR), place)
             for name, kind, place in reversed(rows.kinds)}  # fmt: skip
    return list(reversed(found.values()))


def sketch(parts: Parts) -> Sketch | None:
    """Return what can be drawn of the circuit; None if nothing can.

    Left out are streams that touch no node, or only one twice, and names that are there again.
    """
    rows = definition_rows(parts)
    first: dict[str, Stream] = {}
    for s in rows.streams:
        ends = {fold_name(end) for end in (s.source, s.target) if end}
        loose = not ends or (len(ends) == 1 and s.source and s.target)
        if s.name.strip() and not loose:
            first.setdefault(fold_name(s.name), s)
    streams, nodes = with_all_nodes(first.values(), _named(rows))
    met = {end for s in streams for end in (s.source, s.target)}
    nodes = tuple(node for node in nodes if node.name in met)
    return Sketch(streams, nodes) if nodes else None
