"""Rows that stand in a table twice, alike in every cell: pasted, and no readings of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oretally.io.files.input_files import home_of
from oretally.io.files.table import Cell, Table

__all__ = ["row_names", "without_pasted"]

_NAMED = 8  # rows of one kind that are named
_TOLD = 5  # kinds of rows that are told each for itself


def without_pasted(table: Table) -> tuple[Table, list[str]]:
    """Return a table with rows alike in every cell once, and which rows were alike.

    Rows with one filled cell hold no reading, and are left alone. How to say that they are readings
    of their own is for the caller to add.
    """
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, row in enumerate(table.rows):
        alike.setdefault(tuple([cell.value for cell in row]), []).append(i)
    if len(alike) == len(table.rows):
        return table, []
    more, told = set[int](), list[str]()
    for places in alike.values():
        row = table.rows[places[0]]
        if len(places) > 1 and sum(not cell.blank for cell in row) > 1:
            more.update(places[1:])
            told.append(row_names([table.rows[i][0] for i in places]))
    if not told:
        return table, []
    home = home_of(table.place.file)
    shown = f"{'; '.join(told[:_TOLD])} of {home.name if home else table.place}"
    if len(told) > _TOLD:
        shown += f", and {len(told) - _TOLD} more such"
    kept = tuple(row for i, row in enumerate(table.rows) if i not in more)
    return replace(table, rows=kept), [f"Alike in every cell, and counted once: {shown}."]


def row_names(cells: Sequence[Cell]) -> str:
    """Return the rows of some cells as they are told: those of the file that the user knows."""
    home = home_of(cells[0].origin.file)
    names = [
        c.place.cell if c.row < 0 else str(home.rows[c.row - 1] if home else c.row + 1)
        for c in cells
    ]
    if len(names) > _NAMED:
        names = [*names[: _NAMED - 1], f"{len(names) - _NAMED + 1} more"]
    return f"rows {', '.join(names[:-1])} and {names[-1]}"
