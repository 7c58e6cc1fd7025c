"""The inner problem: the best grades of one analyte for given flows, and its derivatives.

For flows F let C = B diag(F) G, with one column a grade group. The grades that minimise

    1/2 sum w (x - xm)^2    subject to    C x = c,  lower <= x <= upper

fall into three sets: M measured, U unmeasured, H held (exact, or at a bound). N spans the left
null space of C_U: the balances that are left when the unmeasured grades are eliminated. With
D = N'C_M, V = diag(1/w_M):

    S = D V D'      S nu = N'(c - C_H x_H) - D xm      x_M = xm + V D' nu      lam = -N nu

The value of the problem is a function of the flows alone; the balances hold at every F.

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), sections 16.2 (the equations'
range and null space) and 16.5 (bounds: active sets). The slope of the value is that of the envelope
theorem. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import RANK, SemidefiniteFactor, quadratic_minimum
from oretally.recon.reduction.analyte_problem import AnalyteProblem
from oretally.recon.reduction.grade_pattern import GradePattern, grade_pattern

__all__ = ["BestGrades", "best_grades", "beyond_bounds", "without_idle_bounds"]


_BOUND = 1e-12  # grades this far outside their bounds are rounding; grades are of the order of 1
_IDLE = 1e-6  # push of a bound that holds nothing, in units of the objective, and of its terms
_PULL = 1e-11  # pulls below this share of the largest are rounding: stationarity makes them 0
_CORRECTIONS = 12  # of the set of held grades, before the interior point is asked


@dataclass(frozen=True, eq=False)
class BestGrades:
    """Best grades of one analyte for given flows, with what their derivatives need.

    Attributes
    ----------
    problem : AnalyteProblem
    pattern : GradePattern
    x : ndarray, shape (n_groups,)
        Grades; for groups without a flow the measured value, else 0.
    lam : ndarray, shape (n_rows,)
        Multipliers of the balances.
    value : float
        1/2 sum w (x - xm)^2 over the groups.
    at_lower, at_upper : ndarray of bool, shape (n_groups,)
        Groups held at a bound.
    settled : bool
        False if the bounded problem did not converge.
    factor : SemidefiniteFactor or None
        That of S, where it is known already.
    """

    problem: AnalyteProblem
    pattern: GradePattern
    x: Floats
    lam: Floats
    value: float
    at_lower: Bools
    at_upper: Bools
    settled: bool = True
    factor: SemidefiniteFactor | None = None

    @cached_property
    def S(self) -> SemidefiniteFactor:
        """The factor of D V D'."""
        return self.factor or self.pattern.product(self.V)

    @cached_property
    def V(self) -> Floats:
        """Variances 1/w of the measured grades, shape (n_moving,)."""
        return np.asarray(1.0 / self.problem.weight[self.pattern.moving])

    def gradient(self) -> Floats:
        """Return the derivative of ``value`` by the flows, shape (n_carriers,): (B'lam) * (G x).

        A stopped stream of unmeasured grade may start with whatever grade helps most.
        """
        pull = self.problem.B.T @ self.lam
        grade = self.x[self.problem.group]
        carried = np.zeros(self.x.size)
        np.add.at(carried, self.problem.group, np.abs(self.pattern.flow))
        idle = ((carried == 0.0) & (self.problem.weight == 0.0) & ~self.problem.fixed)[
            self.problem.group
        ]
        lower, upper = (np.clip(bound, -1e6, 1e6)[self.problem.group]
                        for bound in (self.problem.lower, self.problem.upper))  # fmt: skip
        best = np.where(pull < 0.0, upper, lower)
        return np.asarray(pull * np.where(idle, best, grade))

    def gauss_newton(self, Z: Floats) -> Floats:
        """Return Z'E'N S^-1 N'E Z: the semidefinite part of the second derivative along Z.

        Z has shape (n_carriers, n_free), what is returned (n_free, n_free).
        """
        root = self.S.root(self.pattern.reduced(self.problem.rows.of_flows(self.x, Z)))
        return np.asarray(root.T @ root)

    def second_derivative(self, Z: Floats) -> Floats:
        """Return the second derivative of ``value`` along the flow directions Z.

        Z has shape (n_carriers, n_free), what is returned (n_free, n_free). By implicit
        differentiation of the optimality conditions, with P = G'diag(B'lam) Z, E = E Z:

            R = P_M - C_M' Q      T = D V R - N'E      T'S^-1 T - R'V R - (E'Q + Q'E)

        where Q solves C_U'Q = P_U: an unmeasured grade pulls on flows only where several streams
        share it.
        """
        a, p, M, U = self.problem, self.pattern, self.pattern.moving, self.pattern.unmeasured
        P = a.rows.by_group((a.B.T @ self.lam)[:, None] * Z)
        E = a.rows.of_flows(self.x, Z)
        R, pulled = P[M], P[U]
        size = float(np.abs(P).max(initial=0.0))
        extra = np.zeros((Z.shape[1],) * 2)
        if np.abs(pulled).max(initial=0.0) > _PULL * size:
            Q = np.linalg.lstsq(p.C[:, U].T, pulled, rcond=RANK)[0]
            R = R - p.C[:, M].T @ Q
            extra = E.T @ Q + Q.T @ E
        root = self.S.root(p.D @ (self.V[:, None] * R) - p.reduced(E))
        return np.asarray(root.T @ root - R.T @ (self.V[:, None] * R) - extra)


