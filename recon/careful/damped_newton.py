"""The balance of one survey, whatever its data: Newton's method with a line search.

The grades are eliminated (`oretally.recon.reduction.best_grades`); what is left is a smooth
function of the flows, minimised over F = offset + Z u. Every iterate is a balance that closes.
Where a step meets a bound on a flow, it is replaced by that of the bounded quadratic problem.

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), chapters 3 (line search) and 4
(damping). Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.careful.first_flows import starting_flows
from oretally.recon.careful.newton_step import FLAT, QuadraticModel, newton_step
from oretally.recon.reduction import (
    BestGrades,
    ReducedProblem,
    best_grades,
    without_idle_bounds,
)
from oretally.recon.result import CLOSED
from oretally.recon.solution import GOOD, BalanceCheck, Solution, StopReason, sum_of_squares

__all__ = ["minimise"]


_MAX_ITERATIONS = 60
_STALL = 15  # steps that together gain less than a thousandth are the last ones
_HALVINGS = 20  # of a step, at most
_GAIN = 1e-13  # a step that can gain no more than this share of the objective is the last one
_ROUNDING = 1e-9  # ... or this much, once no step gains anything: the limit of rounding
_FAINT = 1e-9  # flows below this share of the largest may be stopped streams
_RUNAWAY = 1e6  # flows are in units of the largest measured one
_DESCENT = 1e-4  # share of the predicted gain that a step must bring (Armijo)


def minimise(
    problem: BalanceProblem, reduced: ReducedProblem, start: Floats | None = None
) -> Solution:
    """Find the flows and grades nearest to the measured ones that balance exactly.

    Parameters
    ----------
    problem : BalanceProblem
    reduced : ReducedProblem
        Of the same problem.
    start : ndarray, shape (n_carriers,), optional
        First flows, scaled as in the reduced problem and in balance.
    """
    if start is not None:
        start = _in_bounds(reduced, start)
    if start is None or (start < reduced.flow_lower).any():
        start = starting_flows(reduced)
    found = _minimise(reduced, start, reduced.classes.unobservable_flows)
    return _solution(problem, reduced, *found)


@dataclass(frozen=True, eq=False)
class _Point:
    """Flows, with the best grades for them and half the objective."""

    flow: Floats
    grades: tuple[BestGrades, ...]
    value: float


def _evaluate(problem: ReducedProblem, flow: Floats, near: _Point | None = None) -> _Point:
    if near is not None and (flow < problem.flow_lower).any():
        return _Point(flow, near.grades, np.inf)
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
    values: list[float] = []
    for iteration in range(_MAX_ITERATIONS):
        values.append(point.value)
        if iteration >= _STALL and values[-_STALL] - point.value < 1e-3 * (1.0 + point.value):
            return point, gain, iteration, StopReason.LIMIT
        gradient, exact, positive = _derivatives(problem, point)
        model = QuadraticModel.of(
            problem, point.flow, gradient, H=exact, unobservable=unobservable,
            signed=True, positive=positive,
        )  # fmt: skip
        if not model.convex:
            model = QuadraticModel.of(
                problem, point.flow, gradient, H=positive, unobservable=unobservable, signed=False
            )
        step, gain = newton_step(problem, point.flow, model)
        if gain <= _GAIN * (1.0 + point.value):
            last = _last_step(problem, point, step)
            return last, gain, iteration, StopReason.OPTIMUM
        better = _line_search(problem, point, step, gradient)
        if better is None:
            model = QuadraticModel.of(
                problem, point.flow, gradient, H=positive, unobservable=unobservable, signed=False
            )
            better = _damped_search(problem, point, model, gradient)
        if better is None:
            better = _rested(problem, point)
        if better is None:
            resting, stopped = _with_stops(problem, point, gradient, positive)
            if resting is not None:
                better = _line_search(problem, point, resting, gradient)
            gain = min(gain, stopped)
            if better is None or stopped <= _GAIN * (1.0 + point.value):
                if gain > _ROUNDING * (1.0 + point.value):
                    return point, gain, iteration, StopReason.NO_STEP
                reason = StopReason.STOPPED if gain == stopped else StopReason.ROUNDING
                return point, gain, iteration, reason
        point = better
        if np.abs(point.flow).max() > _RUNAWAY:
            return point, gain, iteration, StopReason.RUNAWAY
    return point, gain, _MAX_ITERATIONS, StopReason.LIMIT


def _last_step(problem: ReducedProblem, point: _Point, step: Floats) -> _Point:
    """Take the last Newton step whole: it doubles the digits that the objective shows."""
    last = _evaluate(problem, _in_bounds(problem, point.flow + step), point)
    best = last if last.value <= point.value + 1e-13 * (1.0 + point.value) else point
    return _rested(problem, best) or best


def _rested(problem: ReducedProblem, point: _Point) -> _Point | None:
    """Return the point with all but stopped streams stopped, if that costs nothing; else None."""
    above = point.flow - problem.flow_lower
    faint = (above > 0.0) & (above <= _FAINT * float(np.abs(point.flow).max(initial=0.0)))
    if not faint.any():
        return None
    flow = _stopped(problem, point.flow, faint | (above <= 0.0))
    if (flow < problem.flow_lower).any():
        return None
    trial = _evaluate(problem, flow, point)
    return trial if trial.value <= point.value + 1e-12 * (1.0 + point.value) else None


def _stopped(problem: ReducedProblem, flow: Floats, stop: Bools) -> Floats:
    """Return the nearest flows in balance with some of them at their bounds exactly."""
    Z, lower = problem.basis.Z, problem.flow_lower
    back = np.linalg.lstsq(Z[stop], flow[stop] - lower[stop], rcond=1e-12)[0]
    return np.where(stop, lower, flow - Z @ back)


def _with_stops(
    problem: ReducedProblem, point: _Point, gradient: Floats, positive: Floats
) -> tuple[Floats | None, float]:
    """Return the step, and its gain, that leaves streams at their bound; None if there are none.

    A node that carries nothing has no grades to balance, so the objective jumps when it starts:
    no derivative at 0 sees that.
    """
    held = point.flow <= problem.flow_lower
    if not held.any():
        return None, np.inf
    model = QuadraticModel.of(
        problem, point.flow, gradient, H=positive, unobservable=0, signed=False, held=held
    )
    return newton_step(problem, point.flow, model)


def _damped_search(
    problem: ReducedProblem, point: _Point, model: QuadraticModel, gradient: Floats
) -> _Point | None:
    """Return a better point by ever shorter steps that turn to steepest descent, or None."""
    for damping in 10.0 ** np.arange(-6.0, 7.0, 2.0):
        step, _ = newton_step(problem, point.flow, model, damping=damping)
        better = _line_search(problem, point, step, gradient, halvings=4)
        if better is not None:
            return better
    return None


def _derivatives(problem: ReducedProblem, point: _Point) -> tuple[Floats, Floats, Floats]:
    """Return the gradient in F, and along Z the second derivative and its positive part."""
    Z = problem.basis.Z
    gradient = problem.flow_weight * (point.flow - problem.flow)
    exact = Z.T @ (problem.flow_weight[:, None] * Z)
    positive = exact.copy()
    for grades in point.grades:
        gradient = gradient + grades.gradient()
        exact = exact + grades.second_derivative(Z)
        positive = positive + grades.gauss_newton(Z)
    return gradient, exact, positive


def _line_search(
    problem: ReducedProblem, point: _Point, step: Floats, gradient: Floats,
    halvings: int = _HALVINGS,
) -> _Point | None:  # fmt: skip
    """Return the first point along the step that gains enough, or None."""
    slope = float(gradient @ step)
    length = 1.0
    for _ in range(halvings):
        flow = _in_bounds(problem, point.flow + length * step)
        trial = _evaluate(problem, flow, point)
        needed = point.value + _DESCENT * length * min(slope, 0.0)
        if trial.value <= needed and trial.value < point.value:
            return trial
        length *= 0.5
    return None


def _in_bounds(problem: ReducedProblem, flow: Floats) -> Floats:
    """Return flows in balance, with rounding about a bound taken off."""
    lower, basis = problem.flow_lower, problem.basis
    largest = float(np.abs(flow).max(initial=0.0))
    flow = np.where(np.abs(flow - lower) <= FLAT * largest, lower, flow)
    flow = basis.offset + basis.Z @ flow[basis.free]
    at_bound = np.abs(flow - lower) <= FLAT * largest
    below = ~at_bound & (flow < lower) & (flow >= lower - _FAINT * largest)
    if below.any():
        return _stopped(problem, flow, at_bound | below)
    return np.where(at_bound, lower, flow)


def _solution(
    problem: BalanceProblem,
    reduced: ReducedProblem,
    point: _Point,
    gain: float,
    iterations: int,
    status: StopReason,
) -> Solution:
    """Return the solution in the units of the balance problem."""
    exact = problem.flow_sd == 0.0
    flow = np.where(exact, problem.flow, point.flow * reduced.flow_scale)  # to the last digit
    grade = np.array(
        [g.x[g.problem.group] * g.problem.scale for g in point.grades]
    ).reshape(problem.n_analytes, problem.n_carriers)  # fmt: skip
    stopped = flow == 0.0
    at_bound = np.array(
        [
            (g.at_lower | g.at_upper)[g.problem.group]
            for g in map(without_idle_bounds, point.grades)
        ],
        dtype=bool,
    ).reshape(problem.n_analytes, problem.n_carriers)
    remainder = sum(a.remainder for a in reduced.analytes)
    imbalance = float(BalanceCheck(problem).largest(flow[:, None], grade.T[:, :, None])[0])
    grade[:, stopped] = np.nan
    objective = sum_of_squares(problem, flow, grade)
    if status in GOOD and not (imbalance <= CLOSED and all(g.settled for g in point.grades)):
        status = StopReason.OPEN
    return Solution(
        flow=flow,
        grade=grade,
        objective=objective if stopped.any() else 2.0 * (point.value + remainder),
        iterations=iterations,
        converged=status in GOOD,
        status=status,
        stationarity=2.0 * gain,
        max_imbalance=imbalance,
        flow_at_bound=np.isfinite(problem.flow_lower) & (point.flow <= reduced.flow_lower),
        grade_at_bound=at_bound,
        reduce=lambda: reduced,
        best_grades=point.grades,
    )
