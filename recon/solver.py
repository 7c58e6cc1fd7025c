"""The balance: weighted least squares on flows and grades, exact in every balance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.recon.prepared import prepare
from oretally.recon.general import solve_general
from oretally.recon.solution import Solution, StopReason

__all__ = ["Solution", "StopReason", "solve"]

Floats = NDArray[np.float64]


def solve(
    problem: BalanceProblem, starts: int | None = None, near: Floats | None = None
) -> Solution:
    """Find the flows and grades nearest to the measured ones that balance exactly.

    Parameters
    ----------
    problem : BalanceProblem
    starts : int, optional
        First flows to try for other minima; see `oretally.recon.prepared.Prepared.solve`.
    near : ndarray, shape (n_carriers,), optional
        Flows of much the same problem: the first ones to try where one start is all that is tried.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    if len(problem.proportion):
        return solve_general(problem, starts, near)
    ready = prepare(problem)
    if ready.alike:
        return ready.solve(starts=starts, near=near)
    return solve_general(problem, starts, near)
