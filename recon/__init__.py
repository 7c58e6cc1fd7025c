"""What follows from a survey: solver, observability, covariance, answers."""

from oretally.recon.balance import Balance, BalancedValue, ValueClass
from oretally.recon.examine import Examination, ValueStatus, examine
from oretally.recon.reconcile import reconcile

__all__ = [
    "Balance",
    "BalancedValue",
    "Examination",
    "ValueClass",
    "ValueStatus",
    "examine",
    "reconcile",
]
