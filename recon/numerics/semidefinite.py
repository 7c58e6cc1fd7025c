"""Factors of semidefinite matrices, null spaces and solutions through them.

S is scaled to a unit diagonal, D S D = L L' or, where that fails, V diag(s) V' without the s that
are rounding; then S^-1 b = D (L L')^-1 D b, or D V diag(1/s) V' D b.

References
----------
G.H. Golub and C.F. Van Loan, Matrix Computations, 4th ed. (2013), sections 4.2 (Cholesky), 5.5
(singular values and rank, least squares of least length) and 3.5 (iterative refinement). Cited from
memory.
"""

from __future__ import annotations

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Floats

__all__ = ["RANK", "SemidefiniteFactor", "left_null_space", "through"]


RANK = 1e-12  # singular values below this share of the largest are zero, columns being scaled


class SemidefiniteFactor:
    """Solve with a symmetric positive semidefinite matrix, equilibrated; dependent rows allowed."""

    def __init__(self, S: Floats) -> None:
        diagonal = np.diag(S)
        self._d = np.where(diagonal > 0.0, diagonal, 1.0) ** -0.5
        self._S = S
        scaled = S * self._d[:, None] * self._d
        self._L: Floats | None
        try:
            self._L = scipy.linalg.cholesky(scaled, lower=True, check_finite=False)
            if np.diag(self._L).min(initial=1.0) < 1e-7:
                raise np.linalg.LinAlgError
        except np.linalg.LinAlgError:
            values, vectors = scipy.linalg.eigh(scaled)
            keep = values > 1e-13 * max(float(values.max(initial=0.0)), 1e-300)
            self._root = vectors[:, keep] / np.sqrt(values[keep])
            self._L = None

    def _once(self, right: Floats) -> Floats:
        scaled = (right.T * self._d).T
        if self._L is None:
            inner = self._root @ (self._root.T @ scaled)
        else:
            inner = scipy.linalg.cho_solve((self._L, True), scaled, check_finite=False)
        return np.asarray((inner.T * self._d).T)

    def solve(self, right: Floats) -> Floats:
        """Return S^-1 right, shape (n,) or (n, m), with one step of iterative refinement."""
        if not len(self._d):
            return np.zeros_like(right)
        first = self._once(right)
        return first + self._once(right - self._S @ first)

    def root(self, right: Floats) -> Floats:
        """Return Q with Q'Q = right' S^-1 right: semidefinite whatever the rounding.

        ``right`` has shape (n, m), Q shape (rank, m).
        """
        scaled = right * self._d[:, None]
        if self._L is None:
            return np.asarray(self._root.T @ scaled)
        return np.asarray(
            scipy.linalg.solve_triangular(self._L, scaled, lower=True, check_finite=False)
        )


def left_null_space(columns: Floats) -> Floats:
    """Return N, shape (n_rows, n_rows - rank), with N' columns = 0.

    Elimination with one pivot row a column, so that balances are added and subtracted whole:
    for streams of unmeasured grade this merges the nodes that they join, and rows keep their
    scale.
    """
    n_rows = len(columns)
    if not n_rows:
        return np.zeros((0, 0))
    work = np.hstack([columns, np.eye(n_rows)])
    n_columns = columns.shape[1]
    free = np.ones(n_rows, dtype=bool)
    for j in range(n_columns):
        size = np.abs(work[:, j]) * free
        pivot = int(np.argmax(size))
        if size[pivot] <= RANK * np.abs(columns[:, j]).max(initial=0.0):
            continue
        others = np.flatnonzero(free & (work[:, j] != 0.0))
        others = others[others != pivot]
        work[others] -= np.outer(work[others, j] / work[pivot, j], work[pivot])
        work[others, j] = 0.0
        free[pivot] = False
    return np.ascontiguousarray(work[free][:, n_columns:].T)


def through(C_U: Floats, right: Floats) -> Floats:
    """Return the smallest x_U with C_U x_U = right; columns are scaled, so ranks are structural.

    With C_U of shape (n_rows, n_U) ``right`` has shape (n_rows,) or (n_rows, m), x_U (n_U, ...).
    """
    size = np.abs(C_U).max(axis=0)
    rows = np.abs(C_U).max(axis=1)
    rows = np.where(rows > 0.0, rows, 1.0)
    scaled = C_U / rows[:, None]
    size = np.sqrt((scaled**2).sum(axis=0))
    answer = np.linalg.lstsq(scaled / size, (right.T / rows).T, rcond=RANK)[0]
    return np.asarray((answer.T / size).T)
