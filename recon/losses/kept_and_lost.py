"""The products of a balance as losses see them: what is kept, what is lost, how much of it.

A product is lost to an analyte if it is not kept. Unless it is said which products are lost, the
richest one is kept and all others are lost. Of an analyte that is dissolved, what takes it up
(carbon, a precipitate) is kept, and the solution that leaves with most of it if that has more. An
analyte that no product is enriched in is not read.

    share of an analyte  sum P p / (F f)        enrichment  p / f

of streams with flows P and grades p from a feed F of grade f. Which products count as lost: common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.survey import DECLARED_LOSS, Run
from oretally.recon.answers import Answers
from oretally.recon.losses.deciding_test import StatedAssays, stated_assays
from oretally.recon.propagation import Adjusted, adjusted, estimate, total
from oretally.recon.result import LEAST_ENRICHMENT, Estimate
from oretally.recon.solver import Covariance

__all__ = ["LossValues"]


@dataclass(frozen=True)
class LossValues:
    """Products of one balance; streams by number, values in base units."""

    answers: Answers

    @property
    def model(self) -> BalanceModel:
        """What was balanced."""
        return self.answers.model

    @property
    def covariance(self) -> Covariance:
        """Of its adjusted values."""
        return self.answers.covariance

    @cached_property
    def stated(self) -> StatedAssays:
        """What the survey states of the errors of assays."""
        return stated_assays(self.model)

    def at(self, k: int | None, j: int) -> Adjusted:
        """Return a flow or a grade."""
        return adjusted(self.covariance, Position(k, j))

    def estimate(self, found: Adjusted) -> Estimate | None:
        """Return a value with its sd; None where the balance does not determine it."""
        return estimate(self.covariance, found)

    def solids(self, j: int) -> bool:
        """Return whether a stream carries solids."""
        return self.model.circuit.streams[j].content.has_solids

    @property
    def solid_head(self) -> bool:
        """Whether any feed carries solids."""
        return any(map(self.solids, self.answers.feeds))

    def metal(self, k: int, j: int) -> float:
        """Return how much of an analyte a stream has, in solids and solution."""
        return self.answers.held(k, j).value

    def products(self, k: int) -> list[int]:
        """Return the products whose content of an analyte is known and measured."""
        flow = self.model.survey.basis.quantity
        found = []
        for j in self.answers.products:
            m = self.model.survey.measured(self.answers.streams[j], flow)
            declared = m is not None and m.error_source == DECLARED_LOSS
            if not declared and np.isfinite(self.metal(k, j)):
                found.append(j)
        return found

    def several(self, k: int) -> bool:
        """Return whether there is a choice between products."""
        return len(self.products(k)) > 1 and np.isfinite(self.answers.fed(k).value)

    def kept(self, k: int, lost: Sequence[str] | None) -> list[int]:
        """Return the products that count as recovered; empty if the analyte is not read."""
        products = self.products(k)
        if not self.several(k):
            return []
        if lost is not None:
            kept = [j for j in products if self.answers.streams[j] not in lost]
            rest = [j for j in products if j not in kept]
            return kept if kept and rest and self._mean(k, kept) > self._mean(k, rest) else []
        if k in self.model.carriers.dissolved:
            taken = [j for j in products if self.model.circuit.streams[j].takes_up]
            rest = [j for j in products if not self.solids(j)]
            best = max(rest, key=lambda j: (self.metal(k, j), -j), default=None)
            if best is not None and self.metal(k, best) > sum(self.metal(k, j) for j in taken):
                taken.append(best)
            if taken:
                return sorted(taken)
        told = self.covariance.grade_determined[k]  # what these numbers do not tell is not rich
        richest = max(products, key=lambda j: (bool(told[j]), self.at(k, j).value, -j))
        return [richest] if self._enriched(k, richest) else []

    def _enriched(self, k: int, j: int) -> bool:
        return self.at(k, j).value >= LEAST_ENRICHMENT * self.answers.head(k).value

    def _mean(self, k: int, streams: list[int]) -> float:
        whole = [self.answers.whole(k, j) for j in streams]
        return sum(self.metal(k, j) for j in streams) / sum(self.at(None, at).value for at in whole)

    def share(self, k: int, streams: Sequence[int]) -> Adjusted:
        """Return what share of an analyte of the feed some streams have together. [1]."""
        return total(self.answers.held(k, j) for j in streams) / self.answers.fed(k)

    def class_flows(self, j: int) -> list[Adjusted]:
        """Return the flows of the size classes of a stream; empty without sizes."""
        carriers = self.model.carriers
        return [self.at(None, at) for at in carriers.own_classes(j)] if self.classes(j) else []

    def classes(self, j: int) -> tuple[Run, ...]:
        """Return the size classes of a stream as runs of the grid; empty without sizes."""
        return self.model.carriers.class_runs.get(j, ())
