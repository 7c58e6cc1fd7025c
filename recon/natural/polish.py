"""From an interior point to the minimum itself, with every bound either met exactly or free.

Near the minimum the multiplier of a bound that holds is large against its slack, and small where
it does not hold. With those that hold as equations Newton's method takes the last digits; what no
measurement determines stays where it is.

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), section 16.5: active sets. Cited
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.natural.interior_point import InteriorPoint
from oretally.recon.natural.natural_form import NaturalForm, Point
from oretally.recon.natural.newton_system import Hessian, NewtonSystem, Step
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


@dataclass(frozen=True, eq=False)
class _Iterate:
    """A point, its slacks, the bounds that hold there and their multipliers."""

    point: Point
    multiplier: Floats
    slack: _Parts
    held: list[Bools]
    push: list[Floats]

    def bend(self, unit: Slacks) -> list[Floats]:
        """Return the stiffness of the bounds that hold."""
        return [
            np.where(h, _STIFF / u**2, 0.0) for h, u in zip(self.held, unit.parts(), strict=True)
        ]


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
    at = _Iterate(found.point, found.multiplier, slacks(form, found.point).parts(), held, push)
    row_size = np.maximum(form.passing(found.point), 1e-9 * start.row_size)
    system = NewtonSystem(form, unit.flow, unit.low, start.row_size)
    best: Polished | None = None
    idle = 0
    for _ in range(_ROUNDS):
        newton = _newton_step(form, system, unit, at)
        if newton is None:
            break
        step, gain = newton
        gap = float(np.abs(form.residual(at.point) / row_size).max(initial=0.0))
        open_ = max(gap, _apart(at.slack, at.held, unit))
        error = max(gain / (1.0 + form.objective(at.point)), open_)
        idle = 0 if best is None or error < 0.5 * best.error else idle + 1
        if _inside(at.slack, at.held, unit) and (best is None or error < best.error):
            pushed = [h & (z * u > _IDLE_PUSH)
                      for h, z, u in zip(at.held, at.push, unit.parts(), strict=True)]  # fmt: skip
            best = Polished(
                at.point, at.multiplier, HeldBounds(*at.held), HeldBounds(*pushed), error
            )
        if (best is not None and best.error <= _DONE) or idle > _IDLE:
            break
        at = _after(form, unit, at, step)
    if best is None or best.error > _FAILED:
        none = HeldBounds(*(np.zeros(h.shape, dtype=bool) for h in held))
        return Polished(found.point, found.multiplier, none, none, np.inf)
    return best


def _newton_step(
    form: NaturalForm, system: NewtonSystem, unit: Slacks, at: _Iterate
) -> tuple[Step, float] | None:
    """Return the step with the bounds that hold as equations, and its gain; None if there is none.

    With as little damping of what nothing determines as the curvature needs.
    """
    by_flow, by_cell = form.gradient(at.point)
    row_flow, row_cell = form.through_rows(at.point, at.multiplier)
    bound_flow, bound_cell = against_bounds(form, Slacks(*at.push))
    rest_flow = np.where(form.known, 0.0, by_flow + row_flow - bound_flow)
    rest_cell = by_cell + row_cell - bound_cell
    bend = at.bend(unit)
    damping = _DAMPING
    while not system.factor(at.point, at.multiplier, Hessian(bend[0], bend[1], bend[2], damping)):
        damping *= 10.0
        if damping > _MOST:
            return None
    wanted = Slacks(*(np.where(h, k * np.where(h, s, 0.0), 0.0)
                      for h, k, s in zip(at.held, bend, at.slack, strict=True)))  # fmt: skip
    stiff_flow, stiff_cell = against_bounds(form, wanted)
    step = system.solve(-rest_flow - stiff_flow, -rest_cell - stiff_cell, -form.residual(at.point))
    return step, 0.5 * abs(float(rest_flow @ step.flow + rest_cell @ step.cell))


def _after(form: NaturalForm, unit: Slacks, at: _Iterate, step: Step) -> _Iterate:
    """Return what a step leads to: up to the next bound, which then holds, or all of it."""
    change = slack_change(form, step).parts()
    length = _to_the_next_bound(at.slack, at.held, change)
    point = at.point.moved(length, step.flow, step.cell)
    slack = slacks(form, point).parts()
    held, push = list[Bools](), list[Floats]()
    for h, z, k, s, d, then, u in zip(
        at.held, at.push, at.bend(unit), at.slack, change, slack, unit.parts(), strict=True
    ):
        pushed = np.where(h, z - length * k * np.where(h, s + d, 0.0), 0.0)
        if length < 1.0:
            holds = h | (~h & (then <= _BELOW * u))
        else:
            holds = h & ~(pushed * u < -_WRONG)
        held.append(holds)
        push.append(np.where(holds, pushed, 0.0))
    return _Iterate(point, at.multiplier + length * step.multiplier, slack, held, push)


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
