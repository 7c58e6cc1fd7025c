"""All flows that satisfy the flow balances, written with as few free numbers as there are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from oretally.flowsheet import NotBalanceable, Rows

__all__ = ["FlowBasis", "flow_basis"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class FlowBasis:
    """The solutions of A F = b: F = offset + Z u, where u are the flows ``free``.

    Attributes
    ----------
    offset : ndarray, shape (n,)
    Z : ndarray, shape (n, n_free)
    free : ndarray of int, shape (n_free,)
        Carriers whose flows are the free numbers; the rows ``free`` of Z are the identity.
    A, b : csr_array, shape (n_rows, n), and ndarray, shape (n_rows,)
    """

    offset: Floats
    Z: Floats
    free: NDArray[np.intp]
    A: Rows
    b: Floats


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
    if not n_rows:
        return FlowBasis(np.zeros(n), np.eye(n), np.arange(n, dtype=np.intp), A, b)
    rows, basic = _spanning_tree(A, size) if _is_circuit(A) else _pivots(A.toarray(), size)
    free = np.setdiff1d(np.arange(n), basic).astype(np.intp)
    factor = splu(A[rows][:, basic].tocsc())
    dependent = -factor.solve(A[rows][:, free].toarray())
    offset = np.zeros(n)
    offset[basic] = factor.solve(b[rows])
    whole = np.round(dependent)
    # a circuit's balances are totally unimodular: entries are exactly -1, 0 or 1
    dependent = np.where(np.abs(dependent - whole) < 1e-12, whole, dependent)
    Z = np.zeros((n, free.size))
    Z[free, np.arange(free.size)] = 1.0
    Z[basic] = dependent
    gap = np.abs(A @ offset - b)
    if (gap > 1e-9 * (abs(A) @ np.abs(offset) + np.abs(b)) + 1e-300).any():
        raise NotBalanceable(
            "The exact balances contradict each other: no set of flows satisfies them all.",
            "Give one of the exact values an error above 0.",
        )
    return FlowBasis(offset, Z, free, A, b)


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
    order = scipy.linalg.qr(A * size, mode="r", pivoting=True)[1]
    rank = int(np.linalg.matrix_rank(A))
    basic = np.sort(order[:rank])
    rows = scipy.linalg.qr(A[:, basic].T, mode="r", pivoting=True)[1][:rank]
    return rows.astype(np.intp), basic.astype(np.intp)
