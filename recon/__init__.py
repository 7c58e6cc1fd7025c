"""What follows from a survey: solver, observability, covariance, answers.

Names are imported when they are used: the folders below stand on each other, not on this door.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.recon.checking import Check, CheckedValue, check
    from oretally.recon.comparison import compare
    from oretally.recon.many_surveys import reconcile_many
    from oretally.recon.reconciliation import reconcile
    from oretally.recon.reduction import Classes, classify
    from oretally.recon.result import Balance, BalancedValue, Simulation, ValueClass
    from oretally.recon.signatures import Signatures, signatures_of
    from oretally.recon.simulation import simulate
    from oretally.recon.solution import Solution, certify
    from oretally.recon.solver import Covariance, prepare, propagate, solve
else:
    __getattr__ = late_names(__name__, {
        "checking": "Check CheckedValue check",
        "comparison": "compare",
        "many_surveys": "reconcile_many",
        "reconciliation": "reconcile",
        "reduction": "Classes classify",
        "result": "Balance BalancedValue Simulation ValueClass",
        "signatures": "Signatures signatures_of",
        "simulation": "simulate",
        "solution": "Solution certify",
        "solver": "Covariance prepare propagate solve",
    })  # fmt: skip

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
    "reconcile_many",
    "signatures_of",
    "simulate",
    "solve",
]
