"""Answers of many surveys as columns, one array each, made when they are first met."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints

__all__ = ["AnswerColumns", "ColumnName", "in_a_row"]

_TOGETHER = 32  # columns


class ColumnName(NamedTuple):
    """Of what a column is.

    Attributes
    ----------
    answer : str
        'measured', 'sd', 'adjusted', 'adjusted sd', 'standardised', 'recovery', 'recovery sd'.
    stream, quantity : str
        For a recovery, the analyte.
    unit : str
    """

    answer: str
    stream: str
    quantity: str
    unit: str

    def __str__(self) -> str:
        unit = f" [{self.unit}]" if self.unit and self.answer != "standardised" else ""
        if self.answer.startswith("recovery"):
            return f"{self.answer} of {self.quantity} in {self.stream}{unit}"
        return f"{self.stream} {self.quantity} {self.answer}{unit}"


class AnswerColumns:
    """AnswerColumns of so many rows; NaN where a survey has no such answer.

    Parameters
    ----------
    n : int
    """

    def __init__(self, n: int) -> None:
        self.n = n
        self._found: dict[ColumnName, Floats] = {}
        self._written: dict[ColumnName, int] = {}  # rows from the first on; the rest is still blank
        self._blank = iter(np.empty((0, n)))

    def put(self, name: ColumnName, rows: Ints | Sequence[int] | slice, values: Floats) -> None:
        """Write values into some rows of a column."""
        column = self._found.get(name)
        if column is None:
            column = self._found[name] = self._new()
            self._written[name] = 0
        written = self._written[name]
        if isinstance(rows, slice) and rows.start >= written:
            column[written : rows.start] = np.nan
            self._written[name] = rows.stop
        elif written < self.n:
            self._whole(name)
        column[rows] = values

    def _new(self) -> Floats:
        """Return a column: many are made at once, as memory costs by the piece."""
        column = next(self._blank, None)
        if column is None:
            self._blank = iter(np.empty((_TOGETHER, self.n)))
            column = next(self._blank)
        return np.asarray(column)

    def _whole(self, name: ColumnName) -> Floats:
        """Return a column with NaN wherever nothing was written."""
        column = self._found[name]
        column[self._written[name] :] = np.nan
        self._written[name] = self.n
        return column

    def unit_of(self, answer: str, stream: str, quantity: str) -> str | None:
        """Return the unit of a column that is there; None if there is none."""
        return next((name.unit for name in self._found
                     if name[:3] == (answer, stream, quantity)), None)  # fmt: skip

    def __iter__(self) -> Iterator[ColumnName]:
        return iter(self._found)

    def __getitem__(self, name: ColumnName) -> Floats:
        return self._whole(name)

    def items(self) -> Mapping[ColumnName, Floats]:
        """Return all columns."""
        return {name: self._whole(name) for name in self._found}


def in_a_row(numbers: Ints) -> Ints | slice:
    """Return numbers as a slice if they follow one another: nothing is copied then."""
    if numbers.size and (np.diff(numbers) == 1).all():
        return slice(int(numbers[0]), int(numbers[-1]) + 1)
    return numbers
