"""Many symmetric systems with one pattern at once: a straight tape of row operations.

Every entry of the matrices is a row of numbers, one a lane; a lane is one system. The pattern is
ordered and its fill found once; then

    S = L D L'      l_ij = u_ij / d_j      u_ik -= l_ij u_kj

is a list of operations on whole rows, which numpy does at the speed of memory without any
compile step.

References
----------
T.A. Davis, Direct Methods for Sparse Linear Systems (SIAM, 2006), chapters 4 (the factor) and 7
(minimum degree ordering). K. Takahashi, J. Fagan and M.-S. Chin, Formation of a sparse bus
impedance matrix and its application to short circuit study, 8th PICA Conference (1973): the
selected inverse. Cited from memory.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from copy import copy
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpotrf, dtrtri

from oretally.flowsheet.arrays import Floats

__all__ = ["LaneFactor", "LanePattern", "StackFactor", "lane_pattern"]


_DEPENDENT = 1e-13  # pivots below this share of their own diagonal entry are zero


@dataclass(frozen=True, eq=False)
class LanePattern:
    """Where the entries of the factor are, and the order in which they are found.

    Attributes
    ----------
    order : tuple of int
        Rows of the matrix in the order of elimination.
    rank : tuple of int
        The place of each row in that order.
    columns : tuple of tuple of int
        For each step the rows below its pivot.
    start : tuple of int
        Position of the first entry below each pivot; the pivots themselves come first.
    updates : tuple of tuple of int
        For each step the positions that it changes, in the order of its pairs of rows.
    position : dict of (int, int) to int
        Position of an entry of the matrix, by its larger and smaller row in the elimination.
    n_entries : int
    """

    order: tuple[int, ...]
    rank: tuple[int, ...]
    columns: tuple[tuple[int, ...], ...]
    start: tuple[int, ...]
    updates: tuple[tuple[int, ...], ...]
    position: dict[tuple[int, int], int]
    n_entries: int

    def at(self, i: int, j: int) -> int:
        """Return the position of entry (i, j); equal to that of (j, i)."""
        return self.position[i, j] if (i, j) in self.position else self.position[j, i]


def lane_pattern(n: int, edges: Iterable[tuple[int, int]], *, wide: bool = False) -> LanePattern:
    """Order a symmetric pattern by minimum degree, and find its fill.

    Parameters
    ----------
    n : int
        Number of rows.
    edges : iterable of (int, int)
        Entries off the diagonal, each once or more.
    wide : bool
        Eliminate many rows that do not touch one another at a time, of almost the least degree:
        a little more fill, and a low elimination tree.
    """
    near: list[set[int]] = [set() for _ in range(n)]
    for i, j in edges:
        if i != j:
            near[i].add(j)
            near[j].add(i)
    order: list[int] = []
    columns: list[tuple[int, ...]] = []
    start: list[int] = []
    position: dict[tuple[int, int], int] = {}
    at = n
    for j in _by_rounds(near) if wide else _one_by_one(near):
        below = sorted(near[j])
        position[j, j] = len(order)
        order.append(j)
        columns.append(tuple(below))
        start.append(at)
        for i in below:
            position[i, j] = at
            at += 1
            near[i].discard(j)
        for i in below:
            near[i].update(below)
            near[i].discard(i)
    rank = [0] * n
    for step, j in enumerate(order):
        rank[j] = step
    updates = tuple(
        tuple(
            position[i, k] if rank[i] >= rank[k] else position[k, i]
            for at_k, k in enumerate(below)
            for i in below[at_k:]
        )
        for below in columns
    )
    return LanePattern(
        tuple(order), tuple(rank), tuple(columns), tuple(start), updates, position, at
    )


def _one_by_one(near: list[set[int]]) -> Iterator[int]:
    """Yield rows of least degree while the caller eliminates them."""
    waiting = [(len(neighbours), i) for i, neighbours in enumerate(near)]
    heapq.heapify(waiting)
    done = [False] * len(near)
    while waiting:
        degree, j = heapq.heappop(waiting)
        if done[j] or degree != len(near[j]):
            continue
        done[j] = True
        touched = list(near[j])
        yield j
        for i in touched:
            heapq.heappush(waiting, (len(near[i]), i))


def _by_rounds(near: list[set[int]]) -> Iterator[int]:
    """Yield rows of small degree that do not touch one another, round by round."""
    left = set(range(len(near)))
    while left:
        least = min(len(near[i]) for i in left)
        taken: list[int] = []
        blocked: set[int] = set()
        for i in sorted(left, key=lambda i: (len(near[i]), i)):
            if len(near[i]) > least + 1:
                break
            if i not in blocked:
                taken.append(i)
                blocked |= near[i]
        for j in taken:
            left.discard(j)
            yield j


class LaneFactor:
    """L D L' of every lane; ``entries`` is overwritten.

    Attributes
    ----------
    definite : ndarray of bool, shape lanes
        Whether all pivots are positive.
    """

    def __init__(self, pattern: LanePattern, entries: Floats) -> None:
        """Factor.

        Parameters
        ----------
        pattern : LanePattern
        entries : ndarray, shape (pattern.n_entries, *lanes)
        """
        self._pattern = pattern
        n = len(pattern.order)
        least = _DEPENDENT * np.abs(entries[:n])  # of each row's own: they span many decades
        row = list(entries)
        widest = max((len(below) for below in pattern.columns), default=0)
        scratch = np.empty((widest, *entries.shape[1:]))
        self._unit = np.empty_like(entries[n:])  # L, without its unit diagonal
        self._inverse = np.empty_like(entries[:n])
        self.definite = np.ones(entries.shape[1:], dtype=bool)
        multiply, subtract = np.multiply, np.subtract
        for j, below in enumerate(pattern.columns):
            pivot, inverse = row[j], self._inverse[j]
            kept = pivot > least[j]
            if kept.all():
                np.divide(1.0, pivot, out=inverse)
            else:
                inverse[...] = 0.0
                np.divide(1.0, pivot, out=inverse, where=np.abs(pivot) > least[j])
                self.definite &= kept
            if not below:
                continue
            first = pattern.start[j]
            column = entries[first : first + len(below)]
            unit = self._unit[first - n : first - n + len(below)]
            multiply(column, inverse, out=unit)
            targets = iter(pattern.updates[j])
            for k in range(len(below)):
                terms = scratch[: len(below) - k]
                multiply(column[k:], unit[k], out=terms)
                for term in terms:
                    target = row[next(targets)]
                    subtract(target, term, out=target)

    def forward(self, right: Floats) -> None:
        """Overwrite ``right``, shape (n, ..., *lanes), with L^-1 right."""
        pattern, n = self._pattern, len(self._pattern.order)
        row, unit = list(right), list(self._unit)
        term = np.empty(right.shape[1:])
        for j, below, first in zip(pattern.order, pattern.columns, pattern.start, strict=True):
            for i, at in zip(below, range(first - n, first - n + len(below)), strict=True):
                np.multiply(unit[at], row[j], out=term)
                np.subtract(row[i], term, out=row[i])

    @property
    def inverse_pivots(self) -> Floats:
        """The diagonal of D^-1, shape (n, *lanes)."""
        inverse = np.empty_like(self._inverse)
        inverse[list(self._pattern.order)] = self._inverse
        return inverse

    def divide(self, right: Floats) -> Floats:
        """Return D^-1 right, shape (n, ..., *lanes)."""
        return np.asarray(self._spread(self.inverse_pivots, right) * right)

    def solve(self, right: Floats) -> Floats:
        """Return S^-1 right, shape (n, ..., *lanes)."""
        pattern, n = self._pattern, len(self._pattern.order)
        found = right.copy()
        if not n:
            return found
        self.forward(found)
        found = self.divide(found)
        row, unit = list(found), list(self._unit)
        term = np.empty(found.shape[1:])
        backward = zip(
            reversed(pattern.order), reversed(pattern.columns), reversed(pattern.start), strict=True
        )
        for j, below, first in backward:
            for i, at in zip(below, range(first - n, first - n + len(below)), strict=True):
                np.multiply(unit[at], row[i], out=term)
                np.subtract(row[j], term, out=row[j])
        return found

    def selected_inverse(self) -> Floats:
        """Return the entries of S^-1 in the pattern of the factor, shape (n_entries, *lanes).

        From the last column to the first, since what a column needs is in the pattern::

            z_ij = -sum_k z_ik l_kj      z_jj = 1 / d_j - sum_k l_kj z_kj
        """
        pattern, n = self._pattern, len(self._pattern.order)
        found = np.empty((pattern.n_entries, *self._inverse.shape[1:]))
        found[:n] = self._inverse
        row, unit = list(found), list(self._unit)
        term = np.empty_like(found[0]) if n else found
        multiply, subtract = np.multiply, np.subtract
        for step in reversed(range(n)):
            below, start = len(pattern.columns[step]), pattern.start[step]
            found[start : start + below] = 0.0
            targets = iter(pattern.updates[step])
            for k in range(below):
                for i in range(k, below):
                    known = row[next(targets)]
                    multiply(known, unit[start - n + k], out=term)
                    subtract(row[start + i], term, out=row[start + i])
                    if i > k:
                        multiply(known, unit[start - n + i], out=term)
                        subtract(row[start + k], term, out=row[start + k])
            for k in range(below):
                multiply(unit[start - n + k], row[start + k], out=term)
                subtract(row[step], term, out=row[step])
        return found

    def lanes(self, which: slice) -> LaneFactor:
        """Return the factor of some of the lanes, where they have one axis."""
        part = copy(self)
        part._unit, part._inverse = self._unit[:, which], self._inverse[:, which]
        part.definite = self.definite[which]
        return part

    def _spread(self, rows: Floats, right: Floats) -> Floats:
        extra = right.ndim - rows.ndim
        return rows.reshape(rows.shape[0], *(1,) * extra, *rows.shape[1:])


class StackFactor:
    """The same for few lanes of few rows, as a stack of dense matrices.

    Raises
    ------
    LinAlgError
        If a matrix is singular.
    """

    def __init__(self, entries: Floats, n: int, *, spread: bool = False) -> None:
        """Factor.

        Parameters
        ----------
        entries : ndarray, shape (n * n, *lanes)
        n : int
        spread : bool
            Whether the terms of the matrices are many decades apart: rows are then exchanged, which
            takes twice as long as Cholesky's factors.
        """
        S = np.ascontiguousarray(entries.reshape(n * n, -1).T).reshape(-1, n, n)
        diagonal = S.reshape(-1, n * n)[:, :: n + 1]
        diagonal[diagonal <= 0.0] = 1.0  # rows that nothing passes
        self._d = 1.0 / np.sqrt(diagonal)
        S *= self._d[:, :, None]
        S *= self._d[:, None, :]
        self._scaled = S
        self._inverse = np.linalg.inv(S) if spread else None
        if not spread:
            self._root = _inverse_roots(S)
            self._lower = self._root.transpose(0, 2, 1)

    def solve(self, right: Floats) -> Floats:
        """Return S^-1 right, shape (n, *lanes), with one step of refinement."""
        scaled = (right.reshape(right.shape[0], -1).T * self._d)[:, :, None]
        found = self._once(scaled)
        found += self._once(scaled - self._scaled @ found)
        return np.asarray((found[:, :, 0] * self._d).T.reshape(right.shape))

    def _once(self, scaled: Floats) -> Floats:
        if self._inverse is None:
            return np.asarray(self._root @ (self._lower @ scaled))
        return np.asarray(self._inverse @ scaled)

    def roots(self, right: Floats) -> tuple[Floats, Floats]:
        """Return X and Y with X'Y = right' S^-1 right in every lane, shape (n_lanes, n, m)."""
        scaled = right * self._d[:, :, None]
        if self._inverse is None:
            root = self._lower @ scaled
            return root, root
        return scaled, self._inverse @ scaled


def _inverse_roots(S: Floats) -> Floats:
    """Return upper triangles U with S^-1 = U U', of matrices, shape (n_lanes, n, n)."""
    found = S.copy()
    for matrix in found:  # in place
        L, failed = dpotrf(matrix.T, lower=1, overwrite_a=1)
        if failed:
            raise np.linalg.LinAlgError("a matrix is not positive definite")
        dtrtri(L, lower=1, overwrite_c=1)
    return found
