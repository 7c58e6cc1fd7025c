"""The balance: weighted least squares on flows and grades, exact in every balance.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapters 3 and
4: least squares under linear and bilinear balances. Cited from memory.
"""

from __future__ import annotations

import operator
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.natural import solve_general
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import ReducedProblem
from oretally.recon.solution import GOOD, Solution, StopReason, better, certify, lower_is_likely
from oretally.recon.solver.assayed_part import assayed_alone
from oretally.recon.solver.linear import solve_linear
from oretally.recon.solver.prepared import Prepared, prepare

__all__ = ["certified", "solve", "solve_certified"]


_FURTHER = 8  # first flows that are tried where a measured stream stands still
_AFFORDABLE = 60  # carriers, up to which they are


def solve(
    problem: BalanceProblem, starts: int | None = None, near: Floats | None = None
) -> Solution:
    """Find the flows and grades nearest to the measured ones that balance exactly.

    Bulk grades are solved side by side in ways of their own, flows alone by orthogonal factors, all
    else in general. What the fast ways accept has the first-order and second-order conditions that
    they end with; whatever took more has converged only if its certificate holds. `certified` gives
    one to any solution.

    Parameters
    ----------
    problem : BalanceProblem
    starts : int, optional
        First flows to try for other minima; see `oretally.recon.solver.prepared.Prepared.solve`.
    near : ndarray, shape (n_carriers,), optional
        Flows of much the same problem: the first ones to try where one start is all that is tried.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    if starts is not None and operator.index(starts) < 1:
        raise ValueError(f"{starts} first flows: one at least is needed")
    linear = solve_linear(problem)
    if linear is not None and linear.converged:
        return linear
    reduced = None
    if not len(problem.proportion):
        ready = prepare(problem)
        reduced = ready.reduced
        if ready.blocks.alike:
            try:
                return _bulk(ready, starts, near)
            except np.linalg.LinAlgError:  # weights that differ beyond all digits
                pass
    return _in_general(problem, starts, near, reduced)


def _in_general(
    problem: BalanceProblem, starts: int | None, near: Floats | None,
    reduced: ReducedProblem | None,
) -> Solution:  # fmt: skip
    """Solve in natural variables; from what carries assays balanced alone, if nothing is nearer."""
    begin = assayed_alone(problem) if starts is None and near is None else None
    if begin is not None:
        found = solve_general(problem, near=begin, only_near=True, reduced=reduced)
        if found.converged and lower_is_likely(problem, found):
            found = _best(found, solve_general(problem, near=found.flow, reduced=reduced))
        if found.converged:
            return found
        other = solve_general(problem, reduced=reduced)
        return _at_cost_of(other, found, other)
    return solve_general(problem, starts, near, reduced=reduced)


def solve_certified(problem: BalanceProblem, starts: int | None = None) -> Solution:
    """Solve, and examine the answer of the fast ways too: what fails goes on to the general way."""
    found = certified(problem, solve(problem, starts))
    if found.converged or found.status is StopReason.RUNAWAY:
        return found
    return _best(found, solve_general(problem, starts))


def _bulk(ready: Prepared, starts: int | None, near: Floats | None) -> Solution:
    """Solve for bulk grades; look further where that fails, or where a measured stream stops."""
    problem = ready.problem
    if starts is None:
        quick = ready.at_once()
        if quick is not None:
            return quick
    found = certified(problem, ready.solve(starts=starts, near=near))
    if found.status is StopReason.RUNAWAY:
        return found
    if found.converged and not (starts is None and lower_is_likely(problem, found)):
        return found
    near = None if starts else found.flow
    others = [solve_general(problem, starts, near, reduced=ready.reduced)]
    further = starts is None and found.converged and problem.n_carriers <= _AFFORDABLE
    if further and ready.searches:
        others.append(certified(problem, ready.solve(starts=_FURTHER)))
    best = _best(found, *others)
    return best if best.flow is found.flow else replace(best, starts=found.starts, agreeing=1)


def _best(found: Solution, *others: Solution) -> Solution:
    """Return the best of what was found, others only if they converged; it cost all of them."""
    best = found
    for other in others:
        best = other if other.converged and better(other, best) else best
    return _at_cost_of(best, found, *others)


def _at_cost_of(found: Solution, *tried: Solution) -> Solution:
    return replace(found, general_iterations=sum(each.general_iterations for each in tried))


def certified(problem: BalanceProblem, found: Solution) -> Solution:
    """Return a solution with its certificate; converged only if that holds."""
    if found.certificate is not None:
        return found
    with one_thread():
        certificate = certify(problem, found.flow, found.grade)
    status = found.status
    if status in GOOD and not certificate.holds:
        status = StopReason.NO_STEP
    if status not in GOOD and status is not StopReason.RUNAWAY and certificate.holds:
        status = StopReason.OPTIMUM
    return replace(found, certificate=certificate, converged=certificate.holds, status=status)
