"""A circuit with its survey, and what follows from the two, worked out once, when asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from oretally.flowsheet.circuit import Circuit
from oretally.flowsheet.problem.assembly import problem_of
from oretally.flowsheet.problem.balance_problem import BalanceProblem
from oretally.flowsheet.problem.carriers import Carriers, carriers_of
from oretally.flowsheet.problem.positions import Positions, positions_of
from oretally.flowsheet.survey import Meaning, Survey, meanings

__all__ = ["BalanceModel", "balance_problem", "positions"]


@dataclass(frozen=True, eq=False)
class BalanceModel:
    """What is to be balanced.

    Attributes
    ----------
    circuit : Circuit
    survey : Survey
    """

    circuit: Circuit
    survey: Survey

    @cached_property
    def meanings(self) -> Mapping[str, Meaning]:
        """What every quantity of the survey means, in the order shown."""
        return meanings(self.survey)

    @cached_property
    def carriers(self) -> Carriers:
        """What of each stream has a flow and grades of its own."""
        return carriers_of(self.circuit, self.survey, self.meanings)

    @cached_property
    def positions(self) -> Positions:
        """Where each value, measurement and shared source stands in the arrays."""
        return positions_of(self.survey, self.carriers, self.meanings)

    @cached_property
    def problem(self) -> BalanceProblem:
        """The arrays."""
        return problem_of(self.circuit, self.survey, self.positions)


def positions(circuit: Circuit, survey: Survey) -> Positions:
    """Return where each value of a survey stands; see `Positions`."""
    return BalanceModel(circuit, survey).positions


def balance_problem(circuit: Circuit, survey: Survey) -> BalanceProblem:
    """Write a circuit and a survey as a balance problem; see `problem_of`."""
    return BalanceModel(circuit, survey).problem
