"""Second derivatives along the free flows, for all analytes and surveys of a set of lanes.

The formulas stand in `oretally.recon.batch.inner_problem`.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.linalg.lapack import dpotrf, dpotrs

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.batch.inner_problem import Lanes, Layout
from oretally.recon.batch.lane_grades import Factor, LanePoint
from oretally.recon.numerics import (
    DENSE_UP_TO,
    LaneFactor,
    LanePattern,
    StackFactor,
    dense_pattern,
    dense_products,
    times_lanes,
)

__all__ = ["Curvature", "DenseModels", "GradeSlopes"]


_FEW = 32  # up to so many surveys, their own curvatures are factored one by one
_FLAT = 1e-6  # root of the share of a diagonal entry below which a pivot is no curvature


@dataclass(frozen=True, eq=False)
class GradeSlopes:
    """How balances and misfits change with the flows: R = B diag(x) - C V diag(a) and a V a.

    Attributes
    ----------
    flow : ndarray, shape (n_carriers, n_surveys)
    x : ndarray, shape (n_carriers, n_analytes, n_surveys)
    turn : ndarray, shape (n_carriers, n_analytes, n_surveys), or None
        V a; None for the semidefinite part alone.
    pull : ndarray, shape (n_carriers, n_analytes, n_surveys)
        a.
    factor : Factor
    barrier : ndarray, shape (n_carriers, n_surveys), or None
        What keeps flows off their bounds adds to W.
    """

    flow: Floats
    x: Floats
    turn: Floats | None
    pull: Floats
    factor: Factor
    barrier: Floats | None = None

    @classmethod
    def at(
        cls, lanes: Lanes, point: LanePoint, *, exact: bool = True, barrier: Floats | None = None
    ) -> GradeSlopes:
        """Return the slopes at a point; without the indefinite part unless ``exact``.

        ``barrier`` has shape (n_carriers, n_surveys).
        """
        turn = lanes.on_carriers(point.V) * point.pull if exact else None
        x = lanes.on_carriers(point.x)
        return cls(point.flow, x, turn, point.pull, point.factor, barrier)


class Curvature:
    """Z'HZ with H = W + sum_k (R'S^-1 R - diag(a) V diag(a)), for fixed Z and W.

    Parameters
    ----------
    lanes : Lanes
    Z : ndarray, shape (n_carriers, n_free)
    weight : ndarray, shape (n_carriers, 1) or (n_carriers, n_surveys)
        W, the diagonal of the flows' own misfit.
    """

    def __init__(self, lanes: Lanes, Z: Floats, weight: Floats) -> None:
        self.lanes, self.Z, self.weight = lanes, Z, weight
        self.n_free = f = Z.shape[1]
        # rows times what each pair of carriers turns into: B_ic Z_df
        every = [_products(B, lanes, Z) for B in lanes.balances]
        self._rows = lanes.each(every)
        self._own_rows = lanes.each([rows[:, : lanes.n_carriers] for rows in every])
        self.pattern: LanePattern | None = None
        if lanes.layout is Layout.TAPE:
            first, second = lanes.first, lanes.second
            self.pattern = dense_pattern(f)
            i, j = np.array(sorted(self.pattern.position, key=self.pattern.position.__getitem__)).T
            self._whole = np.empty((f, f), dtype=np.intp)
            self._whole[i, j] = self._whole[j, i] = np.arange(i.size)
            # an ordered pair and its reverse share an entry of the triangle
            self._squares = dense_products(Z[first].T[None], Z[second].T[None])

    def weighted(self, weight: Floats) -> Curvature:
        """Return the same with other weights, of one of the shapes of ``weight``."""
        other = copy(self)
        other.weight = weight
        return other

    def matrices(self, slopes: GradeSlopes) -> Floats:
        """Return Z'HZ of every survey, shape (n_surveys, n_free, n_free)."""
        factor = slopes.factor
        if isinstance(factor, StackFactor):
            return self._stacked(slopes, factor)[None]
        if self.pattern is None or not isinstance(factor, LaneFactor):
            raise TypeError(f"no second derivatives in the layout {self.lanes.layout.name}")
        return np.asarray(self._in_lanes(slopes, factor)[self._whole].transpose(2, 0, 1))

    def model(
        self, slopes: GradeSlopes, instead: tuple[Bools, GradeSlopes] | None = None
    ) -> LaneFactor | DenseModels:
        """Return the factor of Z'HZ in every survey.

        ``instead``: surveys, shape (n_surveys,), that take it from other slopes.
        """
        if self.pattern is None or slopes.flow.shape[1] <= _FEW:
            H = self.matrices(slopes)
            if instead is not None:
                H = np.where(instead[0][:, None, None], self.matrices(instead[1]), H)
            return DenseModels(H)
        if not isinstance(slopes.factor, LaneFactor):
            raise TypeError(f"no second derivatives in the layout {self.lanes.layout.name}")
        entries = self._in_lanes(slopes, slopes.factor)
        if instead is not None:
            other = instead[1]
            entries = np.where(instead[0], self._in_lanes(other, slopes.factor), entries)
        return LaneFactor(self.pattern, entries)

    def _stacked(self, s: GradeSlopes, factor: StackFactor) -> Floats:
        own, RZ = self._terms(s)
        first, second = self.Z[self.lanes.first], self.Z[self.lanes.second]
        H = first.T @ (own * second)
        if RZ.size:
            lanes = RZ.reshape(-1, RZ.shape[2]).T.reshape(-1, *RZ.shape[:2])
            left, right = factor.roots(np.ascontiguousarray(lanes))
            H += left.reshape(-1, self.n_free).T @ right.reshape(-1, self.n_free)
        return np.asarray(H)

    def _in_lanes(self, s: GradeSlopes, factor: LaneFactor) -> Floats:
        own, Y = self._terms(s)
        if own.shape[1] != Y.shape[3]:  # the same for all surveys
            own = np.repeat(own, Y.shape[3], axis=1)
        H = self._squares[:, : own.shape[0]] @ own
        factor.forward(Y)
        H += dense_products(Y.swapaxes(1, 2), factor.divide(Y).swapaxes(1, 2))
        return np.asarray(H)

    def _terms(self, s: GradeSlopes) -> tuple[Floats, Floats]:
        """Return the diagonal terms of all pairs of carriers, and RZ.

        Shapes (n_pairs, n_surveys) and (n_rows, n_free, n_analytes, n_surveys).
        """
        lanes = self.lanes
        n, (K, S) = lanes.n_carriers, s.x.shape[1:]
        own = self.weight if s.barrier is None else self.weight + s.barrier
        if s.turn is None:
            terms, rows = s.x, self._own_rows
        elif lanes.group is None:
            terms, rows = s.x - s.flow[:, None, :] * s.turn, self._rows
            own = own - np.einsum("cks,cks->cs", s.pull, s.turn)
        else:
            terms, rows = -s.flow[lanes.first][:, None, :] * s.turn[lanes.second], self._rows
            terms[:n] += s.x
        if lanes.group is not None:
            measured, own = own, np.zeros((lanes.first.size, S))
            own[:n] = measured
            if s.turn is not None:
                own -= (s.pull[lanes.first] * s.turn[lanes.second]).sum(axis=1)
        return own, times_lanes(rows, terms).reshape(lanes.n_rows, self.n_free, K, S)


