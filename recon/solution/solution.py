"""What a balance comes to: flows, grades, how good they are, and why the solver stopped."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import (
    BestGrades,
    Classes,
    ReducedProblem,
    grades_at,
    without_idle_bounds,
)
from oretally.recon.result import Certificate

__all__ = [
    "GOOD",
    "GROWN",
    "Solution",
    "StopReason",
    "better",
    "lower",
    "lower_is_likely",
    "sum_of_squares",
]


class StopReason(StrEnum):
    """Why the solver stopped, in words."""

    OPTIMUM = "first-order conditions hold"
    ROUNDING = "no further gain within rounding"
    STOPPED = "first-order conditions hold with the stopped streams left at 0"
    RUNAWAY = "a flow grew far beyond all that was measured"
    OPEN = "the balances do not close to 1e-10"
    NO_STEP = "no step improves the balance, though the first-order conditions do not hold"
    LIMIT = "iteration limit reached"


_SAME = 1e-6  # objectives closer than this, relative and absolute, are one
_BALANCES = 1e-6  # largest residual of a balance, with which a point can be compared
GROWN = 20.0  # times the largest measured flow: no plant sends more round
GOOD = (StopReason.OPTIMUM, StopReason.ROUNDING, StopReason.STOPPED)


@dataclass(frozen=True, eq=False)
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
        Largest residual of all balances, each against what passes its node.
    flow_at_bound : ndarray of bool, shape (n_carriers,)
    grade_at_bound : ndarray of bool, shape (n_analytes, n_carriers)
    reduce : callable
        Returns the reduced problem that was solved.
    starts, agreeing : int
        First flows that were tried, and those of them that lead to this objective.
    best_grades : tuple of BestGrades or None
        What the solver knows of the inner problems; found again when asked for if None.
    certificate : Certificate or None
        Of the problem as stated; None if nobody asked for it.
    general_iterations : int
        In the general way, from all first points together: what it cost.
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
    reduce: Callable[[], ReducedProblem]
    starts: int = 1
    agreeing: int = 1
    best_grades: tuple[BestGrades, ...] | None = None
    certificate: Certificate | None = None
    general_iterations: int = 0

    @cached_property
    def reduced(self) -> ReducedProblem:
        """The problem that was solved."""
        return self.reduce()

    @cached_property
    def classes(self) -> Classes:
        """What is known of each value."""
        with one_thread():
            return self.reduced.classes

    @cached_property
    def grades(self) -> tuple[BestGrades, ...]:
        """The inner problems at the solution, with the bounds that push a grade and no others."""
        found = self.best_grades
        with one_thread():
            if found is None:
                flow = self.flow / self.reduced.flow_scale
                found = grades_at(self.reduced.analytes, flow)
            return tuple(map(without_idle_bounds, found))


def sum_of_squares(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the sum of squared adjustments in sd units.

    A stopped stream has the grade of those tied to it that run; if none runs, the grade that fits
    their measurements best.

    Parameters
    ----------
    problem : BalanceProblem
    flow : ndarray, shape (n_carriers,)
    grade : ndarray, shape (n_analytes, n_carriers)
        NaN for a stream that carries nothing.
    """
    soft = problem.flow_sd > 0.0
    total = float(np.sum(((flow[soft] - problem.flow[soft]) / problem.flow_sd[soft]) ** 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where(problem.grade_sd > 0.0, problem.grade_sd**-2.0, 0.0)
    measured = np.where(weight > 0.0, problem.grade, 0.0)
    if np.isnan(grade).any():
        grade = grade.copy()
        for label in np.unique(problem.tie[np.isnan(grade).any(axis=0)]):
            tied = np.flatnonzero(problem.tie == label)
            w = weight[:, tied]
            mean = (w * measured[:, tied]).sum(axis=1) / np.maximum(w.sum(axis=1), 1e-300)
            lower, upper = problem.grade_lower[:, tied], problem.grade_upper[:, tied]
            mean = np.clip(mean, lower.max(axis=1), upper.min(axis=1))
            running = tied[~np.isnan(grade[:, tied]).any(axis=0)]
            known = grade[:, running[0]] if running.size else mean
            grade[:, tied] = np.where(np.isnan(grade[:, tied]), known[:, None], grade[:, tied])
    return total + float(np.sum(weight * (grade - measured) ** 2))


def lower(one: Solution, other: Solution) -> bool:
    """Tell whether one has the lower objective, beyond rounding."""
    return one.objective < other.objective - _SAME * (1.0 + abs(other.objective))


def better(one: Solution, other: Solution) -> bool:
    """Tell whether one is the better of two: the lower, if both balance; then that which holds.

    A lower point that is no minimum still shows that the other is none of the whole problem.
    """
    balances = one.max_imbalance <= _BALANCES, other.max_imbalance <= _BALANCES
    if balances[0] != balances[1]:
        return balances[0]
    if one.converged != other.converged and not (lower(one, other) or lower(other, one)):
        return one.converged
    return lower(one, other)


def lower_is_likely(problem: BalanceProblem, found: Solution) -> bool:
    """Tell whether other first flows may lead lower: a stream stands still that was measured.

    Nothing is lower than an objective of 0, as where an error left free takes all that was read.
    """
    if found.objective <= _SAME:
        return False
    still = found.flow == 0.0
    return bool((problem.flow[still] > 0.0).any() or (problem.grade[:, still] > 0.0).any())
