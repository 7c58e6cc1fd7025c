"""First-order errors of many surveys side by side: dense and small, no bound in force.

The formulas are those of `oretally.recon.solver.covariance` and `grade_response`. What is left of
the balances of an analyte without its unmeasured grades, N'B, is the same for all surveys with
values in the same places, where no streams share an unmeasured grade: C_U = B_U diag(F_U), and F_U
is not 0. With A = L^-1 D sqrt(V), L L' = S, and P = 1 - A'A::

    x_M:  T = -sqrt(V) A' L^-1 N'E R     O = sqrt(V) P
    x_U:  T = -diag(1/F_U) B_U^+ (C_M T_M + E R)     O = -diag(1/F_U) B_U^+ C_M O_M

with R R' = Cov(F), Cov(x, F) = T R', Cov(x) = T T' + O O'.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import left_null_space
from oretally.recon.reduction import ReducedProblem

__all__ = ["BlockCovariance", "GradeRoots", "MeasuredAlike"]

_FAINT = 1e-9  # pivot over its diagonal entry, below which a direction may be unseen


class MeasuredAlike:
    """What the balances of one analyte leave of unmeasured grades, for all flows.

    Parameters
    ----------
    reduced : ReducedProblem
    k : int
        Number of the analyte.
    """

    def __init__(self, reduced: ReducedProblem, k: int) -> None:
        problem = reduced.analytes[k]
        self.B, self.group, self.G = problem.rows.B, problem.rows.group, problem.rows.G
        self.scale = problem.scale
        self.moving = problem.weight > 0.0
        met = np.asarray((np.abs(self.B) @ self.G) != 0.0).any(axis=0)
        self.unmeasured = ~self.moving & met
        # alone on its carrier: what is eliminated does not depend on the flows
        self.single = bool((self.G[:, self.unmeasured].sum(axis=0) <= 1.0).all())
        self.exact = bool(problem.fixed.any())

    @cached_property
    def balances(self) -> Floats:
        """N'B, shape (n_reduced, n_carriers)."""
        if not self.unmeasured.any():
            return self.B
        N = left_null_space(self.B @ self.G[:, self.unmeasured])
        return np.asarray(N.T @ self.B)

    @cached_property
    def inverse(self) -> Floats:
        """B_U^+, shape (n_unmeasured, n_rows)."""
        return np.asarray(np.linalg.pinv(self.B @ self.G[:, self.unmeasured]), dtype=float)


@dataclass(frozen=True, eq=False)
class GradeRoots:
    """Roots of the covariance of the grades of one analyte, on groups.

    Attributes
    ----------
    flows : ndarray, shape (n_surveys, n_groups, n_free)
    own : ndarray, shape (n_surveys, n_groups, n_moving)
    """

    flows: Floats
    own: Floats

    @property
    def sd(self) -> Floats:
        """Shape (n_surveys, n_groups)."""
        return np.asarray(np.sqrt((self.flows**2).sum(axis=2) + (self.own**2).sum(axis=2)))


class BlockCovariance:
    """Covariance of the adjusted values of many surveys, in the units of the reduced problem.

    Parameters
    ----------
    reduced : ReducedProblem
    alike : sequence of MeasuredAlike
        Of each analyte.
    flow : ndarray, shape (n_surveys, n_carriers)
    grade : ndarray, shape (n_surveys, n_analytes, n_carriers)
        Adjusted; undetermined ones are numbers all the same.
    flow_weight : ndarray, shape (n_surveys, n_carriers)
        1/sd^2 of the measured ones, else 0.
    grade_weight : ndarray, shape (n_surveys, n_analytes, n_carriers)

    Raises
    ------
    numpy.linalg.LinAlgError
        If balances depend on one another in any of the surveys.
    """

    def __init__(
        self, reduced: ReducedProblem, alike: list[MeasuredAlike], flow: Floats, grade: Floats, *,
        flow_weight: Floats, grade_weight: Floats,
    ) -> None:  # fmt: skip
        self.alike, self.flow, self.grade = alike, flow, grade
        Z = reduced.basis.Z
        H = np.einsum("cf,sc,cg->sfg", Z, flow_weight, Z, optimize=True)
        self._parts = [
            _Part(one, flow, grade[:, k], grade_weight[:, k]) for k, one in enumerate(alike)
        ]
        for part in self._parts:
            Y = part.with_flows(Z[None])
            H += Y.transpose(0, 2, 1) @ Y
        L = np.linalg.cholesky(H)
        pivots = np.diagonal(L, axis1=1, axis2=2) ** 2
        clear = pivots > _FAINT * np.diagonal(H, axis1=1, axis2=2)
        self.seen: Bools = np.asarray(clear.all(axis=1))
        self.flow_root: Floats = Z[None] @ np.linalg.inv(L).transpose(0, 2, 1)

    @cached_property
    def flow_sd(self) -> Floats:
        """Shape (n_surveys, n_carriers)."""
        return np.asarray(np.sqrt((self.flow_root**2).sum(axis=2)))

    @cached_property
    def roots(self) -> list[GradeRoots]:
        """Of each analyte."""
        return [part.roots(self.flow_root) for part in self._parts]


class _Part:
    """One analyte."""

    def __init__(self, alike: MeasuredAlike, flow: Floats, x: Floats, weight: Floats) -> None:
        a = self.alike = alike
        self.flow, self.x = flow, x
        self.root_V = (weight @ a.G)[:, a.moving] ** -0.5
        C = (a.balances[None] * flow[:, None, :]) @ a.G[:, a.moving]
        D = C * self.root_V[:, None, :]
        self.inverse_L = np.linalg.inv(np.linalg.cholesky(D @ D.transpose(0, 2, 1)))
        self.A = self.inverse_L @ D

    def with_flows(self, along: Floats) -> Floats:
        """Return L^-1 N'E along, shape (n_surveys, n_reduced, m)."""
        E = self.alike.balances[None] * self.x[:, None, :]
        return np.asarray(self.inverse_L @ (E @ along))

    def roots(self, half: Floats) -> GradeRoots:
        a = self.alike
        n, m = len(self.flow), int(a.moving.sum())
        At = self.A.transpose(0, 2, 1)
        flows = np.zeros((n, a.moving.size, half.shape[2]))
        own = np.zeros((n, a.moving.size, m))
        flows[:, a.moving] = -self.root_V[:, :, None] * (At @ self.with_flows(half))
        own[:, a.moving] = self.root_V[:, :, None] * (np.eye(m) - At @ self.A)
        if a.unmeasured.any():
            C = (a.B[None] * self.flow[:, None, :]) @ a.G[:, a.moving]
            E = a.B[None] * self.x[:, None, :]
            carrier = a.G[:, a.unmeasured].argmax(axis=0)
            back = -a.inverse[None] / self.flow[:, carrier, None]
            flows[:, a.unmeasured] = back @ (C @ flows[:, a.moving] + E @ half)
            own[:, a.unmeasured] = back @ (C @ own[:, a.moving])
        return GradeRoots(flows, own)
