"""The balance: weighted least squares on flows and grades, exact in every balance."""

from __future__ import annotations

from oretally.flowsheet import BalanceProblem
from oretally.recon.prepared import prepare
from oretally.recon.proportions import solve_in_proportion
from oretally.recon.solution import Solution, StopReason

__all__ = ["Solution", "StopReason", "solve"]


def solve(problem: BalanceProblem, starts: int | None = None) -> Solution:
    """Find the flows and grades nearest to the measured ones that balance exactly.

    Parameters
    ----------
    problem : BalanceProblem
    starts : int, optional
        First flows to try for other minima; see `oretally.recon.prepared.Prepared.solve`.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    if len(problem.proportion):
        return solve_in_proportion(problem, starts)
    return prepare(problem).solve(starts=starts)
