"""All flows that satisfy the flow balances, written with as few free numbers as there are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from oretally.flowsheet import NotBalanceable

__all__ = ["FlowBasis", "flow_basis"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FlowBasis:
    """The solutions of A F = b: F = offset + Z u, where u are the flows ``free``.

    Attributes
    ----------
    offset : ndarray, shape (n,)
    Z : ndarray, shape (n, n_free)
    free : ndarray of int, shape (n_free,)
        Carriers whose flows are the free numbers; the rows ``free`` of Z are the identity.
    """

    offset: Floats
    Z: Floats
    free: NDArray[np.intp]


def flow_basis(A: Floats, b: Floats, expected: Floats) -> FlowBasis:
    """Choose free flows so that small flows are free and large ones are sums of them.

    Parameters
    ----------
    A : ndarray, shape (n_rows, n)
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
    n = A.shape[1]
    size = np.maximum(expected, 1e-12 * max(float(expected.max(initial=0.0)), 1.0))
    if not len(A):
        return FlowBasis(np.zeros(n), np.eye(n), np.arange(n, dtype=np.intp))
    # order of preference for dependent flows: pivoted QR picks the largest independent columns
    order = scipy.linalg.qr(A * size, mode="r", pivoting=True)[1]
    rank = int(np.linalg.matrix_rank(A))
    basic = np.sort(order[:rank])
    free = np.setdiff1d(np.arange(n), basic).astype(np.intp)
    rows = scipy.linalg.qr(A[:, basic].T, mode="r", pivoting=True)[1][:rank]
    factor = scipy.linalg.lu_factor(A[np.ix_(rows, basic)])
    dependent = -scipy.linalg.lu_solve(factor, A[np.ix_(rows, free)])
    offset = np.zeros(n)
    offset[basic] = scipy.linalg.lu_solve(factor, b[rows])
    whole = np.round(dependent)
    # a circuit's balances are totally unimodular: entries are exactly -1, 0 or 1
    dependent = np.where(np.abs(dependent - whole) < 1e-12, whole, dependent)
    Z = np.zeros((n, free.size))
    Z[free, np.arange(free.size)] = 1.0
    Z[basic] = dependent
    gap = np.abs(A @ offset - b)
    if (gap > 1e-9 * (np.abs(A * offset).sum(axis=1) + np.abs(b)) + 1e-300).any():
        raise NotBalanceable(
            "The exact balances contradict each other: no set of flows satisfies them all.",
            "Give one of the exact values an error above 0.",
        )
    return FlowBasis(offset, Z, free)
