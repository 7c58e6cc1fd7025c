"""The same survey balanced again: without some measurements, with losses, with corrected readings.

Nothing of this changes the balance that is reported; it says what an explanation would make of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import BalanceProblem, NotBalanceable, Position, Rows
from oretally.recon.solution import Solution
from oretally.recon.solver import solve

__all__ = ["corrected", "only_streams", "refit", "with_losses", "without_readings"]

Floats = NDArray[np.float64]


def without_readings(problem: BalanceProblem, readings: Sequence[Position]) -> BalanceProblem:
    """Return the problem as if some values had not been measured."""
    return corrected(problem, {place: (np.nan, np.nan) for place in readings})


def corrected(
    problem: BalanceProblem, readings: Mapping[Position, tuple[float, float]]
) -> BalanceProblem:
    """Return the problem with other (value, sd) for some readings."""
    flow, flow_sd = problem.flow.copy(), problem.flow_sd.copy()
    grade, grade_sd = problem.grade.copy(), problem.grade_sd.copy()
    for (k, j), (value, sd) in readings.items():
        if k is None:
            flow[j], flow_sd[j] = value, sd
        else:
            grade[k, j], grade_sd[k, j] = value, sd
    return replace(problem, flow=flow, flow_sd=flow_sd, grade=grade, grade_sd=grade_sd)


def with_losses(
    problem: BalanceProblem, losses: Mapping[int, tuple[Floats, float]]
) -> BalanceProblem:
    """Return the problem with one more stream for each loss, of unknown flow and known grades.

    Parameters
    ----------
    problem : BalanceProblem
    losses : mapping of int to (ndarray, float)
        Flow balance to the grades of what is lost, shape (n_analytes,), and a number whose sign
        says whether material leaves (+) or comes (-).
    """
    if not losses:
        return problem
    n_more = len(losses)
    wider: dict[int, Rows] = {}  # balances that are one object stay one object
    for B in (problem.flow_balance, *problem.analyte_balance):
        if id(B) not in wider:
            ends = np.zeros((B.shape[0], n_more))
            for i, (node, (_, size)) in enumerate(losses.items()):
                ends[node, i] = -1.0 if size >= 0.0 else 1.0
            wider[id(B)] = sparse.csr_array(sparse.hstack([B, sparse.csr_array(ends)]))
    lost = np.array([grades for grades, _ in losses.values()]).T.reshape(problem.n_analytes, n_more)
    unknown = np.full(n_more, np.nan)

    def beside(rows: Floats, more: Floats) -> Floats:
        return np.concatenate([rows, more], axis=-1)

    return replace(
        problem,
        flow_balance=wider[id(problem.flow_balance)],
        analyte_balance=tuple(wider[id(B)] for B in problem.analyte_balance),
        tie=np.concatenate([problem.tie, problem.tie.max(initial=-1) + 1 + np.arange(n_more)]),
        flow=beside(problem.flow, unknown),
        flow_sd=beside(problem.flow_sd, unknown),
        flow_lower=beside(problem.flow_lower, np.zeros(n_more)),
        grade=beside(problem.grade, lost),
        grade_sd=beside(problem.grade_sd, np.zeros_like(lost)),
        grade_lower=beside(problem.grade_lower, np.zeros_like(lost)),
        grade_upper=beside(problem.grade_upper, np.maximum(lost, 1.0)),
    )


def refit(problem: BalanceProblem, near: Floats | None = None) -> Solution | None:
    """Solve; None if it cannot be balanced or did not converge.

    ``near`` has the flows of the survey as it was, where a large problem begins: from scratch it
    takes three times as long.
    """
    try:
        found = solve(problem, near=near)
    except NotBalanceable:
        return None
    return found if found.converged else None


def only_streams(solution: Solution, n: int) -> Solution:
    """Return the flows and grades of the first n carriers: without the streams of losses."""
    return replace(
        solution,
        flow=solution.flow[:n],
        grade=solution.grade[:, :n],
        flow_at_bound=solution.flow_at_bound[:n],
        grade_at_bound=solution.grade_at_bound[:, :n],
    )
