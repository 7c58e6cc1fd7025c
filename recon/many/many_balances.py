"""What is asked of many surveys, and what they come to, as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.many.columns import AnswerColumns, ColumnName, in_a_row

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GLOBAL", "Asked", "ManyBalances"]

GLOBAL = ("sum of squares", "degrees of freedom", "p")
"""Answers of a whole survey."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted of each survey.

    Attributes
    ----------
    feed, products : optional
        As for `oretally.recon.reconcile`.
    suspects : bool
        Whether to look for wrong numbers too.
    below : float
        Only where the global test, or that of the largest standardised adjustment among all, has
        a smaller p than this; 1 looks at every survey.
    """

    feed: str | tuple[str, ...] | None = None
    products: tuple[str, ...] | None = None
    suspects: bool = False
    below: float = 1.0


@dataclass(frozen=True, eq=False)
class ManyBalances:
    """What many surveys come to, as columns.

    Attributes
    ----------
    n : int
        Surveys.
    columns : mapping of ColumnName to ndarray, shape (n,)
        NaN where a survey has no such value.
    reason : ndarray of object, shape (n,)
        Why there is no balance; empty where there is one.
    alone : ndarray of bool, shape (n,)
        Surveys that were balanced one at a time: they needed care, or hold what the quick way does
        not take.
    suspect : ndarray of object, shape (n,)
        The likeliest wrong number in words, with those that cannot be told from it; empty where
        there is none, or nobody asked.
    probability : ndarray, shape (n,)
        Of that; NaN where there is none.
    looked : ndarray of bool, shape (n,)
        Surveys in which wrong numbers were looked for.
    """

    n: int
    columns: dict[ColumnName, Floats]
    reason: np.ndarray[Any, np.dtype[np.object_]]
    alone: Bools
    suspect: np.ndarray[Any, np.dtype[np.object_]]
    probability: Floats
    looked: Bools

    @property
    def balanced(self) -> Bools:
        """Which surveys have a balance, shape (n,)."""
        return np.asarray(self.reason == "", dtype=bool)

    @property
    def refused(self) -> list[tuple[int, str]]:
        """Numbers of the surveys without a balance, and why."""
        return [(int(i), str(self.reason[i])) for i in np.flatnonzero(~self.balanced)]

    def column(self, answer: str, stream: str = "", quantity: str = "") -> Floats:
        """Return one column, by what it is of.

        Raises
        ------
        KeyError
            If no survey has such an answer.
        """
        for name, values in self.columns.items():
            if name[:3] == (answer, stream, quantity):
                return values
        raise KeyError((answer, stream, quantity))

    def named(self, *, suspects: bool = False) -> dict[str, Any]:
        """Return the columns by their names in words, those of whole surveys first."""
        found: dict[str, Any] = {"balanced": self.balanced, "reason": self.reason}
        if suspects:
            found |= {"suspect": self.suspect, "probability": self.probability,
                      "looked at": self.looked}  # fmt: skip
        first = [name for name in self.columns if name.answer in GLOBAL]
        rest = [name for name in self.columns if name.answer not in GLOBAL]
        for name in first:
            found[name.answer] = self.columns[name]
        return found | {str(name): self.columns[name] for name in rest}

    def frame(self) -> pd.DataFrame:
        """Return the columns as a pandas frame."""
        import pandas as pd

        return pd.DataFrame(self.named(suspects=bool((self.suspect != "").any())))

    @classmethod
    def joined(cls, parts: Sequence[tuple[Ints, ManyBalances]]) -> ManyBalances:
        """Return the surveys of all parts in the order of their numbers, which stand beside."""
        n = sum(part.n for _, part in parts)
        columns, rest = AnswerColumns(n), cls(
            n, {}, np.full(n, "", dtype=object), np.zeros(n, dtype=bool),
            np.full(n, "", dtype=object), np.full(n, np.nan), np.zeros(n, dtype=bool),
        )  # fmt: skip
        for order, part in parts:
            numbers = in_a_row(order)
            for name, values in part.columns.items():
                columns.put(name, numbers, values)
            for field in ("reason", "alone", "suspect", "probability", "looked"):
                getattr(rest, field)[numbers] = getattr(part, field)
        return replace(rest, columns=dict(columns.items()))
