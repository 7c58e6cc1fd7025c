"""Exact values that contradict each other: found before solving, and named.

References
----------
G.H. Golub and C.F. Van Loan, Matrix Computations, 4th ed. (2013), section 5.5: least squares and
rank. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse

from oretally.flowsheet import (
    BalanceModel,
    ContradictoryValues,
    NotBalanceable,
    Position,
    Rows,
)
from oretally.flowsheet.arrays import Floats

__all__ = ["ExactRows", "named"]


_GAP = 1e-9  # of the terms of a balance: what is open by more contradicts
_PART = 1e-6  # of the largest share: exact values with less take no part in it


@dataclass
class ExactRows:
    """Rows of the flow balances as they are gathered, with the exact values they come from."""

    n_carriers: int
    rows: list[Rows] = field(default_factory=list)
    right: list[Floats] = field(default_factory=list)
    flows: list[tuple[int, ...]] = field(default_factory=list)
    grades: list[tuple[tuple[int, int], ...]] = field(default_factory=list)

    def add(
        self, rows: Rows, right: Floats, *, flows: Sequence[tuple[int, ...]] = (),
        grades: Sequence[tuple[tuple[int, int], ...]] = (),
    ) -> None:  # fmt: skip
        """Add rows, shape (m, n_carriers), and their right side, shape (m,).

        ``flows`` and ``grades`` say for each which exact values made it.
        """
        self.rows.append(rows)
        self.right.append(right)
        self.flows += list(flows) or [()] * right.size
        self.grades += list(grades) or [()] * right.size

    def stacked(self) -> tuple[Rows, Floats]:
        """Return A, shape (n_rows, n_carriers), and b, shape (n_rows,), of all balances."""
        A = (
            sparse.csr_array(sparse.vstack(self.rows))
            if self.rows
            else sparse.csr_array((0, self.n_carriers))
        )
        return A, np.concatenate([np.zeros(0), *self.right])

    def refuse(self, A: Rows, b: Floats) -> None:
        """Raise ContradictoryValues if A F = b has no solution.

        A has shape (n_rows, n_carriers), b (n_rows,). What least squares leaves of b is a
        combination of balances whose left sides cancel: those with a share in it contradict each
        other.
        """
        if not any(self.flows) and not any(self.grades) and not b.any():
            return
        dense = A.toarray()
        size = np.abs(dense).max(axis=1, initial=0.0)
        size = np.where(size > 0.0, size, 1.0)
        scaled, right = dense / size[:, None], b / size
        rest = right - scaled @ np.linalg.lstsq(scaled, right, rcond=1e-12)[0]
        if np.abs(rest).max(initial=0.0) <= _GAP * max(
            float(np.abs(right).max(initial=0.0)), 1e-300
        ):
            return
        part = np.flatnonzero(np.abs(rest) > _PART * np.abs(rest).max())
        raise ContradictoryValues(
            sorted({j for r in part for j in self.flows[r]}),
            sorted({kj for r in part for kj in self.grades[r]}),
        )


def named(error: ContradictoryValues, model: BalanceModel) -> NotBalanceable:
    """Return the error with the streams and quantities by name."""
    names = model.positions.named
    places = [Position(None, j) for j in error.flows]
    flows = [names[p] for p in places if p in names]
    grades = [names[p] for p in (Position(*kj) for kj in error.grades) if p in names]
    values = [f"{quantity} of '{stream}'" for stream, quantity in flows]
    values += [f"{quantity} in '{stream}'" for stream, quantity in grades]
    return NotBalanceable(
        f"These exact values contradict each other: {', '.join(values)}. "
        "No balance satisfies them all.",
        "Give one of them an error above 0.",
    )
