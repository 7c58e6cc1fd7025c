"""Answers of many surveys as columns, one array each, made when they are first met."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints

__all__ = ["AnswerColumns", "ColumnName"]


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

    def put(self, name: ColumnName, rows: Ints | Sequence[int] | slice, values: Floats) -> None:
        """Write values into some rows of a column."""
        if name not in self._found:
            self._found[name] = np.full(self.n, np.nan)
        self._found[name][rows] = values

    def unit_of(self, answer: str, stream: str, quantity: str) -> str | None:
        """Return the unit of a column that is there; None if there is none."""
        return next((name.unit for name in self._found
                     if name[:3] == (answer, stream, quantity)), None)  # fmt: skip

    def __iter__(self) -> Iterator[ColumnName]:
        return iter(self._found)

    def __getitem__(self, name: ColumnName) -> Floats:
        return self._found[name]

    def items(self) -> Mapping[ColumnName, Floats]:
        """Return all columns."""
        return self._found
