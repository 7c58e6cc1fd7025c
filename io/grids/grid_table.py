"""A grid of texts as a table that is changed: rows and cells by name, the rest as it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oretally.flowsheet.circuit import fold_name
from oretally.io.grids.csv_grid import GridRows

__all__ = ["GridTable"]


class GridTable:
    """A grid of cells with a header: cells by row and column name, to be changed.

    Parameters
    ----------
    rows : sequence of sequence of str
        Copied.
    key : sequence of str
        The header is the first row with one of these names.
    """

    def __init__(self, rows: GridRows, key: Sequence[str] = ("stream", "node", "quantity")) -> None:
        self.grid: list[list[str]] = [list(row) for row in rows]
        tops = (i for i, row in enumerate(self.grid) if {fold_name(t) for t in row} & set(key))
        self.top = next(tops, None)
        self.words = [] if self.top is None else [fold_name(t) for t in self.grid[self.top]]

    def rows(self) -> list[int]:
        """Return the rows below the header."""
        return [] if self.top is None else list(range(self.top + 1, len(self.grid)))

    def cell(self, i: int, word: str) -> str:
        """Return a cell; empty where there is none."""
        j = self.words.index(word) if word in self.words else len(self.grid[i])
        return self.grid[i][j] if j < len(self.grid[i]) else ""

    def put(self, i: int, word: str, text: str) -> None:
        """Write a cell; its column is added where it is not there."""
        if word not in self.words and self.top is not None:
            if not text:
                return
            self.words.append(word)
            self.grid[self.top] += [""] * (len(self.words) - 1 - len(self.grid[self.top])) + [word]
        j = self.words.index(word)
        self.grid[i] += [""] * (j + 1 - len(self.grid[i]))
        self.grid[i][j] = text

    def add(self, row: Mapping[str, str]) -> None:
        """Add a row below the last one that is filled."""
        end = len(self.grid)
        while end > (self.top or 0) + 1 and not any(t.strip() for t in self.grid[end - 1]):
            end -= 1
        self.grid.insert(end, [])
        for word, text in row.items():
            self.put(end, word, text)

    def find(self, word: str, name: str) -> int | None:
        """Return the first row where a column reads so; None if none does."""
        wanted = fold_name(name)
        return next((i for i in self.rows() if fold_name(self.cell(i, word)) == wanted), None)
