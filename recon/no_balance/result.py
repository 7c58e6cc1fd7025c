"""What is left of a balance when there is none: what was measured, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import BalanceProblem, Circuit, Positions, Survey, positions
from oretally.recon.answers import (
    calculated_heads,
    closures,
    measured_value,
    never_by_size,
    open_notes,
)
from oretally.recon.leach_and_stocks import stock_notes
from oretally.recon.no_balance.unbalanced import MOST_TRIALS, why_unbalanced
from oretally.recon.result import (
    Balance,
    BalancedValue,
    ErrorRates,
    GlobalTest,
    GrossErrors,
    SizeResults,
)
from oretally.recon.solution import Solution

__all__ = ["NoBalance"]


@dataclass(frozen=True, eq=False)
class NoBalance:
    """A survey whose search for a balance ended without one.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
    problem : BalanceProblem
    solution : Solution
        Where the search ended.
    feed, products : str, sequence of str
    alpha : float
    rates : ErrorRates
    """

    circuit: Circuit
    survey: Survey
    problem: BalanceProblem
    solution: Solution
    feed: str
    products: Sequence[str]
    alpha: float
    rates: ErrorRates

    def balance(self, trials: int | None = None) -> Balance:
        """Return a balance without adjusted values or answers, that says why there are none."""
        circuit, survey, solution = self.circuit, self.survey, self.solution
        places, gaps = positions(circuit, survey), closures(circuit, survey)
        dof = solution.classes.degrees_of_freedom
        return Balance(
            circuit=circuit,
            survey=survey,
            feed=self.feed,
            products=tuple(self.products),
            converged=False,
            status=solution.status.value,
            iterations=solution.iterations,
            objective=solution.objective,
            stationarity=solution.stationarity,
            certificate=solution.certificate,
            max_imbalance=solution.max_imbalance,
            global_test=GlobalTest(solution.objective, dof, None, self.alpha, None),
            values=self._values(places),
            closures=gaps,
            heads=calculated_heads(circuit, survey, self.feed, self.products),
            recoveries=(),
            separations=(),
            formulas=(),
            budgets=(),
            amounts=(),
            sizes=SizeResults(),
            extractions=(),
            inventories=(),
            gross_errors=GrossErrors(rates=self.rates),
            notes=(
                *open_notes(circuit, survey, self.problem, solution.classes),
                *stock_notes(circuit, survey, self.feed, (), ()),
            ),
            unbalanced=why_unbalanced(
                circuit, survey, self.problem, solution, gaps,
                self.rates.in_survey(len(survey.measurements)), self.alpha,
                MOST_TRIALS if trials is None else trials,
            ),
        )  # fmt: skip

    def _values(self, places: Positions) -> tuple[BalancedValue, ...]:
        never = never_by_size(self.circuit, self.survey)
        return tuple(
            measured_value(row, places, self.survey, self.problem, self.solution.classes)
            for row in places.rows
            if self.survey.measured(row.stream, row.quantity) is not None
            or (row.stream, row.quantity) not in never
        )
