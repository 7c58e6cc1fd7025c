"""Standard deviations of the adjusted values, and of anything computed from them.

Linear propagation of the stated errors at the solution. With E_k = B_k diag(x_k) and N, S, V of
`oretally.recon.reduction.best_grades`, and G_k = dx_k/dF = -V C'N S^-1 N'E_k on the measured
grades::

    H = W + sum_k E_k'N S^-1 N'E_k        Cov(F) = Z (Z'HZ)^-1 Z'
    Cov(x_k) = T V T' + G_k Cov(F) G_k'   T = 1 - V C'N S^-1 N'C
    Cov(x_k, x_l) = G_k Cov(F) G_l'       Cov(x_k, F) = G_k Cov(F)

Values held at a bound are taken as known.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapters 3 and
4: covariance of adjusted values, at the solution of balances of flows times grades. JCGM 100:2008
(GUM), eq. 13. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg

from oretally.flowsheet import BalanceProblem, Position
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.careful import NEGLIGIBLE
from oretally.recon.numerics import one_thread, through
from oretally.recon.reduction import BestGrades
from oretally.recon.solution import Solution

__all__ = ["Covariance", "propagate", "seen_root"]

_FAINT = 1e-10  # curvature of a direction that may be unseen, against the largest
_IDLE = 1e-6  # push of a bound that holds nothing
_ROUNDING = 1e-12  # of the largest: what no measurement sees
_SHARP = 1e-3  # of its stated variance: a grade known better than that is computed with care


@dataclass(frozen=True)
class Covariance:
    """Covariance of all adjusted values, in the units of the balance problem.

    Rows and columns of undetermined values are NaN; those of exact values and of values held at a
    bound are 0.
    """

    problem: BalanceProblem
    solution: Solution

    @cached_property
    def _half(self) -> Floats:
        """A root of Cov(F), scaled, shape (n_carriers, n_seen)."""
        with one_thread():
            return _flow_root(self.solution)

    @cached_property
    def _flow(self) -> Floats:
        """Cov(F), scaled, shape (n_carriers, n_carriers)."""
        with one_thread():
            return self._half @ self._half.T

    def flow_flow(self) -> Floats:
        """Return Cov(F, F), shape (n_carriers, n_carriers)."""
        known = self.solution.classes.flow_determined
        covariance = self._flow * self.solution.reduced.flow_scale**2
        return np.where(known[:, None] & known, covariance, np.nan)

    def grade_flow(self, k: int) -> Floats:
        """Return Cov(x_k, F), shape (n_carriers, n_carriers): rows are grades."""
        covariance = self._response(k)[0] @ self._flow
        scale = self.solution.grades[k].problem.scale * self.solution.reduced.flow_scale
        known = self._known(k)[:, None] & self.solution.classes.flow_determined
        return np.where(known, covariance * scale, np.nan)

    def grade_grade(self, k: int) -> Floats:
        """Return Cov(x_k, x_k), shape (n_carriers, n_carriers)."""
        G, own = self._response(k)
        known = self._known(k)
        scale = self.solution.grades[k].problem.scale ** 2
        covariance = (own @ own.T + G @ self._flow @ G.T) * scale
        return np.where(known[:, None] & known, covariance, np.nan)

    def grade_other(self, k: int, other: int) -> Floats:
        """Return Cov(x_k, x_l) of two analytes, shape (n_carriers, n_carriers)."""
        if k == other:
            return self.grade_grade(k)
        grades = self.solution.grades
        scale = grades[k].problem.scale * grades[other].problem.scale
        covariance = self._response(k)[0] @ self._flow @ self._response(other)[0].T * scale
        return np.where(self._known(k)[:, None] & self._known(other), covariance, np.nan)

    def with_all(self, slopes: Mapping[Position, float]) -> tuple[Floats, Floats]:
        """Return the covariance of a function of the adjusted values with all of them.

        Parameters
        ----------
        slopes : mapping of Position to float
            Its derivatives with respect to the values; those left out are 0.

        Returns
        -------
        ndarray, shape (n_carriers,), and ndarray, shape (n_analytes, n_carriers)
            With the flows, with the grades; NaN where those are undetermined.
        """
        scale, grades = self.solution.reduced.flow_scale, self.solution.grades
        along, own = np.zeros(self.problem.n_carriers), dict[int, Floats]()
        for (k, j), slope in slopes.items():
            if k is None:
                along[j] += slope * scale
                continue
            G, root = self._response(k)
            size = slope * grades[k].problem.scale
            along += size * G[j]
            own[k] = own.get(k, 0.0) + size * root[j]
        through_flows = self._half @ (self._half.T @ along)
        flows = np.where(self.solution.classes.flow_determined, through_flows * scale, np.nan)
        rows = []
        for i, inner in enumerate(grades):
            G, root = self._response(i)
            row = G @ through_flows + (root @ own[i] if i in own else 0.0)
            rows.append(np.where(self._known(i), row * inner.problem.scale, np.nan))
        return flows, np.array(rows).reshape(len(grades), flows.size)

    def root(self, places: Sequence[Position]) -> Floats:
        """Return R with R R' the covariance of some values, shape (n, any); NaN as in `joint`."""
        scale, grades = self.solution.reduced.flow_scale, self.solution.grades
        n_flow, first = self._half.shape[1], dict[int, int]()
        width = n_flow
        for i in sorted({k for k, _ in places if k is not None}):
            first[i], width = width, width + self._response(i)[1].shape[1]
        R = np.zeros((len(places), width))
        for row, (k, j) in zip(R, places, strict=True):
            if k is None:
                known = bool(self.solution.classes.flow_determined[j])
                row[:n_flow] = self._half[j] * (scale if known else np.nan)
                continue
            G, own = self._response(k)
            size = grades[k].problem.scale if self._known(k)[j] else np.nan
            row[:n_flow] = size * (G[j] @ self._half)
            row[first[k] : first[k] + own.shape[1]] = size * own[j]
        return R

    def joint(self, places: Sequence[Position]) -> Floats:
        """Return the covariance of some values, shape (n, n); NaN for undetermined ones."""
        R = self.root(places)
        return R @ R.T

    @cached_property
    def flow_sd(self) -> Floats:
        """Standard deviations of the flows, shape (n_carriers,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.flow_flow()), 0.0)))

    @cached_property
    def grade_sd(self) -> Floats:
        """Standard deviations of the grades, shape (n_analytes, n_carriers)."""
        with one_thread():
            rows = [self._grade_sd(k) for k in range(self.problem.n_analytes)]
        return np.array(rows).reshape(self.problem.n_analytes, self.problem.n_carriers)

    def _grade_sd(self, k: int) -> Floats:
        """Root of the diagonal of ``grade_grade(k)``, without the rest of it."""
        grades = self.solution.grades[k]
        if grades.unmeasured.any():
            G, own = self._response(k)
            variance = (own**2).sum(axis=1) + ((G @ self._flow) * G).sum(axis=1)
        else:
            variance = _grade_variance(grades, self._half)[grades.problem.group]
        sd = np.sqrt(np.maximum(variance, 0.0)) * grades.problem.scale
        return np.where(self._known(k), sd, np.nan)

    def _known(self, k: int) -> Bools:
        carried = np.isfinite(self.solution.grade[k])
        return np.asarray(self.solution.classes.grade_determined[k] & carried)

    @cached_property
    def _responses(self) -> dict[int, tuple[Floats, Floats]]:
        """Those that were asked for."""
        return {}

    def _response(self, k: int) -> tuple[Floats, Floats]:
        """Return dx/dF and T sqrt(V) of an analyte, on carriers and scaled."""
        if k not in self._responses:
            with one_thread():
                self._responses[k] = _grade_response(self.solution.grades[k])
        return self._responses[k]


def propagate(problem: BalanceProblem, solution: Solution) -> Covariance:
    """Propagate the stated errors to the adjusted values; matrices are formed when asked for."""
    return Covariance(problem, solution)


def _grade_response(g: BestGrades) -> tuple[Floats, Floats]:
    """Return dx/dF, shape (n, n), and the root of Cov(x | F), shape (n, n_moving)."""
    n_groups, M, U = g.x.size, g.moving, g.unmeasured
    D, V, E = g.D, g.V, g.E
    to_flow = np.zeros((n_groups, g.flow.size))
    own = np.zeros((n_groups, int(M.sum())))
    to_flow[M] = -V[:, None] * (D.T @ g.S.solve(g.N.T @ E))
    T = np.eye(V.size) - V[:, None] * (D.T @ g.S.solve(D))
    own[M] = T * np.sqrt(V)
    if U.any():
        # C_U dx_U = -(C_M dx_M + E dF)
        to_flow[U] = -through(g.C[:, U], g.C[:, M] @ to_flow[M] + E)
        own[U] = -through(g.C[:, U], g.C[:, M] @ own[M])
    return to_flow[g.problem.group], own[g.problem.group]


def _grade_variance(g: BestGrades, half: Floats) -> Floats:
    """Return the variances of the grades of groups, none of them unmeasured, scaled.

    With Q'Q = S^-1:  diag(V - V D'S^-1 D V) + the squares of the rows of V D'S^-1 E Cov(F)^1/2.
    """
    M, V = g.moving, g.V
    own, through_flows = g.S.root(g.D * V), g.S.root(g.E @ half)
    rest = V - (own**2).sum(axis=0)
    sharp = np.flatnonzero(rest < _SHARP * V)  # the difference would lose digits
    if sharp.size:
        T = np.eye(V.size)[sharp] - V[sharp, None] * (g.D[:, sharp].T @ g.S.solve(g.D))
        rest[sharp] = (T**2 * V).sum(axis=1)
    variance = np.zeros(g.x.size)
    variance[M] = rest + ((own.T @ through_flows) ** 2).sum(axis=1)
    return variance


def _flow_root(solution: Solution) -> Floats:
    """Return a root of Cov(F) = Z (Z'HZ)^-1 Z', scaled, over the directions that are seen."""
    Z = solution.reduced.basis.Z
    at_bound = _pushed(solution)
    held = Z[at_bound]
    unseen = solution.classes.unobservable_flows
    if len(held):
        Z = Z @ scipy.linalg.null_space(held, rcond=1e-12)
        unseen = -unseen  # a bound may hold what no measurement sees
    if not Z.shape[1]:
        return np.zeros((len(Z), 0))
    if not solution.grades and not len(held):
        return _linear_root(Z, solution.reduced.flow_weight)
    Hu = Z.T @ (solution.reduced.flow_weight[:, None] * Z)
    for grades in solution.grades:
        Hu = Hu + grades.gauss_newton(Z)
    root = np.asarray(Z @ seen_root(Hu, unseen))
    root[at_bound] = 0.0  # held: what is left there is rounding
    return root


def _linear_root(Z: Floats, weight: Floats) -> Floats:
    """Return a root of Z (Z'WZ)^-1 Z' over what is seen, without squares; units do not matter."""
    rows = np.sqrt(weight[weight > 0.0])[:, None] * Z[weight > 0.0]
    size = np.sqrt((rows**2).sum(axis=0))
    least = _ROUNDING * np.sqrt((Z**2).sum(axis=0)) * float(np.sqrt(weight.max(initial=0.0)))
    unit = 1.0 / np.where(size > least, size, np.inf)
    _, s, V = np.linalg.svd(rows * unit, full_matrices=False)
    seen = s > _ROUNDING * s.max(initial=0.0)
    return np.asarray(Z @ (unit[:, None] * V[seen].T / s[seen]))


def _pushed(solution: Solution) -> Bools:
    """Return the flows that a bound holds: one that nothing determines may lie there by itself."""
    at_bound = solution.flow_at_bound
    idle = at_bound & ~solution.classes.flow_determined
    if not idle.any():
        return at_bound
    reduced = solution.reduced
    slope = reduced.flow_weight * (solution.flow / reduced.flow_scale - reduced.flow)
    terms = np.abs(slope)
    for grades in solution.grades:
        own = grades.gradient()
        slope, terms = slope + own, terms + np.abs(own)
    Z = reduced.basis.Z
    push = np.linalg.lstsq(Z[at_bound].T, Z.T @ slope, rcond=1e-12)[0]
    held = at_bound.copy()
    held[at_bound] = push > _IDLE * (1.0 + terms.max(initial=0.0))
    return at_bound & (held | ~idle)


def seen_root(H: Floats, unobservable: int) -> Floats:
    """Return R with R R' = H^-1 over the directions that are seen, shape (n, n_seen).

    Parameters
    ----------
    H : ndarray, shape (n, n)
        Semidefinite.
    unobservable : int
        Directions known to be unseen, whatever the rounding of H; if negative, so many at most.
    """
    if not len(H):
        return np.zeros((0, 0))
    square = np.diag(H)
    least = NEGLIGIBLE * float(square.max()) if unobservable else 0.0
    d = np.where(square > least, square, 1.0) ** -0.5
    values, vectors = scipy.linalg.eigh(H * d[:, None] * d)
    seen = values > 1e-13 * values.max()
    some = slice(0, min(abs(unobservable), seen.size))
    seen[some] = (values[some] > _FAINT * values.max()) if unobservable < 0 else False
    return np.asarray(d[:, None] * vectors[:, seen] / np.sqrt(values[seen]))
