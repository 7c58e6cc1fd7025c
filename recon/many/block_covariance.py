"""First-order errors of many surveys side by side: small systems, no bound in force.

The formulas are those of `oretally.recon.solver.covariance` and `grade_response`. N'B is what is
left of the balances of an analyte without its unmeasured grades, N the left null space of
C_U = B_U diag(F_U) G_U. With L L' = S the factor of C V C', C = N'B diag(F) G, and A = L^-1 C
sqrt(V), Y = L^-1 N'E Z, E = B diag(x)::

    Cov(F) = R R'    R = Z M    M M' = (Z'WZ + sum Y'Y)^-1
    x_M:  T = -sqrt(V) A' Y M              O = sqrt(V) (1 - A'A)
    x_U:  T = -C_U^+ (C_M T_M + E R)       O = -C_U^+ C_M O_M

and Cov(x, F) = T R', Cov(x) = T T' + O O'. Arrays end in the axis of the surveys.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import dense_factor, dense_products, left_null_space
from oretally.recon.reduction import ReducedProblem

__all__ = ["BlockCovariance", "GradeRoots", "MeasuredAlike"]

_FAINT = 1e-9  # pivot over its diagonal entry, below which a direction may be unseen
_RANK = 1e-9  # of the largest singular value


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

    def left(self, flow: Floats) -> tuple[Floats, Floats, Bools]:
        """Return N'B, C_U^+, and where they are sound, for flows, shape (n_carriers, n_surveys).

        Shapes (n_reduced, n_carriers, n_surveys or 1), (n_unmeasured, n_rows, n_surveys).
        """
        sound = np.ones(flow.shape[1], dtype=bool)
        if not self.unmeasured.any():
            return self.B[:, :, None], np.zeros((0, len(self.B), 1)), sound
        if self.single:
            carrier = self.G[:, self.unmeasured].argmax(axis=0)
            balances, inverse = self._left_alone
            return balances[:, :, None], inverse[:, :, None] / flow[carrier, None], sound
        C = np.matmul(self.G[:, self.unmeasured].T, self.B[:, :, None] * flow).transpose(2, 0, 1)
        U, s, Vt = np.linalg.svd(C)
        seen = s > _RANK * s[:, :1]
        rank = int(seen[0].sum())
        sound = (seen.sum(axis=1) == rank) & (s[:, 0] > 0.0)
        inverse = (Vt[:, :rank].transpose(0, 2, 1) / s[:, None, :rank]) @ U[:, :, :rank].transpose(
            0, 2, 1
        )
        left = U[:, :, rank:].transpose(0, 2, 1) @ self.B
        return left.transpose(1, 2, 0), inverse.transpose(1, 2, 0), sound

    @cached_property
    def _left_alone(self) -> tuple[Floats, Floats]:
        """N'B, shape (n_reduced, n_carriers), and B_U^+, shape (n_unmeasured, n_rows)."""
        B = self.B @ self.G[:, self.unmeasured]
        return left_null_space(B).T @ self.B, np.asarray(np.linalg.pinv(B), dtype=float)


@dataclass(frozen=True, eq=False)
class GradeRoots:
    """Roots of the covariance of the grades of one analyte, on groups.

    Attributes
    ----------
    flows : ndarray, shape (n_groups, n_free, n_surveys)
    own : ndarray, shape (n_groups, n_moving, n_surveys)
    """

    flows: Floats
    own: Floats

    @property
    def sd(self) -> Floats:
        """Shape (n_groups, n_surveys)."""
        return np.asarray(np.sqrt(_squares(self.flows) + _squares(self.own)))


