"""All flows that satisfy the flow balances, written with as few free numbers as there are.

References
----------
G. Strang, Introduction to Applied Mathematics (1986), chapter 2: spanning trees and loops of a
network. J.B. Kruskal, On the shortest spanning subtree of a graph and the traveling salesman
problem, Proceedings of the American Mathematical Society 7 (1956) 48-50. G.H. Golub and C.F. Van
Loan, Matrix Computations, 4th ed. (2013), section 5.4: pivoted QR. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg
from scipy import sparse
from scipy.sparse.linalg import SuperLU, splu

from oretally.flowsheet import NotBalanceable, Rows
from oretally.flowsheet.arrays import Floats, Ints

__all__ = ["FlowBasis", "flow_basis"]


_RANK = 1e-12  # of the largest pivot: rows that depend on others


@dataclass(frozen=True, eq=False)
class FlowBasis:
    """The solutions of A F = b: F = offset + Z u, where u are the flows ``free``.

    Attributes
    ----------
    A, b : csr_array, shape (n_rows, n), and ndarray, shape (n_rows,)
    rows : ndarray of int, shape (n - n_free,)
        Independent rows of A.
    basic, free : ndarray of int, shape (n - n_free,) and (n_free,)
        Carriers whose flows follow from the others, and those whose flows are the free numbers;
        the rows ``free`` of Z are the identity.
    """

    A: Rows
    b: Floats
    rows: Ints
    basic: Ints
    free: Ints

    @cached_property
    def _factor(self) -> SuperLU:
        return splu(self.A[self.rows][:, self.basic].tocsc())

    @cached_property
    def _of_free(self) -> Rows:
        return self.A[self.rows][:, self.free]

    @cached_property
    def offset(self) -> Floats:
        """Flows in balance with all free ones 0, shape (n,)."""
        return self.closed(np.zeros(self.A.shape[1]))

    @cached_property
    def Z(self) -> Floats:
        """Directions that keep the balances, shape (n, n_free)."""
        Z = np.zeros((self.A.shape[1], self.free.size))
        Z[self.free, np.arange(self.free.size)] = 1.0
        if self.basic.size:
            dependent = -self._factor.solve(self._of_free.toarray())
            if (np.abs(self.A.data) == 1.0).all():
                # a circuit's balances are totally unimodular: entries are exactly -1, 0 or 1
                whole = np.round(dependent)
                dependent = np.where(np.abs(dependent - whole) < 1e-12, whole, dependent)
            Z[self.basic] = dependent
        return Z

    @cached_property
    def sparse_Z(self) -> Rows:
        """The same, sparse."""
        return sparse.csr_array(self.Z)

    def closed(self, flow: Floats) -> Floats:
        """Return flows in balance that keep the free ones, shape (n,) or (n, n_surveys)."""
        flow = flow.copy()
        if self.basic.size:
            b = self.b[self.rows]
            right = (b if flow.ndim == 1 else b[:, None]) - self._of_free @ flow[self.free]
            flow[self.basic] = self._factor.solve(right)
        return flow

    def response(self, right: Floats) -> Floats:
        """Return flows F with A F = right and all free ones 0, shape (n, n_right).

        Parameters
        ----------
        right : ndarray, shape (n_rows, n_right)
        """
        flow = np.zeros((self.A.shape[1], right.shape[1]))
        if self.basic.size:
            flow[self.basic] = self._factor.solve(right[self.rows])
        return flow

    def __getstate__(self) -> dict[str, object]:
        """Leave out the factor, which cannot be sent to another process."""
        return {name: part for name, part in vars(self).items() if name != "_factor"}


def flow_basis(A: Rows, b: Floats, expected: Floats) -> FlowBasis:
    """Choose free flows so that small flows are free and large ones are sums of them.

    Parameters
    ----------
    A : csr_array, shape (n_rows, n)
    b : ndarray, shape (n_rows,)
    expected : ndarray, shape (n,)
        Size of each flow, as far as known; less where its sd is very small.

    Raises
    ------
    NotBalanceable
        If A F = b has no solution.

    Notes
    -----
    Elimination with column pivoting on A diag(expected): for a circuit, the dependent columns
    form a maximum spanning tree of its graph (the outside is one more node). Any other choice
    makes small flows differences of large ones and loses their digits.
    """
    n_rows, n = A.shape
    size = np.maximum(expected, 1e-12 * max(float(expected.max(initial=0.0)), 1.0))
    none = np.zeros(0, dtype=np.intp)
    rows, basic = none, none
    if n_rows:
        rows, basic = _spanning_tree(A, size) if _is_circuit(A) else _pivots(A.toarray(), size)
    free = np.setdiff1d(np.arange(n), basic).astype(np.intp)
    basis = FlowBasis(A, b, rows, basic, free)
    offset = basis.offset
    gap = np.abs(A @ offset - b)
    if (gap > 1e-9 * (abs(A) @ np.abs(offset) + np.abs(b)) + 1e-300).any():
        raise NotBalanceable(
            "The exact balances contradict each other: no set of flows satisfies them all.",
            "Give one of the exact values an error above 0.",
        )
    return basis


def _is_circuit(A: Rows) -> bool:
    """Tell whether each carrier leaves at most one balance and enters at most one, whole."""
    into, out = (np.bincount(A.indices[A.data == one], minlength=A.shape[1]) for one in (1.0, -1.0))
    return bool((np.abs(A.data) == 1.0).all() and into.max() <= 1 and out.max() <= 1)


def _spanning_tree(A: Rows, size: Floats) -> tuple[Ints, Ints]:
    """Return rows and columns of a maximum spanning forest; the outside is one more node."""
    n_rows, n = A.shape
    ends = np.full((2, n), n_rows)
    row = np.repeat(np.arange(n_rows), np.diff(A.indptr))
    for end, one in zip(ends, (1.0, -1.0), strict=True):
        end[A.indices[A.data == one]] = row[A.data == one]
    parent = np.arange(n_rows + 1).tolist()

    def root(node: int) -> int:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    basic = []
    for j in np.argsort(-size, kind="stable").tolist():
        a, b = root(int(ends[0, j])), root(int(ends[1, j]))
        if a != b:
            parent[a] = b
            basic.append(j)
    # one balance of each part that touches no outside says nothing new: its root's
    outside = root(n_rows)
    rows = [i for i in range(n_rows) if root(i) == outside or parent[i] != i]
    return np.array(rows, dtype=np.intp), np.sort(np.array(basic, dtype=np.intp))


def _pivots(A: Floats, size: Floats) -> tuple[Ints, Ints]:
    """Return independent rows and columns of a general matrix, the largest columns first."""
    # order of preference for dependent flows: pivoted QR picks the largest independent columns
    scaled = A * size
    rows = np.sqrt((scaled**2).sum(axis=1))
    R, order = scipy.linalg.qr(
        scaled / np.where(rows > 0.0, rows, 1.0)[:, None], mode="r", pivoting=True
    )
    pivots = np.abs(np.diag(R))
    rank = int((pivots > _RANK * pivots.max(initial=0.0)).sum())
    basic = np.sort(order[:rank])
    kept = scipy.linalg.qr((A * size)[:, basic].T, mode="r", pivoting=True)[1][:rank]
    return kept.astype(np.intp), basic.astype(np.intp)
