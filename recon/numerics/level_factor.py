"""The factor of ``batched_factor`` for many rows and few lanes: level by level.

Columns of the elimination tree at one height do not depend on one another, so that all their
entries are found in a few operations on whole blocks of rows::

    u_ik = s_ik - sum_j l_ij u_kj      l_ik = u_ik / d_k

Gathered rows are multiplied, then summed by a sparse matrix of ones.

References
----------
T.A. Davis, Direct Methods for Sparse Linear Systems (SIAM, 2006), sections 4.1 (elimination tree)
and 4.8 (left-looking factor).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.numerics.batched_factor import LanePattern

__all__ = ["LevelFactor", "LevelPattern", "level_pattern"]


_DEPENDENT = 1e-13  # pivots below this share of their own diagonal entry are zero


@dataclass(frozen=True, eq=False)
class _Sums:
    """For some rows: sums over pairs of entries of the factor."""

    rows: Ints
    left: Ints
    right: Ints
    ones: sparse.csr_array

    @classmethod
    def of(cls, terms: list[tuple[int, int, int]]) -> _Sums | None:
        """Return the sums of terms (row, left, right); None if there are none."""
        if not terms:
            return None
        row, left, right = (np.array(part, dtype=np.intp) for part in zip(*terms, strict=True))
        rows, at = np.unique(row, return_inverse=True)
        ones = sparse.csr_array(
            (np.ones(row.size), (at, np.arange(row.size))), shape=(rows.size, row.size)
        )
        return cls(rows, left, right, ones)

    def take_from(self, target: Floats, left: Floats, right: Floats) -> None:
        """Subtract the sums of left * right from the rows of a target."""
        products = left[self.left] * right[self.right]
        target[self.rows] -= self.ones @ products


@dataclass(frozen=True, eq=False)
class _Level:
    pivots: Ints
    entries: Ints
    pivot_of: Ints
    factor: _Sums | None
    forward: _Sums | None
    backward: _Sums | None


@dataclass(frozen=True, eq=False)
class LevelPattern:
    """The order of work; rows, pivots and entries are numbered as in the lane pattern."""

    base: LanePattern
    levels: tuple[_Level, ...]


def level_pattern(base: LanePattern) -> LevelPattern:
    """Sort the columns of a pattern by their height in the elimination tree."""
    n = len(base.order)
    height = [0] * n
    for step, below in enumerate(base.columns):
        if below:
            parent = min(base.rank[i] for i in below)
            height[parent] = max(height[parent], height[step] + 1)
    n_levels = max(height, default=-1) + 1
    factor: list[list[tuple[int, int, int]]] = [[] for _ in range(n_levels)]
    forward: list[list[tuple[int, int, int]]] = [[] for _ in range(n_levels)]
    backward: list[list[tuple[int, int, int]]] = [[] for _ in range(n_levels)]
    for step, below in enumerate(base.columns):
        first = base.start[step]
        targets = iter(base.updates[step])
        for at_k, k in enumerate(below):
            level = height[base.rank[k]]
            for at_i in range(at_k, len(below)):
                target = next(targets)
                # the target's column is that of the earlier eliminated of its two rows
                column = min(base.rank[k], base.rank[below[at_i]])
                factor[height[column]].append((target, first + at_i, first + at_k))
            forward[level].append((k, first + at_k, base.order[step]))
            backward[height[step]].append((base.order[step], first + at_k, k))
    levels = []
    for level in range(n_levels):
        steps = [step for step in range(n) if height[step] == level]
        entries = [base.start[s] + i for s in steps for i in range(len(base.columns[s]))]
        pivot_of = [s for s in steps for _ in base.columns[s]]
        levels.append(
            _Level(
                np.array(steps, dtype=np.intp), np.array(entries, dtype=np.intp),
                np.array(pivot_of, dtype=np.intp), _Sums.of(factor[level]),
                _Sums.of(forward[level]), _Sums.of(backward[level]),
            )
        )  # fmt: skip
    return LevelPattern(base, tuple(levels))


class LevelFactor:
    """L D L' of every lane."""

    def __init__(self, pattern: LevelPattern, entries: Floats) -> None:
        """Factor; ``entries``, shape (n_entries, *lanes), is overwritten."""
        self._pattern = pattern
        entries = entries.reshape(entries.shape[0], -1)
        n = len(pattern.base.order)
        least = _DEPENDENT * np.abs(entries[:n])  # of each row's own: they span many decades
        self._order = np.array(pattern.base.order, dtype=np.intp)
        unit = np.zeros_like(entries)
        self._inverse = np.zeros_like(entries[:n])
        for level in pattern.levels:
            if level.factor is not None:
                level.factor.take_from(entries, unit, entries)
            pivot = entries[level.pivots]
            kept = pivot > least[level.pivots]
            self._inverse[level.pivots] = np.where(kept, 1.0 / np.where(kept, pivot, 1.0), 0.0)
            if level.entries.size:
                unit[level.entries] = entries[level.entries] * self._inverse[level.pivot_of]
        self._unit = unit

    def solve(self, right: Floats) -> Floats:
        """Return S^-1 right, shape (n, *lanes)."""
        found = right.reshape(right.shape[0], -1).copy()
        for level in self._pattern.levels:
            if level.forward is not None:
                level.forward.take_from(found, self._unit, found)
        found[self._order] *= self._inverse
        for level in reversed(self._pattern.levels):
            if level.backward is not None:
                level.backward.take_from(found, self._unit, found)
        return found.reshape(right.shape)

    def root(self, lane: int, right: Floats) -> Floats:
        """Return Q with Q'Q = right' S^-1 right in one lane, shape (n, m)."""
        found = right.copy()
        unit = self._unit[:, lane, None]
        for level in self._pattern.levels:
            if level.forward is not None:
                level.forward.take_from(found, unit, found)
        found[self._order] *= np.sqrt(self._inverse[:, lane, None])
        return found