class BlockCovariance:
    """Covariance of the adjusted values of many surveys, in the units of the reduced problem.

    Parameters
    ----------
    reduced : ReducedProblem
    alike : sequence of MeasuredAlike
        Of each analyte.
    flow : ndarray, shape (n_carriers, n_surveys)
    grade : ndarray, shape (n_carriers, n_analytes, n_surveys)
        Adjusted; undetermined ones are numbers all the same.
    flow_weight : ndarray, shape (n_carriers, n_surveys)
        1/sd^2 of the measured ones, else 0.
    grade_weight : ndarray, shape (n_carriers, n_analytes, n_surveys)

    Attributes
    ----------
    seen : ndarray of bool, shape (n_surveys,)
        False where balances depend on one another, or leave a direction of the flows unseen.
    flow_root : ndarray, shape (n_carriers, n_free, n_surveys)
        R.
    """

    def __init__(
        self, reduced: ReducedProblem, alike: list[MeasuredAlike], flow: Floats, grade: Floats, *,
        flow_weight: Floats, grade_weight: Floats,
    ) -> None:  # fmt: skip
        self.alike, self.flow, self.grade = alike, flow, grade
        Z = reduced.basis.Z
        n, f = Z.shape
        self._parts = [
            _Part(one, flow, grade[:, k], grade_weight[:, k], Z) for k, one in enumerate(alike)
        ]
        H = dense_products(Z.T[None], Z.T[None]) @ flow_weight
        for part in self._parts:
            Y = part.Y
            H += dense_products(Y, Y)
        least = _FAINT * H[:f]
        factor = dense_factor(f, H)
        self.seen: Bools = factor.definite & (factor.inverse_pivots * least < 1.0).all(axis=0)
        for part in self._parts:
            self.seen &= part.sound
        inverse = np.zeros((f, f, flow.shape[1]))
        np.einsum("ffs->fs", inverse)[...] = 1.0
        factor.forward(inverse)
        inverse *= np.sqrt(factor.inverse_pivots)[:, None]
        self._half = np.ascontiguousarray(inverse.swapaxes(0, 1))
        self.flow_root: Floats = (Z @ self._half.reshape(f, -1)).reshape(n, f, -1)

    @cached_property
    def flow_sd(self) -> Floats:
        """Shape (n_carriers, n_surveys)."""
        return np.asarray(np.sqrt(_squares(self.flow_root)))

    @cached_property
    def roots(self) -> list[GradeRoots]:
        """Of each analyte."""
        return [part.roots(self._half, self.flow_root) for part in self._parts]

    def amount_root(self, k: int, j: int) -> Floats:
        """Return a root of the covariance of the amount of analyte k in carrier j.

        Shape (any, n_surveys), of the same directions for all carriers.
        """
        roots, g = self.roots[k], self.alike[k].group[j]
        f = self.flow_root.shape[1]
        found = np.empty((f + roots.own.shape[1], self.flow.shape[1]))
        np.multiply(self.flow[j], roots.flows[g], out=found[:f])
        found[:f] += self.grade[j, k] * self.flow_root[j]
        np.multiply(self.flow[j], roots.own[g], out=found[f:])
        return found


class _Part:
    """One analyte."""

    def __init__(
        self, alike: MeasuredAlike, flow: Floats, x: Floats, weight: Floats, Z: Floats
    ) -> None:
        a = self.alike = alike
        self.flow, self.x = flow, x
        self.root_V = 1.0 / np.sqrt(a.G[:, a.moving].T @ weight)
        left, self.inverse, self.sound = a.left(flow)
        m, r = len(self.root_V), len(left)
        both = np.empty((r, m + Z.shape[1], flow.shape[1]))
        both[:, :m] = _weighted(left, flow, a.G[:, a.moving])
        both[:, :m] *= self.root_V
        both[:, m:] = _weighted(left, x, Z)
        D = both[:, :m].swapaxes(0, 1)
        factor = dense_factor(r, dense_products(D, D))
        self.sound = self.sound & factor.definite
        factor.forward(both)
        both *= np.sqrt(factor.inverse_pivots)[:, None]
        self.A, self.Y = both[:, :m], both[:, m:]

    def roots(self, half: Floats, root: Floats) -> GradeRoots:
        a, (m, n) = self.alike, self.root_V.shape
        along = np.empty(self.Y.shape)
        for f in range(len(half)):  # half is a triangle
            np.einsum("rgs,gs->rs", self.Y[:, : f + 1], half[: f + 1, f], out=along[:, f])
        moved = np.einsum("rms,rfs->mfs", self.A, along)
        moved *= -self.root_V[:, None]
        kept = np.empty((m, m, n))
        for j in range(m):
            np.einsum("rs,rms->ms", self.A[:, j], self.A[:, j:], out=kept[j, j:])
            kept[j + 1 :, j] = kept[j, j + 1 :]
        kept *= -self.root_V[:, None]
        np.einsum("mms->ms", kept)[...] += self.root_V
        if a.moving.all():
            return GradeRoots(moved, kept)
        flows, own = np.zeros((a.moving.size, len(half), n)), np.zeros((a.moving.size, m, n))
        flows[a.moving], own[a.moving] = moved, kept
        if a.unmeasured.any():
            C = np.matmul(a.G[:, a.moving].T, a.B[:, :, None] * self.flow)
            E = a.B[:, :, None] * self.x
            moved = np.einsum("rms,mgs->rgs", C, flows[a.moving])
            moved += np.einsum("rcs,cgs->rgs", E, root)
            flows[a.unmeasured] = -np.einsum("urs,rgs->ugs", self.inverse, moved)
            moved = np.einsum("rms,mqs->rqs", C, own[a.moving])
            own[a.unmeasured] = -np.einsum("urs,rqs->uqs", self.inverse, moved)
        return GradeRoots(flows, own)


def _weighted(left: Floats, values: Floats, right: Floats) -> Floats:
    """Return left diag(values) right of every survey, shape (n_rows, n, n_surveys).

    ``left`` has shape (n_rows, n_carriers, n_surveys or 1), ``right`` (n_carriers, n).
    """
    if left.shape[2] > 1:
        return np.asarray(np.matmul(right.T, left * values))
    constant = np.einsum("rc,cn->rnc", left[:, :, 0], right)
    flat = constant.reshape(-1, len(values)) @ values
    return np.asarray(flat.reshape(len(left), right.shape[1], values.shape[1]))


def _squares(values: Floats) -> Floats:
    return np.asarray(np.einsum("ifs,ifs->is", values, values))
