"""How adjusted grades follow the flows and the errors of their own measurements.

Of one analyte, or of several that are measured alike, side by side: arrays end in an axis of
analytes. With M and U, N, D, V and S of `oretally.recon.reduction.best_grades`, E = B diag(G x) and
errors sqrt(V) e of the measured grades::

    y = S^-1 (D sqrt(V) e + N'E dF)
    dx_M = sqrt(V) e - V D'y      C_U dx_U = -(C_M dx_M + E dF)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import prod

import numpy as np
from scipy import sparse
from scipy.linalg.blas import dsyrk

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.numerics import LaneFactor, SemidefiniteFactor
from oretally.recon.reduction import BestGrades, GradePattern

__all__ = ["GradeResponse"]


_SHARP = 1e-3  # of its stated variance: a grade known better than that is computed with care
_CACHED = 1_000_000  # numbers of a block of analytes


@dataclass(frozen=True, eq=False)
class GradeResponse:
    """Derivatives of the grades of some analytes.

    Attributes
    ----------
    pattern : GradePattern
    x : ndarray, shape (n_groups, n_analytes)
    V : ndarray, shape (n_moving, n_analytes)
    factor : LaneFactor or SemidefiniteFactor
        Of S; the latter for one analyte.
    """

    pattern: GradePattern
    x: Floats
    V: Floats
    factor: LaneFactor | SemidefiniteFactor

    @classmethod
    def of(cls, grades: BestGrades) -> GradeResponse:
        """Return the derivatives of one analyte."""
        return cls(grades.pattern, grades.x[:, None], grades.V[:, None], grades.S)

    @classmethod
    def side_by_side(cls, grades: Sequence[BestGrades]) -> GradeResponse | None:
        """Return those of analytes with one pattern; None if balances depend on one another."""
        pattern = grades[0].pattern
        V = np.array([g.V for g in grades]).T
        factor = pattern.lanes.factor(V)
        if not factor.definite.all():
            return None
        return cls(pattern, np.array([g.x for g in grades]).T, V, factor)

    def blocks(self, n_columns: int) -> Iterator[tuple[slice, GradeResponse]]:
        """Yield some analytes at a time, so that results of so many columns are quick."""
        n = self.x.shape[1]
        if not isinstance(self.factor, LaneFactor):
            yield slice(0, n), self
            return
        size = max(1, _CACHED // max(1, self.pattern.flow.size * n_columns))
        for first in range(0, n, size):
            part = slice(first, first + size)
            factor = self.factor.lanes(part)
            yield part, GradeResponse(self.pattern, self.x[:, part], self.V[:, part], factor)

    def ahead(
        self, along: Floats | None, errors: Floats | None = None, held: Floats | None = None
    ) -> Floats:
        """Return changes of the grades, shape (n_groups, m, n_analytes).

        Parameters
        ----------
        along : ndarray, shape (n_carriers, m), or None
            Changes of the flows; none if None.
        errors : ndarray, shape (n_moving, m, n_analytes), optional
            Of the measured grades, in sd.
        held : ndarray, shape (n_groups, m), optional
            Changes of grades that are held; 0 of all others. Of one analyte only.
        """
        p, V = self.pattern, self.V[:, None, :]
        y: Floats | float = 0.0
        own: Floats | float = 0.0
        if along is not None:
            y = self._moved(p.balances, along)
        if held is not None:
            y = y + (p.reduced(p.C @ held))[:, :, None]
        if errors is not None:
            noise = np.sqrt(V) * errors
            own, y = noise, y + _apply(p.quick_D, noise)
        moving = own - V * _apply(p.quick_Dt, self._solve(np.asarray(y)))
        found = np.zeros((self.x.shape[0], *moving.shape[1:]))
        found[p.moving] = moving
        if held is not None:
            found += held[:, :, None]
        if p.eliminates:
            rest = _apply(p.C[:, p.moving], moving)
            if along is not None:
                rest += self._moved(p.rows.sparse, along)
            if held is not None:
                rest += (p.C @ held)[:, :, None]
            found[p.unmeasured] = -_apply(p.P, rest)
        return found

    def back(self, slopes: Floats) -> tuple[Floats, Floats]:
        """Return the derivatives of functions of the grades by flows, and by errors.

        Parameters
        ----------
        slopes : ndarray, shape (n_groups, m, n_analytes)
            Their derivatives by the grades.

        Returns
        -------
        ndarray, shape (n_carriers, m, n_analytes), and ndarray, shape (n_moving, m, n_analytes)
        """
        pull, errors = self._pulled(slopes)
        return -_apply(self.pattern.rows.quick_Bt, pull) * self._grade[:, None, :], errors

    def by_held(self, slopes: Floats) -> Floats:
        """Return the derivatives of functions of the grades by those held, shape (n_groups, m).

        Of one analyte, slopes of shape (n_groups, m, 1); what it says of other grades is nothing.
        """
        pull, _ = self._pulled(slopes)
        return np.asarray((slopes - _apply(self.pattern.C.T, pull))[:, :, 0])

    def _pulled(self, slopes: Floats) -> tuple[Floats, Floats]:
        """Return how functions pull on the balances, and their derivatives by the errors."""
        p, V = self.pattern, self.V[:, None, :]
        own = slopes[p.moving]
        rest: Floats | float = 0.0
        if p.eliminates:
            rest = _apply(p.P.T, slopes[p.unmeasured])
            own = own - _apply(p.C[:, p.moving].T, rest)
        y = self._solve(_apply(p.quick_D, V * own))
        errors = np.sqrt(V) * (own - _apply(p.quick_Dt, y))
        return (_apply(p.N, y) if p.eliminates else y) + rest, errors

    def gauss_newton(self, Z: Floats) -> Floats:
        """Return the sum over analytes of Z'E'N S^-1 N'E Z, shape (m, m): Z (n_carriers, m)."""
        m = Z.shape[1]
        H = np.zeros((m, m), order="F")
        for _, part in self.blocks(m):
            Y = part._moved(part.pattern.balances, Z)
            if isinstance(part.factor, LaneFactor):
                part.factor.forward(Y)
                Y *= np.sqrt(part.factor.inverse_pivots)[:, None, :]
            else:
                Y = part.factor.root(Y[:, :, 0])[:, :, None]
            for y in Y:
                H = dsyrk(1.0, y.T, 1.0, H, trans=1, overwrite_c=1)
        H = np.triu(H)
        return np.asarray(H + np.triu(H, 1).T)

    def variance(self, half: Floats, held: Floats | None = None) -> Floats:
        """Return the variances of the grades, shape (n_groups, n_analytes).

        ``half``, shape (n_carriers, m), is a root of the covariance of the flows; ``held`` what
        goes with it, as in `ahead`.
        """
        found = np.empty_like(self.x)
        for part, some in self.blocks(half.shape[1]):
            moved = some.ahead(half, held=held)
            found[:, part] = some._own() + np.einsum("gmk,gmk->gk", moved, moved)
        return found

    def _own(self) -> Floats:
        """Return the variances for given flows: diag(V - V D'S^-1 D V) on the measured ones."""
        p, V = self.pattern, self.V
        if isinstance(self.factor, LaneFactor):
            explained = p.lanes.squares(self.factor)
        else:
            explained = (self.factor.root(p.D) ** 2).sum(axis=0)[:, None]
        found = np.zeros_like(self.x)
        found[p.moving] = V - V**2 * explained
        care = p.unmeasured.copy()
        # the difference would lose digits
        care[p.moving] = (found[p.moving] < _SHARP * V).any(axis=1)
        some = np.flatnonzero(care)
        if some.size:
            slopes = np.zeros((care.size, some.size, V.shape[1]))
            slopes[some, np.arange(some.size)] = 1.0
            found[some] = (self.back(slopes)[1] ** 2).sum(axis=0)
        return found

    @cached_property
    def _grade(self) -> Floats:
        """Grades on carriers, shape (n_carriers, n_analytes)."""
        return np.asarray(self.x[self.pattern.rows.group])

    def _moved(self, balances: Floats | Rows, along: Floats) -> Floats:
        """Return how balances change with flows, shape (n, m, n_analytes)."""
        x = self._grade
        if x.shape[1] == 1:
            return np.asarray(balances @ (x * along))[:, :, None]
        found = np.empty((balances.shape[0], along.shape[1], x.shape[1]))
        for i, (columns, values) in enumerate(_entries(balances)):
            np.matmul((along[columns] * values).T, x[columns], out=found[i])
        return found

    def _solve(self, right: Floats) -> Floats:
        if isinstance(self.factor, LaneFactor):
            return self.factor.solve(right)
        return self.factor.solve(right[:, :, 0])[:, :, None]


def _entries(rows: Floats | Rows) -> Iterator[tuple[Ints, Floats]]:
    """Yield the columns of each row's entries, and these as a column."""
    matrix = sparse.csr_array(rows)
    ends, columns = matrix.indptr.tolist(), matrix.indices.astype(np.intp)
    for a, b in zip(ends[:-1], ends[1:], strict=True):
        yield columns[a:b], matrix.data[a:b, None]


def _apply(matrix: Floats | Rows, values: Floats) -> Floats:
    """Return a matrix times axis 0 of an array of any shape."""
    flat = values.reshape(values.shape[0], prod(values.shape[1:]))
    return np.asarray(matrix @ flat).reshape(matrix.shape[0], *values.shape[1:])
