"""Where a search begins, and the distances to the bounds: linear in the natural variables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.natural.natural_form import NaturalForm, Point, summed_at
from oretally.recon.natural.newton_system import Step

__all__ = [
    "HeldBounds",
    "Slacks",
    "Start",
    "against_bounds",
    "longest_step",
    "slack_change",
    "slacks",
]


@dataclass(frozen=True, eq=False)
class Slacks:
    """Numbers of the bounds: of flows, and of the lower and upper bounds of the cells."""

    flow: Floats
    low: Floats
    high: Floats

    def parts(self) -> tuple[Floats, Floats, Floats]:
        """Return the three as a tuple."""
        return self.flow, self.low, self.high

    def smallest(self) -> float:
        """Return the smallest of all."""
        return min(float(part.min(initial=np.inf)) for part in self.parts())


@dataclass(frozen=True, eq=False)
class HeldBounds:
    """Which bounds hold: of flows, and lower and upper ones of the cells."""

    flow: Bools
    low: Bools
    high: Bools


@dataclass(frozen=True, eq=False)
class Start:
    """Where a search begins, and the sizes in which it counts.

    Attributes
    ----------
    point : Point
        Inside all bounds.
    flow_size, cell_size, row_size : ndarray, shape (n_flows,), (n_cells,), (n_rows,)
    barrier : float
        First barrier, in units of the objective.
    """

    point: Point
    flow_size: Floats
    cell_size: Floats
    row_size: Floats
    barrier: float


def slacks(form: NaturalForm, point: Point) -> Slacks:
    """Return the distances to the bounds, infinite where there is none."""
    c = form.cells
    flow = np.where(form.known, np.inf, point.flow - form.flow_lower)
    unit = np.where(c.amount, point.flow[c.carrier], 1.0)
    low = np.where(np.isfinite(c.lower), point.cell - c.lower_finite * unit, np.inf)
    high = np.where(np.isfinite(c.upper), c.upper_finite * unit - point.cell, np.inf)
    return Slacks(flow, low, high)


def slack_change(form: NaturalForm, step: Step) -> Slacks:
    """Return how the distances to the bounds change along a step; 0 where there is none."""
    c = form.cells
    unit = np.where(c.amount, step.flow[c.carrier], 0.0)
    return Slacks(
        np.where(np.isfinite(form.flow_lower), step.flow, 0.0),
        np.where(np.isfinite(c.lower), step.cell - c.lower_finite * unit, 0.0),
        np.where(np.isfinite(c.upper), c.upper_finite * unit - step.cell, 0.0),
    )


def against_bounds(form: NaturalForm, push: Slacks) -> tuple[Floats, Floats]:
    """Return the transposed derivative of the slacks times numbers of them: by flows, cells."""
    c = form.cells
    on_carrier = np.where(c.amount, c.upper_finite * push.high - c.lower_finite * push.low, 0.0)
    by_flow = push.flow + summed_at(c.carrier, on_carrier, form.n_flows)
    return by_flow, push.low - push.high


def longest_step(slack: Slacks, change: Slacks, share: float) -> float:
    """Return the longest step up to 1 that keeps a share of every slack."""
    length = 1.0
    for s, d in zip(slack.parts(), change.parts(), strict=True):
        down = d < 0.0
        if down.any():
            length = min(length, share * float((s[down] / -d[down]).min()))
    return length