def without_idle_bounds(found: BestGrades) -> BestGrades:
    """Return the same grades with only those held whose bound pushes them.

    A grade that nothing determines may come to lie on its bound; a constraint it is none, and what
    depends on it is not better known for it.
    """
    held = found.at_lower | found.at_upper
    if not held.any():
        return found
    misfit = found.problem.weight * (found.x - found.problem.target)
    C = found.pattern.C
    push = np.abs(misfit + C.T @ found.lam)
    terms = np.abs(misfit) + np.abs(C).T @ np.abs(found.lam)
    idle = held & (push <= _IDLE * (1.0 + terms))
    if not idle.any():
        return found
    free = _with_held(
        found.problem, found.pattern.flow, C, found.at_lower & ~idle, found.at_upper & ~idle
    )
    return replace(free, x=found.x, lam=found.lam, value=found.value, settled=found.settled)


def best_grades(
    problem: AnalyteProblem, flow: Floats, held: tuple[Bools, Bools] | None = None
) -> BestGrades:
    """Solve the inner problem.

    Parameters
    ----------
    problem : AnalyteProblem
    flow : ndarray, shape (n_carriers,)
    held : pair of ndarray of bool, optional
        Guess of the groups held at their lower and upper bound.

    Returns
    -------
    BestGrades
    """
    C = problem.rows.of_grades(flow)
    none = np.zeros(problem.weight.size, dtype=bool)
    found = _active_set(problem, flow, C, *(held if held is not None else (none, none)))
    if found is None:
        interior = _interior_point(problem, flow, C)
        found = _active_set(problem, flow, C, interior.at_lower, interior.at_upper)
        if found is None or found.value > interior.value + 1e-9 * (1.0 + interior.value):
            found = interior
    return found


def _active_set(
    problem: AnalyteProblem, flow: Floats, C: Floats, at_lower: Bools, at_upper: Bools
) -> BestGrades | None:
    """Correct a guess of the held groups until bounds and signs agree; None if it does not end."""
    for _ in range(_CORRECTIONS):
        found = _with_held(problem, flow, C, at_lower, at_upper)
        free = found.pattern.moving | found.pattern.unmeasured
        below, above = beyond_bounds(found.x, problem.lower, problem.upper, free)
        pulled, pushed = _wrongly_held(found)
        if not (below.any() or above.any() or pulled.any() or pushed.any()):
            np.clip(found.x, problem.lower, problem.upper, out=found.x, where=free)
            return found
        at_lower = (at_lower & ~pulled) | below
        at_upper = (at_upper & ~pushed) | above
    return None


