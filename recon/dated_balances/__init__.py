"""Surveys of a campaign in the order of time, each balanced by itself; numbers far from all others.

Read ``dated_balances``.
"""

from oretally.recon.dated_balances.dated_balances import (
    DatedBalance,
    NoDatedBalance,
    Timeline,
    balanced_in_time,
    dated_balance,
    in_time,
)
from oretally.recon.dated_balances.far_from_others import FarNumber, far_from_others

__all__ = [
    "DatedBalance",
    "FarNumber",
    "NoDatedBalance",
    "Timeline",
    "balanced_in_time",
    "dated_balance",
    "far_from_others",
    "in_time",
]
