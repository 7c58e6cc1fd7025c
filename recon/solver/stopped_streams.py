"""Minima with streams at a standstill, which no derivative sees.

A stream that carries nothing has no grade: what was measured of its grade costs nothing, and
grades behind a node with one inlet and one outlet need not be equal. The objective jumps down
when a stream stops, so that each set of stopped streams is a problem of its own: the same one
without them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem, NotBalanceable
from oretally.flowsheet.arrays import Bools
from oretally.recon.solution import Solution, sum_of_squares
from oretally.recon.solver.covariance import propagate

__all__ = ["best_with_stops", "embedded", "likely_stops", "without"]


_STOPS = 4  # sets of streams that are tried at a standstill, and rounds of that
_SAME = 1e-6  # objectives closer than this, relative, are one


def best_with_stops(
    problem: BalanceProblem, found: Solution, solve: Callable[[BalanceProblem], Solution]
) -> Solution:
    """Return the best solution with more streams at a standstill, if that is better.

    Parameters
    ----------
    problem : BalanceProblem
    found : Solution
        The best without looking for stops.
    solve : callable
        Solves the problem without the streams that stand still.
    """
    for _ in range(_STOPS):
        trials = likely_stops(problem, found, _STOPS)
        best = found
        for stopped in trials:
            try:
                part = solve(without(problem, stopped))
            except NotBalanceable:  # what runs cannot do without it
                continue
            whole = replace(embedded(problem, stopped, part), reduce=found.reduce)
            if whole.objective < best.objective * (1.0 - _SAME):
                best = replace(whole, starts=found.starts + len(trials), agreeing=1)
        if best is found:
            break
        found = best
    return found


def likely_stops(problem: BalanceProblem, found: Solution, most: int) -> list[Bools]:
    """Return sets of streams whose stop would, to first order, lower the objective; best first.

    Parameters
    ----------
    problem : BalanceProblem
    found : Solution
    most : int
        Sets to return at most.
    """
    misfit = (
        (found.grade - problem.grade) / np.where(problem.grade_sd > 0.0, problem.grade_sd, 1.0)
    ) ** 2
    freed = np.nansum(misfit, axis=0)
    covariance = propagate(problem, found).held.flow_flow()
    sets: dict[bytes, tuple[float, Bools]] = {}
    for c in np.flatnonzero((found.flow > 0.0) & (problem.flow_lower == 0.0)):
        stopped = _closed(problem, int(c))
        running = stopped & (found.flow > 0.0)
        if (problem.flow_sd[stopped] == 0.0).any():
            continue
        if stopped.all() or (problem.flow_lower[stopped] != 0.0).any():
            continue
        spread = covariance[c, c]
        cost = found.flow[c] ** 2 / spread if spread > 0.0 else np.inf
        gain = float(freed[running].sum()) - (cost if np.isfinite(spread) else 0.0)
        if gain > 0.0:
            sets[stopped.tobytes()] = gain, stopped
    ranked = sorted(sets.values(), key=lambda each: -each[0])
    return [stopped for _, stopped in ranked[:most]]


def _closed(problem: BalanceProblem, carrier: int) -> Bools:
    """Return the carriers that stop if one does: without inlets a node has no outlets."""
    A = problem.flow_balance
    stopped = np.zeros(problem.n_carriers, dtype=bool)
    stopped[carrier] = True
    ends = A.indptr
    changed = True
    while changed:
        changed = False
        for r in np.flatnonzero(problem.flow_source == 0.0):
            columns, values = A.indices[ends[r] : ends[r + 1]], A.data[ends[r] : ends[r + 1]]
            into, out = columns[values > 0.0], columns[values < 0.0]
            for side, other in ((into, out), (out, into)):
                if stopped[side].all() and not stopped[other].all():
                    stopped[other] = True
                    changed = True
    return stopped


def without(problem: BalanceProblem, stopped: Bools) -> BalanceProblem:
    """Return the problem without some carriers, of shape (n_carriers,)."""
    running = np.flatnonzero(~stopped)
    flow_balance, analyte_balance = problem.each_balance(lambda B: B[:, running])
    return replace(
        problem,
        flow_balance=flow_balance,
        analyte_balance=analyte_balance,
        tie=problem.tie[running],
        **{name: getattr(problem, name)[..., running] for name in (
            "flow", "flow_sd", "flow_lower", "grade", "grade_sd", "grade_lower", "grade_upper")},
    )  # fmt: skip


def embedded(problem: BalanceProblem, stopped: Bools, part: Solution) -> Solution:
    """Return a solution of the problem without some carriers as one with them at a standstill.

    ``stopped`` has shape (n_carriers,), True for these.
    """
    flow = np.zeros(problem.n_carriers)
    grade = np.full((problem.n_analytes, problem.n_carriers), np.nan)
    at_bound = np.zeros(grade.shape, dtype=bool)
    flow[~stopped], grade[:, ~stopped], at_bound[:, ~stopped] = (
        part.flow, part.grade, part.grade_at_bound,
    )  # fmt: skip
    flow_at_bound = stopped.copy()
    flow_at_bound[~stopped] = part.flow_at_bound
    return replace(
        part, flow=flow, grade=grade, flow_at_bound=flow_at_bound, grade_at_bound=at_bound,
        objective=sum_of_squares(problem, flow, grade), best_grades=None,
    )  # fmt: skip
