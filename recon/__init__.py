"""What follows from a survey: solver, observability, covariance, answers.

Names are imported when they are used: the folders below stand on each other, not on this door.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from oretally.recon.checking import Check, CheckedValue, check
    from oretally.recon.reconciliation import reconcile
    from oretally.recon.result import Balance, BalancedValue, Simulation, ValueClass
    from oretally.recon.simulation import simulate

__all__ = [
    "Balance",
    "BalancedValue",
    "Check",
    "CheckedValue",
    "Simulation",
    "ValueClass",
    "check",
    "reconcile",
    "simulate",
]

_HOME = {
    "Balance": "result",
    "BalancedValue": "result",
    "Check": "checking",
    "Simulation": "result",
    "ValueClass": "result",
    "CheckedValue": "checking",
    "check": "checking",
    "reconcile": "reconciliation",
    "simulate": "simulation",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = found
    return found
