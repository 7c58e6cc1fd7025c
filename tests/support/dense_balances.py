"""All balances and ties of a problem as one dense matrix: for oracles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem

__all__ = ["jacobian"]

Floats = NDArray[np.float64]


def jacobian(problem: BalanceProblem, F: Floats, x: Floats) -> Floats:
    """Return all balances and ties, linearised at (F, x), on the vector (F, x_1, ..., x_K)."""
    K, n = x.shape
    A = problem.flow_balance.toarray()
    rows = [np.hstack([A, np.zeros((len(A), K * n))])]
    for k, B in enumerate(b.toarray() for b in problem.analyte_balance):
        block = np.zeros((len(B), n * (1 + K)))
        block[:, :n] = B * x[k]
        block[:, n * (1 + k) : n * (2 + k)] = B * F
        rows.append(block)
        for label in np.unique(problem.tie):
            members = np.flatnonzero(problem.tie == label)
            for other in members[1:]:
                tie = np.zeros((1, n * (1 + K)))
                tie[0, n * (1 + k) + members[0]], tie[0, n * (1 + k) + other] = 1.0, -1.0
                rows.append(tie)
    return np.vstack(rows)
