"""Balances of grades at given flows, and what is left of them without the unmeasured ones.

What analytes have in common whose grades are measured, unmeasured and held alike; M and U, C, N and
D are those of `oretally.recon.reduction.best_grades`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import (
    LaneProducts,
    SemidefiniteFactor,
    left_null_space,
    through,
)
from oretally.recon.reduction.analyte_problem import AnalyteProblem, AnalyteRows, quick

__all__ = ["GradePattern", "grade_pattern"]


@dataclass(frozen=True, eq=False)
class GradePattern:
    """Balances of the grades at given flows.

    Attributes
    ----------
    rows : AnalyteRows
    flow : ndarray, shape (n_carriers,)
    C : ndarray, shape (n_rows, n_groups)
        B diag(F) G.
    moving, unmeasured : ndarray of bool, shape (n_groups,)
        Sets M and U.
    null_spaces : dict
        Left null spaces already computed, by U.
    """

    rows: AnalyteRows
    flow: Floats
    C: Floats
    moving: Bools
    unmeasured: Bools
    null_spaces: dict[bytes, Floats]

    @cached_property
    def eliminates(self) -> bool:
        """Whether any grade is unmeasured."""
        return bool(self.unmeasured.any())

    @cached_property
    def N(self) -> Floats:
        """Basis of the left null space of C_U, shape (n_rows, n_reduced).

        The same for all flows if no streams share an unmeasured grade.
        """
        U = self.unmeasured
        shared = self.rows.G[:, U].sum(axis=0) > 1.0
        if shared.any() or (self.C[:, U] == 0.0).all(axis=0).any():
            return left_null_space(self.C[:, U])
        key = U.tobytes()
        if key not in self.null_spaces:
            self.null_spaces[key] = left_null_space(self.rows.B @ self.rows.G[:, U])
        return self.null_spaces[key]

    @cached_property
    def D(self) -> Floats:
        """N'C_M, shape (n_reduced, n_moving): the reduced balances on the measured grades."""
        return self.reduced(self.C[:, self.moving])

    def reduced(self, rows: Floats) -> Floats:
        """Return N' rows: the rows themselves where nothing is unmeasured."""
        return np.asarray(self.N.T @ rows) if self.eliminates else rows

    def unmeasured_grades(self, right: Floats) -> Floats:
        """Return the smallest x_U with C_U x_U = right, shape (n_U, ...), refined once."""
        C_U = self.C[:, self.unmeasured]
        x = through(C_U, right)
        return np.asarray(x + through(C_U, right - C_U @ x))

    @cached_property
    def P(self) -> Floats:
        """Matrix that makes the smallest x_U with C_U x_U = r from r, shape (n_U, n_rows)."""
        return through(self.C[:, self.unmeasured], np.eye(len(self.C)))

    def product(self, V: Floats) -> SemidefiniteFactor:
        """Return the factor of D V D', V of shape (n_moving,)."""
        D = self.quick_D
        if isinstance(D, np.ndarray):
            return SemidefiniteFactor((D * V) @ D.T)
        return SemidefiniteFactor(sparse.csr_array(D @ sparse.diags_array(V) @ D.T).toarray())

    @cached_property
    def quick_D(self) -> Floats | Rows:
        """D, sparse where that is quicker."""
        return quick(self.D)

    @cached_property
    def quick_Dt(self) -> Floats | Rows:
        """D', sparse where that is quicker."""
        return quick(self.D.T)

    @cached_property
    def balances(self) -> Floats | Rows:
        """N'B, shape (n_reduced, n_carriers), sparse where that is quicker."""
        if not self.eliminates:
            return self.rows.quick_B
        return quick(np.asarray(self.N.T @ self.rows.sparse))

    @cached_property
    def lanes(self) -> LaneProducts:
        """D V D' of analytes side by side."""
        return LaneProducts(sparse.csc_array(self.quick_D))


def grade_pattern(problem: AnalyteProblem, flow: Floats, C: Floats, held: Bools) -> GradePattern:
    """Return what an analyte has in common with others measured and held alike.

    Parameters
    ----------
    problem : AnalyteProblem
    flow : ndarray, shape (n_carriers,)
    C : ndarray, shape (n_rows, n_groups)
    held : ndarray of bool, shape (n_groups,)
    """
    moving = (problem.weight > 0.0) & ~held
    unmeasured = (problem.weight == 0.0) & ~held & (C != 0.0).any(axis=0)
    return GradePattern(problem.rows, flow, C, moving, unmeasured, problem.null_spaces)
