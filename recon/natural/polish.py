"""From an interior point to the minimum itself, with every bound either met exactly or free.

Near the minimum the multiplier of a bound that holds is large against its slack, and small where
it does not hold. With those that hold as equations Newton's method takes the last digits; what no
measurement determines stays where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.natural.interior_point import InteriorPoint
from oretally.recon.natural.natural_form import NaturalForm, Point
from oretally.recon.natural.newton_system import Hessian, NewtonSystem
from oretally.recon.natural.slacks import (
    HeldBounds,
    Slacks,
    Start,
    against_bounds,
    slack_change,
    slacks,
)

__all__ = ["Polished", "polished"]

_Parts = tuple[Floats, Floats, Floats]

_ROUNDS = 25
_STIFF = 1e9  # of a bound that holds, in units of the sizes
_IDLE_PUSH = 1e-6  # multiplier of a bound, in units of the objective, that holds nothing
_WRONG = 1e-9  # multiplier of a bound, in units of the objective, that is none
_DAMPING = 1e-5  # of what nothing determines, in units of the sizes
_MOST = 1e3  # ... if the curvature needs it
_IDLE = 4  # rounds that gain nothing, after which no more are made
_DONE = 1e-13  # errors that are rounding
_FAILED = 1e-6  # errors with which the interior point itself is better
_BELOW = 1e-12  # of the size: a slack that is 0


@dataclass(frozen=True, eq=False)
class Polished:
    """The minimum.

    Attributes
    ----------
    point : Point
    multiplier : ndarray, shape (n_rows,)
    held : HeldBounds
    pushed : HeldBounds
        Those of them that push: the others hold nothing.
    error : float
        What is left of the first-order conditions, in units of the objective.
    """

    point: Point
    multiplier: Floats
    held: HeldBounds
    pushed: HeldBounds
    error: float


def polished(form: NaturalForm, start: Start, found: InteriorPoint) -> Polished:
    """Take the last digits.

    Parameters
    ----------
    form : NaturalForm
    start : Start
        Whose sizes count.
    found : InteriorPoint
    """
    unit = Slacks(start.flow_size, start.cell_size, start.cell_size)
    held = [
        (s / u < z * u) & np.isfinite(s)
        for s, z, u in zip(found.slack.parts(), found.push.parts(), unit.parts(), strict=True)
    ]
    push = [np.where(h, z, 0.0) for h, z in zip(held, found.push.parts(), strict=True)]
    point, multiplier = found.point, found.multiplier
    row_size = np.maximum(form.passing(point), 1e-9 * start.row_size)
    system = NewtonSystem(form, unit.flow, unit.low, start.row_size)
    stiff = [_STIFF / u**2 for u in unit.parts()]
    none = _held([np.zeros(h.shape, dtype=bool) for h in held])
    nothing = Polished(point, multiplier, none, none, np.inf)
    best: Polished | None = None
    idle = 0
    for _ in range(_ROUNDS):
        slack = slacks(form, point).parts()
        by_flow, by_cell = form.gradient(point)
        row_flow, row_cell = form.through_rows(point, multiplier)
        bound_flow, bound_cell = against_bounds(form, Slacks(*push))
        rest_flow = np.where(form.known, 0.0, by_flow + row_flow - bound_flow)
        rest_cell = by_cell + row_cell - bound_cell
        gap = form.residual(point)
        open_ = max(float(np.abs(gap / row_size).max(initial=0.0)), _apart(slack, held, unit))
        bend = [np.where(h, k, 0.0) for h, k in zip(held, stiff, strict=True)]
        damping = _DAMPING
        while damping <= _MOST and not system.factor(
            point, multiplier, Hessian(bend[0], bend[1], bend[2], damping)
        ):
            damping *= 10.0
        if damping > _MOST:
            break
        wanted = Slacks(*(np.where(h, k * np.where(h, s, 0.0), 0.0)
                          for h, k, s in zip(held, bend, slack, strict=True)))  # fmt: skip
        stiff_flow, stiff_cell = against_bounds(form, wanted)
        step = system.solve(-rest_flow - stiff_flow, -rest_cell - stiff_cell, -gap)
        gain = 0.5 * abs(float(rest_flow @ step.flow + rest_cell @ step.cell))
        error = max(gain / (1.0 + form.objective(point)), open_)
        idle = 0 if best is None or error < 0.5 * best.error else idle + 1
        if _inside(slack, held, unit) and (best is None or error < best.error):
            pushed = [h & (z * u > _IDLE_PUSH)
                      for h, z, u in zip(held, push, unit.parts(), strict=True)]  # fmt: skip
            copies = [h.copy() for h in held]
            best = Polished(point, multiplier, _held(copies), _held(pushed), error)
        if (best is not None and best.error <= _DONE) or idle > _IDLE:
            break
        change = slack_change(form, step).parts()
        length = _to_the_next_bound(slack, held, change)
        trial = point.moved(length, step.flow, step.cell)
        after = slacks(form, trial).parts()
        ahead = [s + d for s, d in zip(slack, change, strict=True)]
        push = [
            np.where(h, z - length * k * np.where(h, s, 0.0), 0.0)
            for h, z, k, s in zip(held, push, bend, ahead, strict=True)
        ]
        for i, u in enumerate(unit.parts()):
            if length < 1.0:
                met = ~held[i] & (after[i] <= _BELOW * u)
                held[i] = held[i] | met
            else:
                held[i] = held[i] & ~(push[i] * u < -_WRONG)
            push[i] = np.where(held[i], push[i], 0.0)
        point, multiplier = trial, multiplier + length * step.multiplier
    return nothing if best is None or best.error > _FAILED else best


def _apart(slack: _Parts, held: list[Bools], unit: Slacks) -> float:
    """Return how far the bounds that hold are from being met, in units of the sizes."""
    return max(
        float(np.abs(s[h] / u[h]).max(initial=0.0))
        for s, h, u in zip(slack, held, unit.parts(), strict=True)
    )


def _inside(slack: _Parts, held: list[Bools], unit: Slacks) -> bool:
    """Tell whether no other bound is crossed."""
    return all(
        bool((s[~h] >= -_BELOW * u[~h]).all())
        for s, h, u in zip(slack, held, unit.parts(), strict=True)
    )


def _to_the_next_bound(slack: _Parts, held: list[Bools], change: _Parts) -> float:
    """Return the part of a step after which the first bound that does not hold is met."""
    length = 1.0
    for s, h, d in zip(slack, held, change, strict=True):
        down = ~h & (d < 0.0) & np.isfinite(s)
        length = min(length, float((np.maximum(s[down], 0.0) / -d[down]).min(initial=1.0)))
    return length


def _held(parts: list[Bools]) -> HeldBounds:
    flow, low, high = parts
    return HeldBounds(flow, low, high)
