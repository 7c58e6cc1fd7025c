"""A primal-dual interior point on a balance problem in its natural variables.

The barrier is mu sum (r - log r) over the distances r to the bounds, in units of the first ones: it
pulls neither to 0 nor to infinity, so that what no measurement determines comes to rest at one
place while mu goes to 0, and nothing else waits for it.

References
----------
A. Waechter and L.T. Biegler, On the implementation of an interior-point filter line-search
algorithm for large-scale nonlinear programming, Mathematical Programming 106 (2006) 25-57; J.
Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), chapter 19. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.natural.barrier import Barrier, Filter
from oretally.recon.natural.natural_form import NaturalForm, Point
from oretally.recon.natural.newton_system import Hessian, NewtonSystem, Step
from oretally.recon.natural.slacks import (
    Slacks,
    Start,
    against_bounds,
    longest_step,
    slack_change,
    slacks,
)

__all__ = ["InteriorPoint", "interior_point"]


_LAST_BARRIER = 1e-9  # in units of the objective
_VANISHED = 1e-13  # the barrier at the end
_HOLD = 1e-7  # damping at the end, so that what nothing determines stays where it is
_CLOSE_TO_END, _LITTLE_OPEN, _NO_GAIN = 1e-8, 1e-9, 1e-12  # barrier, balances, objective
_NO_LESS = 0.5  # of the errors before a step, from which only rounding is left
_ROUNDING = 1e-6  # errors with which a search may end that no step improves
_FALL, _POWER = 0.2, 1.5  # of the barrier
_NEAR = 10.0  # errors below this many times the barrier end a round
_INSIDE = 0.95  # share of the way to a bound that a step may go
_ITERATIONS = 150
_DAMPING = (1e-9, 8.0, 1.0 / 3.0, 1e12)  # of the curvature: first, growth, memory, last
_RETRIES = (1e-6, 1e-4, 1e-2, 1.0)  # dampings, where no step is accepted
_SHORTEST = 1e-8  # step
_SPREAD = 1e10  # of a multiplier about mu / slack
_FAINT = 1e-9  # of the size of a balance at first: less is not told apart
_RUNAWAY = 1e7  # flows beyond this many times the largest size grow without limit


@dataclass(frozen=True, eq=False)
class InteriorPoint:
    """What the search came to.

    Attributes
    ----------
    point : Point
    multiplier : ndarray, shape (n_rows,)
    slack, push : Slacks
        Distances to the bounds, and their multipliers.
    iterations : int
    ended : bool
        Whether the errors fell below those of the last barrier.
    runaway : bool
        Whether a flow grew without limit.
    """

    point: Point
    multiplier: Floats
    slack: Slacks
    push: Slacks
    iterations: int
    ended: bool
    runaway: bool = False


class _Search:
    """State of one search."""

    def __init__(self, form: NaturalForm, start: Start) -> None:
        self.form, self.start = form, start
        self.system = NewtonSystem(form, start.flow_size, start.cell_size, start.row_size)
        self.point = start.point
        self.slack = slacks(form, start.point)
        unit = Slacks(*(np.where(np.isfinite(s), s, np.inf) for s in self.slack.parts()))
        self.barrier = Barrier(form, unit, start.row_size, start.barrier)
        self.push = Slacks(*(self.barrier.mu / s for s in self.slack.parts()))
        self.damping = 0.0
        self.multiplier = self._first_multipliers()
        self.filter = Filter(self.barrier, self.point)

    def _first_multipliers(self) -> Floats:
        """Return multipliers that leave least of the gradient."""
        none = Hessian(
            self.start.flow_size**-2.0, self.start.cell_size**-2.0,
            np.zeros_like(self.start.cell_size), whole=False,
        )  # fmt: skip
        nothing = np.zeros(self.form.n_rows)
        if not self.system.factor(self.point, nothing, none):
            return nothing
        by_flow, by_cell = self.barrier.slope(self.point, self.slack)
        found = self.system.solve(-by_flow, -by_cell, nothing).multiplier
        large = np.abs(found * self.barrier.row_size).max(initial=0.0) > 1e3
        return nothing if large or not np.isfinite(found).all() else found

    def _dual_rest(self) -> tuple[Floats, Floats]:
        """Return the gradient of the Lagrangian with the multipliers of the bounds."""
        by_flow, by_cell = self.form.gradient(self.point)
        row_flow, row_cell = self.form.through_rows(self.point, self.multiplier)
        push = Slacks(*(
            z - self.barrier.mu / u
            for z, u in zip(self.push.parts(), self.barrier.unit.parts(), strict=True)
        ))  # fmt: skip
        bound_flow, bound_cell = against_bounds(self.form, push)
        return (
            np.where(self.form.known, 0.0, by_flow + row_flow - bound_flow),
            by_cell + row_cell - bound_cell,
        )

    def error(self) -> float:
        """Return the largest error of the barrier problem, in units of the objective."""
        by_flow, by_cell = self._dual_rest()
        cell_size, flow_size = self.system.sizes_at(self.point)
        pushes = [
            float(np.abs(z[np.isfinite(s)] * s[np.isfinite(s)]).sum())
            for s, z in zip(self.slack.parts(), self.push.parts(), strict=True)
        ]
        n = self.form.n_rows + by_flow.size + by_cell.size
        weight = sum(pushes) + float(np.abs(self.multiplier * self.barrier.row_size).sum())
        scale = max(1.0, weight / (100.0 * n))
        middle = [
            float(np.abs(s[np.isfinite(s)] * z[np.isfinite(s)] - self.barrier.mu).max(initial=0.0))
            for s, z in zip(self.slack.parts(), self.push.parts(), strict=True)
        ]
        return max(
            float(np.abs(by_flow * flow_size).max(initial=0.0)) / scale,
            float(np.abs(by_cell * cell_size).max(initial=0.0)) / scale,
            float(np.abs(self.form.residual(self.point) / self.barrier.row_size).max(initial=0.0)),
            *(m / scale for m in middle),
        )

    def run(self) -> InteriorPoint:
        """Search."""
        for iteration in range(_ITERATIONS):
            while self.error() <= _NEAR * self.barrier.mu:
                if self.barrier.mu <= _LAST_BARRIER:
                    self._sharpen()
                    return self._found(iteration, ended=True)
                self.barrier.mu = max(
                    _LAST_BARRIER, min(_FALL * self.barrier.mu, self.barrier.mu**_POWER)
                )
                self._rescale()
            step = self._step()
            if step is not None and self._idle(step):
                self._sharpen()
                return self._found(iteration, ended=True)
            if step is None or not (self._advance(step) or self._shorter() or self._closer()):
                near = self.error() <= _ROUNDING
                if near:
                    self._sharpen()
                return self._found(iteration, ended=near)
            if np.abs(self.point.flow / self.start.flow_size).max(initial=0.0) > _RUNAWAY:
                return replace(self._found(iteration, ended=False), runaway=True)
        return self._found(_ITERATIONS, ended=False)

    def _idle(self, step: Step) -> bool:
        """Tell whether a step close to the end has nothing more to gain."""
        if self.barrier.mu > _CLOSE_TO_END or self.barrier.gap(self.point) > _LITTLE_OPEN:
            return False
        by_flow, by_cell = self.barrier.slope(self.point, self.slack)
        gain = abs(float(by_flow @ step.flow + by_cell @ step.cell))
        return gain <= _NO_GAIN * (1.0 + self.form.objective(self.point))

    def _rescale(self) -> None:
        """Count the balances in units of what passes now; what was left of the filter goes."""
        passing = self.form.passing(self.point)
        self.barrier.row_size = np.clip(passing, _FAINT * self.start.row_size, self.start.row_size)
        self.system.row_size = self.barrier.row_size
        self.filter = Filter(self.barrier, self.point)

    def _sharpen(self) -> None:
        """Let the barrier all but vanish, by whole steps, as long as the errors follow.

        Close to the end a line search sees nothing but rounding.
        """
        while self.barrier.mu > _VANISHED:
            self.barrier.mu, error = max(0.1 * self.barrier.mu, _VANISHED), np.inf
            before = self.point, self.slack, self.push, self.multiplier
            for _ in range(3):
                step = self._step(_HOLD)
                if step is None:
                    break
                change = slack_change(self.form, step)
                length = longest_step(self.slack, change, _INSIDE)
                trial = self.point.moved(length, step.flow, step.cell)
                if not slacks(self.form, trial).smallest() > 0.0:
                    break
                self._take(trial, step, length, change, _INSIDE)
                then, error = error, self.error()
                if error <= _NEAR * self.barrier.mu or error > _NO_LESS * then:
                    break  # there, or what is left is rounding
            if error == np.inf:  # no step was taken
                error = self.error()
            if not error <= 1e3 * self.barrier.mu + 1e-11:
                self.point, self.slack, self.push, self.multiplier = before
                return

    def _found(self, iterations: int, *, ended: bool) -> InteriorPoint:
        return InteriorPoint(self.point, self.multiplier, self.slack, self.push, iterations, ended)

    def _step(self, least: float = 0.0) -> Step | None:
        """Return the Newton step with as little damping as makes it one of descent, or None."""
        first, growth, memory, last = _DAMPING
        bend = [z / s for z, s in zip(self.push.parts(), self.slack.parts(), strict=True)]
        # what the last step needed the next one mostly needs too
        damping = max(least, memory * self.damping if self.damping > first else 0.0)
        while True:
            curvature = Hessian(bend[0], bend[1], bend[2], damping=damping)
            if self.system.factor(self.point, self.multiplier, curvature):
                break
            damping = max(first, growth * damping)
            if damping > last:
                return None
        self.damping = damping if damping > least else 0.0
        return self._solved(self.form.residual(self.point))

    def _solved(self, gap: Floats) -> Step:
        by_flow, by_cell = self.barrier.slope(self.point, self.slack)
        row_flow, row_cell = self.form.through_rows(self.point, self.multiplier)
        return self.system.solve(-by_flow - row_flow, -by_cell - row_cell, -gap)

    def _advance(self, step: Step) -> bool:
        """Take the longest part of a step that the filter accepts; False if none does."""
        change = slack_change(self.form, step)
        share = max(_INSIDE, 1.0 - self.barrier.mu)
        longest = longest_step(self.slack, change, share)
        gap = self.barrier.gap(self.point)
        value = self.barrier.value(self.point, self.slack)
        by_flow, by_cell = self.barrier.slope(self.point, self.slack)
        slope = float(by_flow @ step.flow + by_cell @ step.cell)
        length, first = longest, True
        while length > _SHORTEST:
            trial = self.point.moved(length, step.flow, step.cell)
            verdict = self.filter.accepted(trial, length, gap, value=value, slope=slope)
            if verdict is None and first and self.barrier.gap(trial) >= gap:
                # the step that also takes off what the first one leaves of the balances
                left = self.form.residual(trial)
                corrected = self._solved(length * self.form.residual(self.point) + left)
                ahead = longest_step(self.slack, slack_change(self.form, corrected), share)
                other = self.point.moved(ahead, corrected.flow, corrected.cell)
                verdict = self.filter.accepted(other, ahead, gap, value=value, slope=slope)
                if verdict is not None:
                    trial, step, length = other, corrected, ahead
                    change = slack_change(self.form, step)
            if verdict is not None:
                if not verdict:
                    self.filter.add(gap, value)
                self._take(trial, step, length, change, share)
                return True
            length, first = 0.5 * length, False
        return False

    def _shorter(self) -> bool:
        """Try ever more damped steps; False if the filter accepts none."""
        for damping in _RETRIES:
            step = self._step(max(damping, self.damping))
            if step is not None and self._advance(step):
                return True
        return False

    def _take(self, trial: Point, step: Step, length: float, change: Slacks, share: float) -> None:
        pushes = []
        with np.errstate(invalid="ignore"):
            for s, z, d in zip(self.slack.parts(), self.push.parts(), change.parts(), strict=True):
                pushes.append(self.barrier.mu / s - z - z / s * d)
        moved = Slacks(*pushes)
        ahead = longest_step(self.push, moved, share)
        self.point, self.slack = trial, slacks(self.form, trial)
        self.multiplier = self.multiplier + length * step.multiplier
        self.push = Slacks(*(
            np.clip(z + ahead * d, self.barrier.mu / (_SPREAD * s), _SPREAD * self.barrier.mu / s)
            for z, d, s in zip(
                self.push.parts(), moved.parts(), self.slack.parts(), strict=True)
        ))  # fmt: skip

    def _closer(self) -> bool:
        """Go towards the balances by least squares until the filter accepts; False if it fails."""
        gap = self.barrier.gap(self.point)
        value = self.barrier.value(self.point, self.slack)
        self.filter.add(gap, value)
        nothing = np.zeros(self.form.n_rows)
        for _ in range(30):
            if self.barrier.gap(self.point) <= 1e-13:
                break
            near = [np.minimum(s, u) ** -2.0 for s, u in
                    zip(self.slack.parts(), self.barrier.unit.parts(), strict=True)]  # fmt: skip
            size = self.start
            curvature = Hessian(
                near[0] + size.flow_size**-2.0, near[1] + size.cell_size**-2.0, near[2],
                whole=False,
            )  # fmt: skip
            if not self.system.factor(self.point, nothing, curvature):
                return False
            step = self.system.solve(
                np.zeros(self.form.n_flows), np.zeros_like(size.cell_size),
                -self.form.residual(self.point),
            )  # fmt: skip
            change = slack_change(self.form, step)
            length = longest_step(self.slack, change, _INSIDE)
            before = self.barrier.gap(self.point)
            for _ in range(12):
                trial = self.point.moved(length, step.flow, step.cell)
                if self.barrier.gap(trial) <= (1.0 - 1e-4 * length) * before:
                    break
                length *= 0.5
            else:
                return False
            self.point, self.slack = trial, slacks(self.form, trial)
            now, then = self.barrier.gap(trial), self.barrier.value(trial, self.slack)
            if now <= 0.9 * gap and all(now < g or then < v for g, v in self.filter.pairs):
                break
        self.push = Slacks(*(
            np.clip(z, self.barrier.mu / (_SPREAD * s), _SPREAD * self.barrier.mu / s)
            for z, s in zip(self.push.parts(), self.slack.parts(), strict=True)
        ))  # fmt: skip
        self.multiplier = self._first_multipliers()
        return self.barrier.gap(self.point) < gap


def interior_point(form: NaturalForm, start: Start) -> InteriorPoint:
    """Search for the minimum from a point inside all bounds.

    Parameters
    ----------
    form : NaturalForm
    start : Start
    """
    return _Search(form, start).run()
