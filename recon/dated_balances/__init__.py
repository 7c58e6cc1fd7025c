"""Surveys of a campaign in the order of time, each balanced by itself.

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

__all__ = [
    "DatedBalance",
    "NoDatedBalance",
    "Timeline",
    "balanced_in_time",
    "dated_balance",
    "in_time",
]
