"""The balance: weighted least squares on flows and grades, exact in every balance.

The grades are eliminated (`oretally.recon.grades`); what is left is a smooth function of the
flows, minimised over F = offset + Z u by Newton's method with a line search. Every iterate is a
balance that closes. Where a step meets a bound on a flow, it is replaced by that of the bounded
quadratic problem.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.recon.grades import BestGrades, best_grades
from oretally.recon.observability import Classes, classify_reduced
from oretally.recon.presolve import ReducedProblem, presolve
from oretally.recon.quadratic import bounded_minimum
from oretally.recon.start import starting_flows

__all__ = ["Solution", "StopReason", "solve"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_MAX_ITERATIONS = 100
_GAIN = 1e-13  # a step that can gain no more than this share of the objective is the last one
_ROUNDING = 1e-9  # ... or this much, once no step gains anything: the limit of rounding
_DESCENT = 1e-4  # share of the predicted gain that a step must bring (Armijo)


class StopReason(StrEnum):
    """Why the solver stopped, in words."""

    OPTIMUM = "first-order conditions hold"
    ROUNDING = "no further gain within rounding"
    NO_STEP = "no step improves the balance, though the first-order conditions do not hold"
    LIMIT = "iteration limit reached"


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The minimum of a balance problem, in its units.

    Attributes
    ----------
    flow : ndarray, shape (n_carriers,)
    grade : ndarray, shape (n_analytes, n_carriers)
        NaN for a stream that carries nothing.
    objective : float
        Sum of squared adjustments in sd units.
    iterations : int
    converged : bool
    status : StopReason
    stationarity : float
        What one more Newton step could still take off the objective.
    max_imbalance : float
        Largest relative residual of all balances, each against what passes its node.
    flow_at_bound : ndarray of bool, shape (n_carriers,)
    grade_at_bound : ndarray of bool, shape (n_analytes, n_carriers)
    """

    flow: Floats
    grade: Floats
    objective: float
    iterations: int
    converged: bool
    status: StopReason
    stationarity: float
    max_imbalance: float
    flow_at_bound: Bools
    grade_at_bound: Bools
    reduced: ReducedProblem
    classes: Classes
    grades: tuple[BestGrades, ...]


