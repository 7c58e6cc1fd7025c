"""The general way: any balance problem, as it stands, by an interior point from several starts.

What comes out counts only if its certificate holds; of several that do, the lowest.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.natural.first_points import first_points
from oretally.recon.natural.interior_point import InteriorPoint, interior_point
from oretally.recon.natural.natural_form import NaturalForm, Point, natural_form, summed_at
from oretally.recon.natural.polish import Polished, polished
from oretally.recon.natural.slacks import Start
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import ReducedProblem, classify, presolve
from oretally.recon.result import Certificate
from oretally.recon.solution import (
    GROWN,
    BalanceCheck,
    Solution,
    StopReason,
    better,
    certify,
    lower,
    lower_is_likely,
    sum_of_squares,
)

__all__ = ["linearised_at", "solve_general"]


_STARTS = 6  # first points that are tried before giving up
_STARTS_NEAR = 2  # ... with flows of much the same problem to begin with
_STILL = 1e-14  # share of the largest flow, or grade, that is none


def solve_general(
    problem: BalanceProblem, starts: int | None = None, near: Floats | None = None,
    *, only_near: bool = False, reduced: ReducedProblem | None = None,
) -> Solution:  # fmt: skip
    """Find the flows and grades nearest to the measured ones that balance exactly.

    Parameters
    ----------
    problem : BalanceProblem
    starts : int, optional
        First points to try in any case. Without it one is tried, and more if its certificate does
        not hold or a measured stream stops.
    near : ndarray, shape (n_carriers,), optional
        Flows of much the same problem, to begin with.
    only_near : bool
        Whether nothing else is tried.
    reduced : ReducedProblem, optional
        The problem without its proportions, if it is at hand.
    """
    with one_thread():
        if reduced is None:
            reduced = presolve(replace(problem, proportion=np.zeros((0, 4), dtype=np.intp)))
        form = natural_form(problem, reduced)
        scaled = None if near is None else near / reduced.flow_scale
        most = starts or (_STARTS if near is None else _STARTS_NEAR)
        every = (
            _found(problem, reduced, form, start) for start in first_points(form, scaled, most)
        )
        best = next(every)  # there is one start at least
        agreeing = tried = 1
        iterations = best.iterations
        enough = near is not None or not lower_is_likely(problem, best)
        while not only_near and (starts is not None or not (best.converged and enough)):
            one = next(every, None)
            if one is None:
                break
            tried, enough = tried + 1, True
            iterations += one.iterations
            if better(one, best):
                agreeing = 0 if lower(one, best) else agreeing
                best = one
            agreeing += int(not lower(best, one))
    return replace(
        best, starts=tried if starts is not None else 1, agreeing=agreeing,
        general_iterations=iterations,
    )  # fmt: skip


def _found(
    problem: BalanceProblem, reduced: ReducedProblem, form: NaturalForm, start: Start
) -> Solution:
    """Return what is found from one start in the units of the problem, with its certificate."""
    found = interior_point(form, start)
    last, c = polished(form, start, found), form.cells
    flow, cell = _with_zeros(form, last)
    shape = (problem.n_analytes, problem.n_carriers)
    grade, at_bound = np.zeros(shape), np.zeros(shape, dtype=bool)
    unit = np.where(c.amount, flow[c.carrier], 1.0)
    value = cell / np.where(unit > 0.0, unit, 1.0)
    low = last.held.low | (value <= c.lower)
    value = np.where(low, c.lower, np.where(last.held.high, c.upper, value))
    value = np.clip(value, c.lower, c.upper)
    for k, a in enumerate(reduced.analytes):
        x = np.where(a.fixed, a.target, np.clip(a.target, a.lower, a.upper))
        bound = np.zeros(x.size, dtype=bool)
        own = np.flatnonzero(c.analyte == k)
        x[c.group[own]] = value[own]
        bound[c.group[own]] = (last.pushed.low | last.pushed.high)[own]
        grade[k], at_bound[k] = x[a.group] * a.scale, bound[a.group]
    exact = problem.flow_sd == 0.0
    flow = np.where(exact, problem.flow, flow * reduced.flow_scale)
    imbalance = float(BalanceCheck(problem).largest(flow[:, None], grade.T[:, :, None])[0])
    grade[:, flow == 0.0] = np.nan
    certificate = certify(problem, flow, grade)
    measured = np.nanmax(np.abs(problem.flow), initial=0.0)
    growth = float(np.abs(flow).max(initial=0.0)) / (measured or 1.0)
    status = _status(found, certificate, growth)
    return Solution(
        flow=flow, grade=grade, objective=sum_of_squares(problem, flow, grade),
        iterations=found.iterations, converged=certificate.holds, status=status,
        stationarity=certificate.fall, max_imbalance=imbalance,
        flow_at_bound=np.isfinite(problem.flow_lower) & (flow <= problem.flow_lower),
        grade_at_bound=at_bound,
        reduce=lambda: linearised_at(problem, flow) if len(problem.proportion) else reduced,
        certificate=certificate,
    )  # fmt: skip


def _with_zeros(form: NaturalForm, last: Polished) -> tuple[Floats, Floats]:
    """Return flows and cells with all that must be 0 exactly so.

    What is left alone in a balance, since all else there is 0, is 0 too.
    """
    c, point = form.cells, last.point
    flow = np.where(form.known, form.flow, point.flow)
    largest = float(np.abs(flow).max(initial=0.0))
    still = last.held.flow | (~form.known & (flow - form.flow_lower <= _STILL * largest))
    flow = np.where(still, form.flow_lower, flow)
    cell = np.where(last.held.low & (c.lower == 0.0), 0.0, point.cell)
    rows, columns, _ = form.linear
    free = form.right == 0.0
    while True:
        amount = form.amounts(Point(flow, cell))[c.link] != 0.0
        runs = flow[columns] != 0.0
        count = summed_at(c.row, amount, form.n_rows) + summed_at(rows, runs, form.n_rows)
        alone = free & (count == 1)
        cells = c.link_cell[c.link[alone[c.row] & amount]]
        cells = cells[(c.lower[cells] == 0.0) & (cell[cells] != 0.0)]
        flows = columns[alone[rows] & runs]
        flows = flows[~form.known[flows] & (form.flow_lower[flows] == 0.0)]
        if not cells.size and not flows.size:
            return flow, cell
        cell[cells], flow[flows] = 0.0, 0.0


def _status(found: InteriorPoint, certificate: Certificate, growth: float) -> StopReason:
    if certificate.holds:
        return StopReason.OPTIMUM
    if found.runaway or growth > GROWN:
        return StopReason.RUNAWAY
    return StopReason.NO_STEP if found.ended else StopReason.LIMIT


def linearised_at(problem: BalanceProblem, flow: Floats) -> ReducedProblem:
    """Return the reduced problem, its proportions linearised at some flows, shape (n_carriers,)."""
    reduced = presolve(problem.linearised(flow))
    if len(problem.proportion):
        return replace(reduced, known_classes=classify(problem))
    return reduced
