"""Balances without the unmeasured grades, where what is left does not depend on the flows.

An unmeasured grade that is alone on its carrier enters the balances of its analyte as an amount of
its own, which may be anything within its bounds: rows of the balances are added until it stands in
one only, which then says nothing of the others. What is left has no unmeasured grade in it; these
follow from the others at the end. It is what eliminating them one by one in `S` does, in the limit
of no weight at all.

References
----------
C.M. Crowe, Y.A. Garcia Campos and A. Hrymak, Reconciliation of process flow rates by matrix
projection, AIChE Journal 29 (1983) 881-888: unmeasured values projected out. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.reduction import AnalyteProblem

__all__ = ["Elimination", "eliminated"]

_ZERO = 1e-12  # coefficients of balances are of the order of 1
_INSIDE = 1e-12  # of what a carrier can hold
_STEPS, _SHARE = 12, 0.9  # towards closed balances, and of the way to a bound
_FAINT, _TINY = 1e-9, 1e-300  # directions that nothing moves; what is no step


@dataclass(frozen=True, eq=False)
class Elimination:
    """What becomes of the balances of each analyte.

    Attributes
    ----------
    groups : ndarray of bool, shape (n_groups, n_analytes)
        Grades that are eliminated.
    steps : tuple of csr_array, shape (n_rows, n_rows)
        T of each analyte: T B has no such grade in it; rows that held one are 0.
    carriers : tuple of ndarray of int
        The carriers of the eliminated grades that some balance holds.
    columns, inverse : tuple of ndarray, shape (n_rows, n_eliminated) and its transpose's
        B_U and B_U^+.
    """

    groups: Bools
    steps: tuple[sparse.csr_array, ...]
    carriers: tuple[Ints, ...]
    columns: tuple[Floats, ...]
    inverse: tuple[Floats, ...]

    @cached_property
    def determined(self) -> tuple[bool, ...]:
        """Whether the balances determine all grades that are eliminated, of each analyte."""
        return tuple(np.linalg.matrix_rank(B) == B.shape[1] for B in self.columns)

    def completed(self, k: int, gap: Floats, room: tuple[Floats, Floats], first: Floats) -> Floats:
        """Return amounts of the eliminated grades of analyte k that close the balances.

        They stay near their first guess. Where that puts one that nothing determines outside its
        bounds, all go on towards closed balances in steps that end inside (affine scaling).

        Parameters
        ----------
        k : int
        gap : ndarray, shape (n_rows, n_surveys)
            The balances with the first guess.
        room : pair of ndarray, shape (n_eliminated, n_surveys)
            The least and the most that each may be.
        first : ndarray, shape (n_eliminated, n_surveys)
            The guess, inside its bounds.
        """
        least, most = room
        found = first - self.inverse[k] @ gap
        slack = _INSIDE * most
        out = np.flatnonzero(((found < least - slack) | (found > most + slack)).any(axis=0))
        if not out.size or self.determined[k]:
            return found
        B, y, rest = self.columns[k], first[:, out].T, gap[:, out].T
        for _ in range(_STEPS):
            above, below = y - least[:, out].T, most[:, out].T - y
            half = B * np.minimum(above, below)[:, None, :]
            step = -(np.linalg.pinv(half, rcond=_FAINT) @ rest[:, :, None])[:, :, 0]
            step *= np.minimum(above, below)
            ends = np.where(step < 0.0, above, below) / np.maximum(np.abs(step), _TINY)
            y = y + np.minimum(1.0, _SHARE * ends.min(axis=1))[:, None] * step
            rest = gap[:, out].T + (y - first[:, out].T) @ B.T
        found[:, out] = (y - rest @ self.inverse[k].T).T
        return found


def eliminated(analytes: Sequence[AnalyteProblem]) -> Elimination | None:
    """Return the elimination for analytes that share their balances; None if there is nothing."""
    rows = analytes[0].rows
    alone = np.bincount(rows.group, minlength=rows.n_groups) == 1
    unmeasured = np.array([(a.weight == 0.0) & ~a.fixed & alone for a in analytes]).T
    if not unmeasured.any():
        return None
    carrier = np.empty(rows.n_groups, dtype=np.intp)
    carrier[rows.group] = np.arange(rows.group.size)
    made: dict[bytes, tuple[sparse.csr_array, Ints, Floats, Floats]] = {}
    found = []
    for column in unmeasured.T:
        key = column.tobytes()
        if key not in made:
            some = carrier[column]
            some = some[rows.B[:, some].any(axis=0)]
            B = rows.B[:, some]
            made[key] = _steps(B), some, B, np.asarray(np.linalg.pinv(B), dtype=float)
        found.append(made[key])
    return Elimination(unmeasured, *zip(*found, strict=True))


def _steps(B: Floats) -> sparse.csr_array:
    """Return T with T B = 0, its rows sums of few of B's; shape (n_rows, n_rows)."""
    left, T = B.copy(), np.eye(len(B))
    for column in range(B.shape[1]):
        pivot = int(np.abs(left[:, column]).argmax())
        if abs(left[pivot, column]) <= _ZERO:
            continue
        share = left[:, column] / left[pivot, column]
        share[pivot] = 1.0  # the row that is given up
        for rows in (left, T):
            rows -= share[:, None] * rows[pivot]
        left[:, column] = 0.0
    return sparse.csr_array(np.where(np.abs(T) > _ZERO, T, 0.0))
