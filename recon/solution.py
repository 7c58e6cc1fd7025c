"""What a balance comes to: flows, grades, how good they are, and why the solver stopped."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem, Rows
from oretally.recon.grades import BestGrades, best_grades
from oretally.recon.observability import Classes, classify_reduced
from oretally.recon.presolve import ReducedProblem
from oretally.recon.threads import one_thread

__all__ = ["CLOSED", "GOOD", "Solution", "StopReason", "largest_imbalance"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CLOSED = 1e-10  # largest relative residual of a balance that counts as closed


class StopReason(StrEnum):
    """Why the solver stopped, in words."""

    OPTIMUM = "first-order conditions hold"
    ROUNDING = "no further gain within rounding"
    STOPPED = "first-order conditions hold with the stopped streams left at 0"
    RUNAWAY = "a recycle grows without limit: no finite flow fits the measurements best"
    OPEN = "the balances do not close to 1e-10"
    NO_STEP = "no step improves the balance, though the first-order conditions do not hold"
    LIMIT = "iteration limit reached"


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
    best_grades : tuple of BestGrades or None
        What the solver knows of the inner problems; found again when asked for if None.
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
    best_grades: tuple[BestGrades, ...] | None = None

    @cached_property
    def reduced(self) -> ReducedProblem:
        """The problem that was solved."""
        return self.reduce()

    @cached_property
    def classes(self) -> Classes:
        """What is known of each value."""
        with one_thread():
            return classify_reduced(self.reduced)

    @cached_property
    def grades(self) -> tuple[BestGrades, ...]:
        """The inner problems at the solution."""
        if self.best_grades is not None:
            return self.best_grades
        flow = self.flow / self.reduced.flow_scale
        with one_thread():
            return tuple(best_grades(analyte, flow) for analyte in self.reduced.analytes)


def largest_imbalance(problem: BalanceProblem, flow: Floats, grade: Floats) -> Floats:
    """Return the largest residual of all balances, each against what passes its node.

    Where next to nothing of an analyte passes, a millionth of what the largest grade would carry
    through the node takes its place: rounding there is rounding of nothing.

    Parameters
    ----------
    problem : BalanceProblem
    flow : ndarray, shape (n_surveys, n_carriers)
    grade : ndarray, shape (n_surveys, n_analytes, n_carriers)
        Grades of stopped streams must be finite.

    Returns
    -------
    ndarray, shape (n_surveys,)
    """
    F = flow.T
    worst = _share(problem.flow_balance, F, problem.flow_source[:, None], None)
    alike: dict[int, list[int]] = {}
    for k, B in enumerate(problem.analyte_balance):
        alike.setdefault(id(B), []).append(k)
    for analytes in alike.values():
        B = problem.analyte_balance[analytes[0]]
        x = grade[:, analytes].transpose(2, 1, 0)
        amounts = (F[:, None, :] * x).reshape(F.shape[0], -1)
        least = (abs(B) @ np.abs(F))[:, None, :] * (0.5e-6 * np.abs(x).max(axis=0))
        source = np.array([problem.analyte_source[k] for k in analytes]).T
        right = np.repeat(source, F.shape[1], axis=1)
        share = _share(B, amounts, right, least.reshape(least.shape[0], -1))
        worst = np.maximum(worst, share.reshape(len(analytes), -1).max(axis=0))
    return worst


def _share(B: Rows, amounts: Floats, source: Floats, least: Floats | None) -> Floats:
    """Return the largest residual of B amounts = source in each column, over what passes."""
    residual = np.abs(B @ amounts - source)
    size = 0.5 * (abs(B) @ np.abs(amounts) + np.abs(source))
    if least is not None:
        size = np.maximum(size, least)
    return np.asarray((residual / np.where(size > 0.0, size, 1.0)).max(axis=0, initial=0.0))
