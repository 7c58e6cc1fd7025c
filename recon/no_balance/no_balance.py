"""What is left of a balance when there is none: what was measured, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import BalanceModel
from oretally.recon.answers import (
    calculated_heads,
    closures,
    measured_value,
    never_by_size,
    open_notes,
)
from oretally.recon.leach_and_stocks import impossible_stocks
from oretally.recon.no_balance.unbalanced import why_unbalanced
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
    model : BalanceModel
    solution : Solution
        Where the search ended.
    feeds, products : sequence of str
    alpha : float
    rates : ErrorRates
    """

    model: BalanceModel
    solution: Solution
    feeds: Sequence[str]
    products: Sequence[str]
    alpha: float
    rates: ErrorRates

    def balance(self, trials: int | None = None) -> Balance:
        """Return a balance without adjusted values or answers, that says why there are none."""
        model, solution, gaps = self.model, self.solution, closures(self.model)
        dof = solution.classes.degrees_of_freedom
        return Balance(
            circuit=model.circuit,
            survey=model.survey,
            feeds=tuple(self.feeds),
            products=tuple(self.products),
            converged=False,
            status=solution.status.value,
            iterations=solution.iterations,
            objective=solution.objective,
            stationarity=solution.stationarity,
            certificate=solution.certificate,
            max_imbalance=solution.max_imbalance,
            global_test=GlobalTest(solution.objective, dof, None, self.alpha, None),
            values=self._values(),
            closures=gaps,
            heads=calculated_heads(model, self.feeds, self.products),
            recoveries=(),
            separations=(),
            formulas=(),
            budgets=(),
            amounts=(),
            sizes=SizeResults(),
            extractions=(),
            inventories=(),
            gross_errors=GrossErrors(rates=self.rates),
            notes=tuple(open_notes(model, solution.classes)),
            contradictions=impossible_stocks(model),
            unbalanced=why_unbalanced(
                model, solution, gaps, alpha=self.alpha,
                rates=self.rates.in_survey(len(model.survey.measurements)),
                most=trials,
            ),
        )  # fmt: skip

    def _values(self) -> tuple[BalancedValue, ...]:
        never = never_by_size(self.model)
        return tuple(
            measured_value(row, self.model, self.solution.classes)
            for row in self.model.positions.rows
            if self.model.survey.measured(row.stream, row.quantity) is not None
            or (row.stream, row.quantity) not in never
        )
