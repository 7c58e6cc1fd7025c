"""Streams that differ in nothing but their flow: their parts stand in one proportion.

F_a F_d = F_b F_c is a product of two flows, which the solver does not know. It is linearised and
the problem solved, again and again, until the proportions stay: then the first-order conditions of
the linearised problem are those of the problem itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.recon.damped_newton import first_point, minimise
from oretally.recon.observability import Classes, classify, remember
from oretally.recon.prepared import Prepared, prepare
from oretally.recon.presolve import presolve
from oretally.recon.solution import Solution, StopReason
from oretally.recon.threads import one_thread

__all__ = ["first_in_proportion", "solve_in_proportion"]

Floats = NDArray[np.float64]

_ROUNDS = 30  # linearisations at most; half a dozen is usual
_BETTER = 1e-9  # an objective lower by less than this share is the same one
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
    if starts is not None:
        flow = _linearised(problem, flow, classes).solve(starts=starts).flow
    found, steps = _once(problem, flow, classes), 0
    for _ in range(_ROUNDS):
        before, now = _ratios(problem, flow), _ratios(problem, found.flow)
        steps += found.iterations
        if np.abs(now - before).max() <= _STAYS * np.abs(now).max():
            better = _elsewhere(problem, found, classes)
            if better is None:
                return replace(found, iterations=steps)
            found = better
        flow, found = found.flow, _once(problem, found.flow, classes)
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
        return minimise(near.problem, near.reduced, start)


def _elsewhere(problem: BalanceProblem, found: Solution, classes: Classes) -> Solution | None:
    """Return a better solution at the same proportions, or None.

    A flow that nothing determines stays where it is, and may rest on its bound in the way of
    others: there the careful search looks for more.
    """
    if not (found.flow_at_bound.any() and classes.unobservable_flows):
        return None
    other = _linearised(problem, found.flow, classes).solve()
    return other if other.objective < found.objective * (1.0 - _BETTER) else None


def _without(problem: BalanceProblem) -> BalanceProblem:
    return replace(problem, proportion=np.zeros((0, 4), dtype=np.intp))


def _ratios(problem: BalanceProblem, flow: Floats) -> Floats:
    """Return the ratios at which the problem is linearised: of the wholes, and of the parts."""
    return np.array(problem.ratios(flow))
