"""The barrier objective of the interior point, and the filter that says which steps count.

Sources: `oretally.recon.natural.interior_point`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.natural.natural_form import NaturalForm, Point
from oretally.recon.natural.slacks import Slacks, against_bounds, slacks

__all__ = ["Barrier", "Filter"]

_MARGIN = 1e-5  # of the filter: gain of closeness, and of the objective by it
_DESCENT = 1e-4  # share of the predicted gain that a step must bring (Armijo)


@dataclass(eq=False)
class Barrier:
    """The barrier objective, its gradient, and how far the balances are open."""

    form: NaturalForm
    unit: Slacks
    row_size: Floats
    mu: float

    def gap(self, point: Point) -> float:
        """Return how far the balances are open, in units of what passes."""
        return float(np.abs(self.form.residual(point) / self.row_size).sum())

    def slope(self, point: Point, slack: Slacks) -> tuple[Floats, Floats]:
        """Return the gradient of the barrier objective."""
        by_flow, by_cell = self.form.gradient(point)
        push = Slacks(*(
            self.mu / s - self.mu / u
            for s, u in zip(slack.parts(), self.unit.parts(), strict=True)
        ))  # fmt: skip
        bound_flow, bound_cell = against_bounds(self.form, push)
        return by_flow - bound_flow, by_cell - bound_cell

    def value(self, point: Point, slack: Slacks) -> float:
        """Return the objective with the logarithms of the slacks."""
        total = 0.0
        for s, u in zip(slack.parts(), self.unit.parts(), strict=True):
            seen = np.isfinite(u)
            ratio = s[seen] / u[seen]
            if (ratio <= 0.0).any():
                return np.inf
            total += float((ratio - np.log(ratio)).sum())
        return self.form.objective(point) + self.mu * total


class Filter:
    """What a step must improve on: pairs of open balances and barrier objective met before."""

    def __init__(self, barrier: Barrier, point: Point) -> None:
        self.barrier, self.pairs = barrier, list[tuple[float, float]]()
        self.largest_gap = 1e4 * max(1.0, barrier.gap(point))

    def add(self, gap: float, value: float) -> None:
        """Keep away from a point from now on."""
        self.pairs.append(((1.0 - _MARGIN) * gap, value - _MARGIN * gap))

    def accepted(
        self, trial: Point, length: float, gap: float, *, value: float, slope: float
    ) -> bool | None:
        """Return True for a step that lowers the objective, False for one by the filter."""
        small = 1e-4 * max(1.0, self.largest_gap / 1e4)
        slack = slacks(self.barrier.form, trial)
        if not slack.smallest() > 0.0:
            return None
        gap_then, value_then = self.barrier.gap(trial), self.barrier.value(trial, slack)
        if not np.isfinite(value_then) or gap_then > self.largest_gap:
            return None
        rounding = 1e-14 * (1.0 + abs(value))
        descends = slope < 0.0 and length * (-slope) ** 2.3 > gap**1.1
        if gap <= small and descends:
            good = value_then <= value + _DESCENT * length * slope + 10.0 * rounding
        else:
            good = gap_then <= (1.0 - _MARGIN) * gap or (
                value_then <= value - _MARGIN * gap + rounding
            )
        good = good and all(gap_then < g or value_then < v + rounding for g, v in self.pairs)
        if not good:
            return None
        return bool(gap <= small and descends)