def solve(problem: BalanceProblem) -> Solution:
    """Find the flows and grades nearest to the measured ones that balance exactly.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    reduced = presolve(problem)
    start = starting_flows(reduced)
    classes = classify_reduced(reduced)
    found = _minimise(reduced, start, classes.unobservable_flows)
    return _solution(problem, reduced, classes, *found)


@dataclass(frozen=True, eq=False)
class _Point:
    """Flows, with the best grades for them and half the objective."""

    flow: Floats
    grades: tuple[BestGrades, ...]
    value: float


def _evaluate(problem: ReducedProblem, flow: Floats, near: _Point | None = None) -> _Point:
    grades = tuple(
        best_grades(a, flow, (g.at_lower, g.at_upper) if g is not None else None)
        for a, g in zip(
            problem.analytes, near.grades if near else [None] * len(problem.analytes), strict=True
        )
    )
    value = 0.5 * float(np.sum(problem.flow_weight * (flow - problem.flow) ** 2))
    return _Point(flow, grades, value + sum(g.value for g in grades))


def _minimise(
    problem: ReducedProblem, flow: Floats, unobservable: int
) -> tuple[_Point, float, int, StopReason]:
    """Return the minimum, half the gain still possible, the iterations and why it stopped."""
    point = _evaluate(problem, flow)
    gain = np.inf
    for iteration in range(_MAX_ITERATIONS):
        gradient, exact, positive = _derivatives(problem, point)
        step, gain = _step(problem, point.flow, gradient, exact, unobservable)
        if step is None:
            step, gain = _step(problem, point.flow, gradient, positive, unobservable)
        if step is None or gain <= _GAIN * (1.0 + point.value):
            return *_last_step(problem, point, step, gain), iteration, StopReason.OPTIMUM
        better = _line_search(problem, point, step, gradient)
        if better is None:
            step, _ = _step(problem, point.flow, gradient, positive, unobservable)
            better = _line_search(problem, point, step, gradient) if step is not None else None
        if better is None:
            fine = gain <= _ROUNDING * (1.0 + point.value)
            return point, gain, iteration, StopReason.ROUNDING if fine else StopReason.NO_STEP
        point = better
    return point, gain, _MAX_ITERATIONS, StopReason.LIMIT


def _last_step(
    problem: ReducedProblem, point: _Point, step: Floats | None, gain: float
) -> tuple[_Point, float]:
    """Take the last Newton step whole: it doubles the digits, though the objective cannot show it.

    Its own gain is then of the order of the square of the one before; the one before is reported.
    """
    if step is None:
        return point, gain
    last = _evaluate(problem, _in_bounds(problem, point.flow + step), point)
    better = last.value <= point.value + 1e-13 * (1.0 + point.value)
    return (last if better else point), gain


def _derivatives(problem: ReducedProblem, point: _Point) -> tuple[Floats, Floats, Floats]:
    """Return the gradient in F, the exact second derivative, and its positive part."""
    gradient = problem.flow_weight * (point.flow - problem.flow)
    exact = np.diag(problem.flow_weight)
    positive = exact.copy()
    for grades in point.grades:
        gradient = gradient + grades.gradient()
        exact = exact + grades.second_derivative()
        positive = positive + grades.gauss_newton()
    return gradient, exact, positive


def _step(
    problem: ReducedProblem, flow: Floats, gradient: Floats, H: Floats, unobservable: int
) -> tuple[Floats | None, float]:
    """Return the Newton step inside the bounds and its predicted gain; None if H is indefinite.

    Directions that no measurement sees have no curvature: as many as the classes say are left
    out, so that unobservable flows stay where they are.
    """
    Z = problem.basis.Z
    Hu, gu = Z.T @ H @ Z, Z.T @ gradient
    if not len(gu):
        return None, 0.0
    d = np.abs(np.diag(Hu))
    d = np.where(d > 0.0, d, 1.0) ** -0.5
    values, vectors = np.linalg.eigh(Hu * d[:, None] * d)
    order = np.argsort(np.abs(values))[unobservable:] if unobservable else slice(None)
    values, vectors = values[order], vectors[:, order]
    if (values <= 0.0).any():
        return None, np.inf
    seen = vectors.T @ (d * gu)
    step = Z @ (d * (vectors @ (-seen / values)))
    lower = problem.flow_lower
    if (flow + step >= lower - 1e-15).all():
        return step, 0.5 * float(np.sum(seen**2 / values))
    return _bounded_step(problem, flow, gradient, (vectors * values) @ vectors.T, d)


def _bounded_step(
    problem: ReducedProblem, flow: Floats, gradient: Floats, scaled: Floats, d: Floats
) -> tuple[Floats | None, float]:
    """Return the step to the minimum of the quadratic model subject to F >= lower."""
    Z = problem.basis.Z * d  # u in units in which the curvature is 1
    rows = np.flatnonzero(np.isfinite(problem.flow_lower))
    room = flow[rows] - problem.flow_lower[rows]
    n_free = Z.shape[1]
    K = np.zeros((n_free + rows.size,) * 2)
    K[:n_free, :n_free] = scaled
    g = np.r_[Z.T @ gradient, np.zeros(rows.size)]
    size = max(float(np.abs(g).max()), 1e-300)
    length = np.abs(Z[rows]).max(axis=1, initial=0.0)
    length = np.where(length > 0.0, length, 1.0)
    answer = bounded_minimum(
        K,
        g,
        np.hstack([Z[rows] / length[:, None], -np.eye(rows.size)]),
        -room / length,
        lower=np.r_[np.full(n_free, -np.inf), np.zeros(rows.size)],
        upper=np.full(n_free + rows.size, np.inf),
    )
    v = answer.x[:n_free]
    held = rows[answer.at_lower[n_free:]]
    v = _polished(scaled, g[:n_free], Z[held], problem.flow_lower[held] - flow[held], v)
    gain = -float(g[:n_free] @ v + 0.5 * v @ scaled @ v)
    del size
    return np.asarray(Z @ v), max(gain, 0.0)


def _polished(H: Floats, g: Floats, Z_held: Floats, to_bound: Floats, v: Floats) -> Floats:
    """Return the step with the flows that end at their bound set there exactly."""
    n, m = len(H), len(Z_held)
    K = np.block([[H, Z_held.T], [Z_held, np.zeros((m, m))]])
    exact = np.linalg.lstsq(K, np.r_[-g, to_bound], rcond=1e-14)[0][:n]
    near = np.abs(exact - v).max(initial=0.0) <= 1e-4 * (1.0 + np.abs(v).max(initial=0.0))
    return np.asarray(exact if near else v)


def _line_search(
    problem: ReducedProblem, point: _Point, step: Floats, gradient: Floats
) -> _Point | None:
    """Return the first point along the step that gains enough, or None."""
    slope = float(gradient @ step)
    length = 1.0
    for _ in range(40):
        flow = _in_bounds(problem, point.flow + length * step)
        trial = _evaluate(problem, flow, point)
        needed = point.value + _DESCENT * length * min(slope, 0.0)
        if trial.value <= needed and trial.value < point.value:
            return trial
        length *= 0.5
    return None


def _in_bounds(problem: ReducedProblem, flow: Floats) -> Floats:
    """Return flows with rounding below a bound taken off, still in balance."""
    basis = problem.basis
    small = 1e-13 * max(float(np.abs(flow).max(initial=0.0)), 1e-300)
    flow = np.where(np.abs(flow - problem.flow_lower) <= small, problem.flow_lower, flow)
    return np.asarray(basis.offset + basis.Z @ flow[basis.free])


def _solution(
    problem: BalanceProblem,
    reduced: ReducedProblem,
    classes: Classes,
    point: _Point,
    gain: float,
    iterations: int,
    status: StopReason,
) -> Solution:
    """Return the solution in the units of the balance problem."""
    flow = point.flow * reduced.flow_scale
    grade = np.array(
        [g.x[g.problem.group] * g.problem.scale for g in point.grades]
    ).reshape(problem.n_analytes, -1)  # fmt: skip
    stopped = point.flow == 0.0
    at_bound = np.array(
        [(g.at_lower | g.at_upper)[g.problem.group] for g in point.grades], dtype=bool
    ).reshape(problem.n_analytes, -1)
    remainder = sum(a.remainder for a in reduced.analytes)
    imbalance = _max_imbalance(problem, flow, grade)
    grade[:, stopped] = np.nan
    settled = all(g.settled for g in point.grades)
    converged = settled and status in (StopReason.OPTIMUM, StopReason.ROUNDING)
    return Solution(
        flow=flow,
        grade=grade,
        objective=2.0 * (point.value + remainder),
        iterations=iterations,
        converged=converged,
        status=status,
        stationarity=2.0 * gain,
        max_imbalance=imbalance,
        flow_at_bound=np.isfinite(problem.flow_lower) & (point.flow <= reduced.flow_lower),
        grade_at_bound=at_bound,
        reduced=reduced,
        classes=classes,
        grades=point.grades,
    )


def _max_imbalance(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the largest residual of all balances, relative to the sum of its terms' sizes."""
    worst = _relative_residual(problem.flow_balance * flow, problem.flow_source)
    for k, B in enumerate(problem.analyte_balance):
        terms = B * (flow * grade[k])
        worst = max(worst, _relative_residual(terms, problem.analyte_source[k]))
    return worst


def _relative_residual(terms: Floats, source: Floats) -> float:
    residual = np.abs(terms.sum(axis=1) - source)
    size = np.abs(terms).sum(axis=1) + np.abs(source)
    return float((residual / np.where(size > 0.0, size, 1.0)).max(initial=0.0))
