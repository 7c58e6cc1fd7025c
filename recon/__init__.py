"""What follows from a survey: solver, observability, covariance, answers."""

from oretally.recon.balance import Balance
from oretally.recon.balance_rows import BalancedValue, ValueClass
from oretally.recon.examine import Examination, ValueStatus, examine
from oretally.recon.reconcile import reconcile
from oretally.recon.simulation import Simulation, simulate

__all__ = [
    "Balance",
    "BalancedValue",
    "Examination",
    "Simulation",
    "ValueClass",
    "ValueStatus",
    "examine",
    "reconcile",
    "simulate",
]
