"""A balance problem after presolve, and what its balances can say of each value."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.reduction.analyte_problem import AnalyteProblem
from oretally.recon.reduction.flow_basis import FlowBasis
from oretally.recon.reduction.observability import Classes, generic_classes

__all__ = ["ReducedProblem"]


@dataclass(frozen=True, eq=False)
class ReducedProblem:
    """A balance problem after presolve.

    Attributes
    ----------
    basis : FlowBasis
        All flows that satisfy the flow balances: F = offset + Z u.
    flow, flow_weight : ndarray, shape (n_carriers,)
        Measured flows (0 where not measured) and 1/sd^2 (0 where not measured).
    flow_lower : ndarray, shape (n_carriers,)
    flow_scale : float
        Flows here times flow_scale are flows of the balance problem.
    analytes : tuple of AnalyteProblem
    known_classes : Classes or None
        What is known of each value, where the balances here are linearised at a point that is not
        generic and cannot tell it.
    """

    basis: FlowBasis
    flow: Floats
    flow_weight: Floats
    flow_lower: Floats
    flow_scale: float
    analytes: tuple[AnalyteProblem, ...]
    known_classes: Classes | None = None

    @property
    def flow_measured(self) -> Bools:
        """Carriers whose flow was measured, shape (n_carriers,)."""
        return self.flow_weight > 0.0

    @cached_property
    def classes(self) -> Classes:
        """What is known of each value."""
        if self.known_classes is not None:
            return self.known_classes
        return generic_classes(self.basis, self.flow_measured, self.analytes)
