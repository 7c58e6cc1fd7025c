"""Where things stand: faults at cells and lines, and what became of the number in a cell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from oretally.flowsheet import Fault, Measurement, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.flowsheet.survey import PROPAGATED
from oretally.io.desk_files import Parts
from oretally.io.files import address, cell_at
from oretally.io.grids import GridRows
from oretally.io.wording import is_quiet
from oretally.recon.result import Balance, BalancedValue

__all__ = ["cell_texts", "fault_cells", "fault_row", "header_row", "part_of",
           "typed_cells", "value_rows"]  # fmt: skip

_WAYS = ("wet ", "moisture", "pulp", "% solids", "solids", "water")
"""How headers begin that a dry flow is made from."""
Cells = dict[str, dict[str, dict[str, str]]]


def part_of(place: Place, parts: Parts) -> str | None:
    """Return the part in which a place is; None if it is in none."""
    wanted = fold_name(place.sheet or place.file)
    return next((name for name in parts if fold_name(name) == wanted), None)


def fault_row(fault: Fault, parts: Parts, circuit: Mapping[str, Any]) -> dict[str, Any]:
    """Return a fault with where it is to be shown.

    Stream and node are those that its place names, else the first that its words name.
    """
    place = fault.place
    return {
        "part": part_of(place, parts),
        "cell": place.cell if cell_at(place.cell) else None,
        "line": place.line,
        "option": place.cell if place.cell.startswith("option ") else None,
        "stream": _known(place.stream, circuit["streams"]) or _said(fault, circuit["streams"]),
        "node": _said(fault, circuit["nodes"]),
        "quantity": place.quantity or None,
        "problem": fault.problem,
        "mend": fault.mend,
        "missing": None if fault.missing is None else asdict(fault.missing),
    }


def _known(name: str, rows: Sequence[Mapping[str, Any]]) -> str | None:
    return next((row["name"] for row in rows if name and row["name"] == name), None)


def _said(fault: Fault, rows: Sequence[Mapping[str, Any]]) -> str | None:
    """Return which of the names stands in quotes in a fault, the first; None if none does."""
    at = {row["name"]: fault.problem.find(f"'{row['name']}'") for row in rows}
    named = sorted((k, name) for name, k in at.items() if k >= 0)
    return named[0][1] if named else None


def fault_cells(rows: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, dict[str, str]]]:
    """Return what is wrong cell by cell, for each part."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for row in rows:
        if row["part"] is None or row["cell"] is None:
            continue
        text = f"{row['problem']} {row['mend']}"
        cells = found.setdefault(row["part"], {})
        before = cells.get(row["cell"])
        told = text if before is None else f"{before['text']}\n{text}"
        cells[row["cell"]] = {"text": told, "level": "fault"}
    return found


def value_rows(balance: Balance, parts: Parts) -> list[dict[str, Any]]:
    """Return every value, measured against adjusted, with the cell where it was typed."""
    rows = []
    for v in balance.values:
        m = balance.survey.measured(v.stream, v.quantity)
        measured, sd = format_with_sd(v.measured, v.sd)
        adjusted, adjusted_sd = format_with_sd(v.adjusted, v.adjusted_sd)
        rows.append({
            "stream": v.stream,
            "quantity": v.quantity,
            "unit": v.unit,
            "measured": v.measured,
            "sd": v.sd,
            "adjusted": v.adjusted,
            "adjusted_sd": v.adjusted_sd,
            "standardised": v.standardised,
            "text": {"measured": measured, "sd": sd, "adjusted": adjusted,
                     "adjusted_sd": adjusted_sd},
            "class": v.value_class.value,
            "part": None if m is None else part_of(m.place, parts),
            "cell": None if m is None else m.place.cell or None,
        })  # fmt: skip
    return rows


def cell_texts(balance: Balance, parts: Parts) -> Cells:
    """Return what is told at each cell, for each part: level 'suspect', 'note' or 'origin'."""
    found: Cells = {}
    doubted = {} if is_quiet(balance) else {
        (place.where, place.quantity): i
        for i, suspect in reversed(list(enumerate(balance.suspects)))
        for place in suspect.group if place.kind == "measurement"
    }  # fmt: skip
    for v in balance.values:
        m = balance.survey.measured(v.stream, v.quantity)
        part = None if m is None else part_of(m.place, parts)
        at = None if m is None else cell_at(m.place.cell)
        if m is None or part is None or at is None:
            continue
        grid = parts[part]
        suspect = (v.stream, v.quantity) in doubted
        level = "suspect" if suspect else "note" if m.note else "origin"
        told = {"text": _told(v, m, suspect=suspect), "level": level}
        cells = found.setdefault(part, {})
        for row, column in typed_cells(m, at, grid) if not isinstance(grid, str) else ():
            before = cells.setdefault(address(row, column), dict(told))
            if before["text"] != told["text"] and told["text"] not in before["text"]:
                before["text"] += f"\n{told['text']}"
                before["level"] = "suspect" if suspect else before["level"]
    return found


def _told(v: BalancedValue, m: Measurement, *, suspect: bool) -> str:
    measured, sd = format_with_sd(v.measured, v.sd)
    note = f" ({m.note})" if m.note else ""
    text = f"{v.quantity} of '{v.stream}': {measured} ± {sd} {v.unit}{note}"
    if v.adjusted is not None:
        adjusted, by = format_with_sd(v.adjusted, v.adjusted_sd)
        text += f"; adjusted {adjusted} ± {by} {v.unit}"
        if v.standardised is not None:
            text += f", moved {format_number(v.standardised, 2)} sd"
    if v.value_class.value == "nonredundant":
        text += "; nothing checks it"
    return f"{text}. {'Check this number.' if suspect else ''}".strip()


def typed_cells(m: Measurement, at: tuple[int, int], grid: GridRows) -> Iterator[tuple[int, int]]:
    """Yield the cells that a number was made from: its own, its replicates, the way to it.

    ``at`` is its own cell, row and column counted from 0.
    """
    row, column = at
    top = header_row(grid)
    if top is None or row <= top:
        yield at
        return
    words = [fold_name(text) for text in grid[top]]
    keys = [j for j, word in enumerate(words) if word in ("stream", "quantity", "node", "when")]
    mine = [_cell(grid, row, j) for j in keys]
    ways = [j for j, word in enumerate(words) if word.startswith(_WAYS)]
    columns = [column, *ways] if m.error_source == PROPAGATED else [column]
    yield at
    for i in range(top + 1, len(grid)) if m.readings > 1 else (row,):
        if i == row or [_cell(grid, i, j) for j in keys] == mine:
            yield from ((i, j) for j in dict.fromkeys(columns) if _cell(grid, i, j))


def header_row(grid: GridRows) -> int | None:
    """Return the row that names the column 'stream' or 'node'; None if none does."""
    for i, row in enumerate(grid):
        if any(fold_name(text) in ("stream", "node") for text in row):
            return i
    return None


def _cell(grid: GridRows, row: int, column: int) -> str:
    return fold_name(grid[row][column]) if column < len(grid[row]) else ""