def _products(rows: Rows, lanes: Lanes, Z: Floats) -> Floats | sparse.csr_array:
    """Return B_ic Z_df of each row i, column f and pair (c, d), shape (n_rows * n_f, n_pairs)."""
    n_f, n_pairs = Z.shape[1], lanes.first.size
    shape = (lanes.n_rows * n_f, n_pairs)
    if shape[0] * n_pairs <= DENSE_UP_TO:
        whole = np.einsum("ic,cf->ifc", rows.toarray()[:, lanes.first], Z[lanes.second])
        return np.asarray(whole.reshape(shape))
    B = sparse.csr_array(rows[:, lanes.first]).tocoo()
    along = sparse.csr_array(sparse.csr_array(Z)[lanes.second])
    many = along.indptr[B.col + 1] - along.indptr[B.col]
    # every entry of B with every entry of the row of Z of its pair
    which = np.repeat(np.arange(B.nnz), many)
    at = np.arange(which.size) - np.repeat(np.cumsum(many) - many, many)
    at += along.indptr[B.col[which]]
    ends = B.row[which].astype(np.intp) * n_f + along.indices[at], B.col[which]
    return sparse.csr_array((B.data[which] * along.data[at], ends), shape=shape)


class DenseModels:
    """The factors of a few dense matrices.

    Attributes
    ----------
    definite : ndarray of bool, shape (n_surveys,)
    """

    def __init__(self, H: Floats) -> None:
        """Factor matrices, shape (n_surveys, n, n)."""
        self._L = []
        definite = []
        for matrix in H:
            L, failed = dpotrf(matrix, lower=1)
            # of each row's own: the flows may have units of their own
            least = _FLAT**2 * matrix.diagonal()
            definite.append(failed == 0 and bool((L.diagonal() ** 2 > least).all()))
            self._L.append(L)
        self.definite = np.array(definite)

    def solve(self, right: Floats) -> Floats:
        """Return H^-1 right, shape (n, n_surveys); 0 where H is not positive definite."""
        found = np.zeros_like(right)
        for s, (L, definite) in enumerate(zip(self._L, self.definite, strict=True)):
            if definite:
                found[:, s] = dpotrs(L, right[:, s], lower=1)[0]
        return found
