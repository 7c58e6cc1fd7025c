"""Streams that differ in nothing but their flow: their parts stand in one proportion.

F_a F_d = F_b F_c is a product of two flows, which the solver does not know. It is linearised and
the problem solved, again and again, until the proportions stay: then the first-order conditions of
the linearised problem are those of the problem itself.

A round that leaves the change of the one before goes half as far. What is found is stationary; that
there is no better one is not shown, and first flows matter only for where the linearisation begins.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.recon.damped_newton import at_flows, first_point, minimise
from oretally.recon.observability import Classes, classify, remember
from oretally.recon.prepared import Prepared, prepare
from oretally.recon.presolve import presolve
from oretally.recon.solution import Solution, StopReason
from oretally.recon.start import flows_near
from oretally.recon.threads import one_thread

__all__ = ["first_in_proportion", "solve_in_proportion"]

Floats = NDArray[np.float64]

_ROUNDS = 60  # linearisations at most; half a dozen is usual
_BETTER = 1e-9  # an objective lower by less than this share is the same one
_HELD = 0.01  # error of a split that is held, as a share of it
_STILL = 1e-6  # share of all that are alike
_GAINS = 0.9  # share of the change of a round that the next one leaves, if it gains anything
_MUCH = (0.5, 0.2)  # ... if it gains so much that it may go further again; then with more patience
_LEVEL = 1e-10  # change of the objective; parts that nothing determines may move along it
_HOLDS = 1e-11  # difference of the parts of two streams that are alike
_STAYS = 1e-11  # change of the proportions, as a share of the largest


def solve_in_proportion(
    problem: BalanceProblem, starts: int | None = None, near: Floats | None = None
) -> Solution:
    """Find the flows and grades nearest to the measured ones that balance, parts in proportion.

    Parameters
    ----------
    problem : BalanceProblem
        With proportions.
    starts, near
        As `oretally.recon.solver.solve`.
    """
    # the ratios as the other balances have them
    flow = prepare(_without(problem)).solve(near=near).flow
    with one_thread():
        classes = classify(problem)
    flow = _moving(problem, flow)
    held, known = _with_splits_held(problem, flow, classes)
    if starts is not None:
        flow = _linearised(held, flow, known).solve(starts=starts).flow
    for much in _MUCH:
        found = _until_it_stays(held, flow, known, much)
        if found.converged:
            break
    if held is problem or not found.converged:
        return found
    rest = _linearised(problem, found.flow, classes)
    return at_flows(rest.problem, rest.reduced, found)


def _until_it_stays(
    problem: BalanceProblem, flow: Floats, classes: Classes, much: float
) -> Solution:
    """Linearise and solve from some flows, again and again.

    A round that leaves the change of the one before goes half as far as the solution; one that
    leaves less than ``much`` of it lets the next go further again.
    """
    found, steps = _once(problem, flow, classes), 0
    length, last, objective = 1.0, np.inf, np.inf
    for _ in range(_ROUNDS):
        before, now = _ratios(problem, flow), _ratios(problem, found.flow)
        steps += found.iterations
        change = float(np.abs(now - before).max())
        level = abs(found.objective - objective) <= _LEVEL * (1.0 + found.objective)
        objective = found.objective
        level = level and found.converged and _apart(problem, found.flow) <= _HOLDS
        if level or change <= _STAYS * np.abs(now).max():
            better = _elsewhere(problem, found, classes)
            if better is None:
                return replace(found, iterations=steps)
            found, length = better, 1.0
        elif change > _GAINS * last:  # to and fro: half the way
            length *= 0.5
        elif change < much * last:
            length = min(2.0 * length, 1.0)
        last = change
        flow = flow + length * (found.flow - flow)
        found = _once(problem, flow, classes)
    return replace(found, iterations=steps, converged=False, status=StopReason.LIMIT)


def first_in_proportion(problem: BalanceProblem) -> BalanceProblem:
    """Return the problem linearised near the first flows in balance."""
    return problem.linearised(first_point(_without(problem), presolve(_without(problem))).flow)


def _linearised(problem: BalanceProblem, flow: Floats, classes: Classes) -> Prepared:
    """Return the problem linearised at some flows, ready to be solved."""
    near = prepare(problem.linearised(flow))
    remember(near.reduced, classes)
    return near


def _once(problem: BalanceProblem, flow: Floats, classes: Classes) -> Solution:
    """Solve the problem linearised at some flows, from there."""
    near = _linearised(problem, flow, classes)
    with one_thread():
        start = near.reduced.basis.closed(flow / near.reduced.flow_scale)
        if (start < near.reduced.flow_lower).any():
            start = flows_near(near.reduced, flow / near.reduced.flow_scale)
        return minimise(near.problem, near.reduced, start)


def _apart(problem: BalanceProblem, flow: Floats) -> float:
    """Return by how much the parts of streams that are alike differ, as shares of their wholes."""
    a, b, c, d = problem.proportion.T
    both = (flow[b] > 0.0) & (flow[d] > 0.0)
    gap = flow[a[both]] / flow[b[both]] - flow[c[both]] / flow[d[both]]
    return float(np.abs(gap).max(initial=0.0))


def _elsewhere(problem: BalanceProblem, found: Solution, classes: Classes) -> Solution | None:
    """Return a better solution at the same proportions, or None.

    A flow that nothing determines stays where it is, and may rest on its bound in the way of
    others: there the careful search looks for more.
    """
    if not (found.flow_at_bound.any() and classes.unobservable_flows):
        return None
    other = _linearised(problem, found.flow, classes).solve()
    return other if other.objective < found.objective * (1.0 - _BETTER) else None


def _moving(problem: BalanceProblem, flow: Floats) -> Floats:
    """Return flows in which no outlet stands still whose flow nobody measured.

    How a splitter parts its feed may be open. Then every split fits alike but for those that stop
    an outlet: its readings would count for nothing, and it would look like the better balance.
    """
    moved = flow.copy()
    _, group = np.unique(problem.proportion[:, 2:], axis=0, return_inverse=True)
    for g in range(int(group.max()) + 1):
        rows = problem.proportion[group.ravel() == g]
        part, whole = np.concatenate([rows[:, :2], rows[:1, 2:]]).T  # of each that is alike
        total = flow[whole].sum()
        still = (flow[whole] <= _STILL * total) & np.isnan(problem.flow[whole])
        if still.any() and total > 0.0:
            share = 1.0 / whole.size
            new = np.where(still, share * total, flow[whole] * (1.0 - share * still.sum()))
            moved[whole], moved[part] = new, new * (flow[part].sum() / total)
    for k, B in enumerate(problem.analyte_balance):  # samples stand for classes that move now
        exact = problem.grade_sd[k] == 0.0
        free = B.multiply(~exact).tocsr()
        needed = -(B.multiply(exact) @ (np.nan_to_num(problem.grade[k]) * moved))
        for row in np.flatnonzero((abs(free) @ moved == 0.0) & (needed > 0.0)):
            at = free.indices[free.indptr[row] : free.indptr[row + 1]]
            grade = problem.grade[k, at]
            known = np.isfinite(grade) & (grade > 0.0)
            moved[at] = np.where(known, needed[row] / np.where(known, grade, 1.0), moved[at])
    return moved


def _with_splits_held(
    problem: BalanceProblem, flow: Floats, classes: Classes
) -> tuple[BalanceProblem, Classes]:
    """Return the problem with the splits that nothing determines held where they are, and classes.

    As if each had been measured once: that moves nothing else, since nothing checks it. Along them
    the problem itself is flat, but the linearised one is not.
    """
    for j in np.unique(problem.proportion[:, [1, 3]]).tolist():
        if not classes.flow_determined[j] and np.isnan(problem.flow[j]) and flow[j] > 0.0:
            value, sd = problem.flow.copy(), problem.flow_sd.copy()
            value[j], sd[j] = flow[j], _HELD * flow[j]
            problem = replace(problem, flow=value, flow_sd=sd)
            with one_thread():
                classes = classify(problem)
    return problem, classes


def _without(problem: BalanceProblem) -> BalanceProblem:
    return replace(problem, proportion=np.zeros((0, 4), dtype=np.intp))


def _ratios(problem: BalanceProblem, flow: Floats) -> Floats:
    """Return the ratios at which the problem is linearised: of the wholes, and of the parts."""
    return np.array(problem.ratios(flow))
