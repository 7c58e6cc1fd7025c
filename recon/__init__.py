"""What follows from a survey: solver, observability, covariance, answers.

Names are imported when they are used: the folders below stand on each other, not on this door.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from oretally.recon.checking import Check, CheckedValue, check
    from oretally.recon.comparison import compare
    from oretally.recon.reconciliation import reconcile
    from oretally.recon.reduction import Classes, classify
    from oretally.recon.result import Balance, BalancedValue, Simulation, ValueClass
    from oretally.recon.signatures import Signatures, signatures_of
    from oretally.recon.simulation import simulate
    from oretally.recon.solution import Solution, certify
    from oretally.recon.solver import Covariance, prepare, propagate, solve

__all__ = [
    "Balance",
    "BalancedValue",
    "Check",
    "CheckedValue",
    "Classes",
    "Covariance",
    "Signatures",
    "Simulation",
    "Solution",
    "ValueClass",
    "certify",
    "check",
    "classify",
    "compare",
    "prepare",
    "propagate",
    "reconcile",
    "signatures_of",
    "simulate",
    "solve",
]

_HOME = {
    "Balance": "result",
    "BalancedValue": "result",
    "Check": "checking",
    "CheckedValue": "checking",
    "Classes": "reduction",
    "Covariance": "solver",
    "Signatures": "signatures",
    "Simulation": "result",
    "Solution": "solution",
    "ValueClass": "result",
    "certify": "solution",
    "check": "checking",
    "classify": "reduction",
    "compare": "comparison",
    "prepare": "solver",
    "propagate": "solver",
    "reconcile": "reconciliation",
    "signatures_of": "signatures",
    "simulate": "simulation",
    "solve": "solver",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = found
    return found