def _with_held(
    problem: AnalyteProblem, flow: Floats, C: Floats, at_lower: Bools, at_upper: Bools
) -> BestGrades:
    """Solve with the given groups held at their bounds and no other bound in force."""
    held = problem.fixed | at_lower | at_upper
    pattern = grade_pattern(problem, flow, C, held)
    M, U = pattern.moving, pattern.unmeasured
    x = problem.target.copy()
    x[at_lower] = problem.lower[at_lower]
    x[at_upper] = problem.upper[at_upper]
    D, V = pattern.D, 1.0 / problem.weight[M]
    S = pattern.product(V)
    right = problem.source - C[:, held] @ x[held]
    nu = S.solve(pattern.reduced(right) - D @ problem.target[M])
    x[M] = problem.target[M] + V * (D.T @ nu)
    if U.any():
        x[U] = pattern.unmeasured_grades(right - C[:, M] @ x[M])
    lam = -(pattern.N @ nu) if pattern.eliminates else -nu
    return BestGrades(problem, pattern, x, lam, _cost(problem, x), at_lower, at_upper, factor=S)


def _interior_point(problem: AnalyteProblem, flow: Floats, C: Floats) -> BestGrades:
    """Solve with bounds by an interior point, in variables scaled by the sd of each grade."""
    part = ~problem.fixed & ((problem.weight > 0.0) | (C != 0.0).any(axis=0))
    soft = problem.weight[part] > 0.0
    s = np.where(soft, np.where(soft, problem.weight[part], 1.0) ** -0.5, 0.0)
    s = np.where(soft, s, np.median(s[soft]) if soft.any() else 1.0)
    columns = C[:, part] * s
    rows = np.abs(columns).max(axis=1, initial=0.0)
    rows = np.where(rows > 0.0, rows, 1.0)
    right = problem.source - C[:, problem.fixed] @ problem.target[problem.fixed]
    lower, upper = problem.lower[part] / s, problem.upper[part] / s
    below, top = np.isfinite(lower), np.isfinite(upper)
    one = np.eye(s.size)
    found = quadratic_minimum(
        np.diag(soft.astype(float)),
        np.where(soft, -problem.target[part] / s, 0.0),
        (np.vstack([one[below], -one[top]]), np.r_[lower[below], -upper[top]]),
        equal=(columns / rows[:, None], right / rows),
    )
    at_lower, at_upper = (np.zeros(part.size, dtype=bool) for _ in range(2))
    if found is not None:
        at_lower[np.flatnonzero(part)[below]] = found.held[: below.sum()]
        at_upper[np.flatnonzero(part)[top]] = found.held[below.sum() :]
    held = _with_held(problem, flow, C, at_lower, at_upper)
    x = held.x.copy()
    inner = x[part] if found is None else found.x * s
    x[part] = np.clip(inner, problem.lower[part], problem.upper[part])
    # unmeasured grades that the balances leave open: the interior choice keeps their bounds
    return replace(
        held, x=x, lam=held.lam if found is None else found.multiplier / rows,
        value=_cost(problem, x), settled=found is not None,
    )  # fmt: skip


def _cost(problem: AnalyteProblem, x: Floats) -> float:
    soft = problem.measured
    return 0.5 * float(np.sum(problem.weight[soft] * (x[soft] - problem.target[soft]) ** 2))


def beyond_bounds(x: Floats, lower: Floats, upper: Floats, free: Bools) -> tuple[Bools, Bools]:
    """Return the grades that left their bounds, below and above, by more than rounding.

    Groups along axis 0 of all; ``free``, shape (n_groups,), are those that may move.
    """
    slack = _BOUND * (1.0 + np.abs(x))
    moves = free.reshape(-1, *(1,) * (x.ndim - 1))
    return moves & (x < lower - slack), moves & (x > upper + slack)


def _wrongly_held(found: BestGrades) -> tuple[Bools, Bools]:
    """Return the groups held at a lower or upper bound that want to move inside."""
    if not (found.at_lower.any() or found.at_upper.any()):
        return found.at_lower, found.at_upper
    misfit = found.problem.weight * (found.x - found.problem.target)
    push = misfit + found.pattern.C.T @ found.lam
    # rounding of the sum, judged in units of each group's own terms
    terms = np.abs(found.pattern.C).T @ np.abs(found.lam)
    size = 1e-9 * (np.abs(misfit) + terms)
    return found.at_lower & (push < -size), found.at_upper & (push > size)
