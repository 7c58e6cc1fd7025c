"""What values at a bound could be: one-sided limits in place of an error.

A grade that rests on its bound would lie beyond it were the bound not there: at b - a, with an sd s
that is that of the balance without the bound. The stated errors then leave of it the part of the
normal distribution N(b - a, s) that is inside the bound, and the limit is where 5 % of that part is
beyond. With c the distance of the unbounded value from the bound, negative, and P the normal
distribution function::

    limit = b + c + s z      with      1 - P(z) = 0.05 (1 - P(-c / s))

References
----------
The truncated normal as the state of knowledge of a quantity that cannot be negative: JCGM 101:2008,
6.4.7 and 8 (a known bound is part of the knowledge). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr, ndtri_exp

from oretally.flowsheet import BalanceProblem, NotBalanceable, Position
from oretally.recon.solution import Solution
from oretally.recon.solver.covariance import Covariance, propagate
from oretally.recon.solver.ways import solve

__all__ = ["LIMIT_LEVEL", "Released", "one_sided_limit", "released_bounds"]

LIMIT_LEVEL = 0.95  # of the one-sided limits
_MOST = 24  # values at bounds that are looked at: each is a balance of its own


@dataclass(frozen=True, eq=False)
class Released:
    """The balance without one bound.

    Attributes
    ----------
    covariance : Covariance
        With its solution.
    lower : bool
        Whether it is a lower bound that the value rests on.
    """

    covariance: Covariance
    lower: bool


def one_sided_limit(value: float, sd: float, bound: float, *, lower: bool) -> float:
    """Return the limit that a value inside its bound exceeds with a chance of 5 %.

    Parameters
    ----------
    value, sd : float
        Without the bound.
    bound : float
    lower : bool
        Whether the bound is a lower one; the limit is then an upper one.

    Examples
    --------
    >>> round(one_sided_limit(0.0, 1.0, 0.0, lower=True), 3)  # half a normal distribution
    1.96
    >>> round(one_sided_limit(5.0, 1.0, 0.0, lower=True), 3)
    6.645
    """
    sign = 1.0 if lower else -1.0
    c = sign * (value - bound) / sd
    # in logarithms, as far below its bound as the value may lie
    z = -ndtri_exp(np.log1p(-LIMIT_LEVEL) + log_ndtr(c))
    return float(bound + sign * sd * (c + z)) if np.isfinite(z) else float(bound)


def released_bounds(
    problem: BalanceProblem, solution: Solution, analytes: int
) -> Mapping[Position, Released]:
    """Return the balances without each bound that a determined grade rests on.

    Parameters
    ----------
    problem : BalanceProblem
    solution : Solution
        One that has converged.
    analytes : int
        Number of those that were assayed; shares of classes and solids follow and are left out.

    Returns
    -------
    mapping of Position to Released
        For all streams tied to each other the same object; at most 24 of them.
    """
    found: dict[Position, Released] = {}
    runs = np.isfinite(solution.grade) & solution.classes.grade_determined
    seen = set[tuple[int, int]]()
    for k, j in np.argwhere(solution.grade_at_bound & runs)[:, :2].tolist():
        label = int(problem.tie[j])
        if k >= analytes or (k, label) in seen or len(seen) >= _MOST:
            continue
        seen.add((k, label))
        tied = np.flatnonzero(problem.tie == label)
        low = abs(solution.grade[k, j] - problem.grade_lower[k, j]) <= abs(
            problem.grade_upper[k, j] - solution.grade[k, j]
        )
        name = "grade_lower" if low else "grade_upper"
        bounds = getattr(problem, name).copy()
        bounds[k, tied] = -np.inf if low else np.inf
        other = replace(problem, **{name: bounds})
        try:
            free = solve(other, near=solution.flow)
        except NotBalanceable:
            continue
        if free.converged:
            found |= dict.fromkeys(
                (Position(k, int(i)) for i in tied), Released(propagate(other, free), low)
            )
    return found
