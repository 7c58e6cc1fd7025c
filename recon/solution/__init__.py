"""What a balance comes to, and whether it is a minimum of the problem as stated.

Read ``solution``, then ``certificate``.
"""

from oretally.recon.solution.balance_check import BalanceCheck
from oretally.recon.solution.certificate import certify
from oretally.recon.solution.many_solutions import (
    ManySolutions,
    gathered,
    joined,
    none_of,
    replaced,
    unsolved,
)
from oretally.recon.solution.solution import (
    GOOD,
    GROWN,
    Solution,
    StopReason,
    better,
    lower,
    lower_is_likely,
    sum_of_squares,
)
from oretally.recon.solution.stated_problem import same_flow

__all__ = [
    "GOOD",
    "GROWN",
    "BalanceCheck",
    "ManySolutions",
    "Solution",
    "StopReason",
    "better",
    "certify",
    "gathered",
    "joined",
    "lower",
    "lower_is_likely",
    "none_of",
    "replaced",
    "same_flow",
    "sum_of_squares",
    "unsolved",
]
