"""Newton's method on the flows of many surveys at once, where no flow meets its bound.

The first flows put the measured grades into the balances: equation-error least squares, with the
error that the grades give each balance at the flows found last. It is the two-product formula made
general (common practice, no source). Where a survey is not convex on the way, the semidefinite part
of the second derivatives takes their place. One that meets a bound on a flow, or is not convex at
its end, is left to `oretally.recon.careful.damped_newton`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.batch.curvature import Curvature, GradeSlopes
from oretally.recon.batch.inner_problem import Lanes
from oretally.recon.batch.lane_grades import GradeData, LanePoint
from oretally.recon.numerics import dense_factor, dense_products
from oretally.recon.reduction import FlowBasis

__all__ = [
    "MAX_ITERATIONS",
    "Engine",
    "LaneFlows",
    "LaneMinimum",
    "minimise_lanes",
    "starting_lanes",
]


_ROUNDS = 2  # the error of a balance depends on the flows: solved, then reweighted
MAX_ITERATIONS = 25
_GAIN = 1e-13  # a step that can gain no more than this share of the objective is the last one
_REST = 1e-21  # what a step must gain to be one: less moves no value by 1e-10 of its sd
_DESCENT = 1e-4  # share of the predicted gain that a step must bring (Armijo)
_HALVINGS = 12
_FEW, _STRAGGLERS = 16, 0.25  # surveys; share of more than those, that goes on by itself
_ROUNDING = 1e-14  # of the value: what is less is neither gained nor lost
_ROUNDING_FREE = 1e-9  # the same where grades are unmeasured, whose wide variance costs digits
_FAINT = 1e-7  # flows this far above their bound, as a share of the largest, may want to stop
_WEAKEST = 1e-12  # of the largest weight: first flows hang on numbers that are not lost beside it


@dataclass(frozen=True, eq=False)
class LaneFlows:
    """The flows' side of the problem, shared by all surveys.

    Attributes
    ----------
    basis : FlowBasis
    weight : ndarray, shape (n_carriers,) or (n_carriers, n_surveys)
        1/sd^2 of measured flows, else 0; of each survey, where their errors differ.
    lower : ndarray, shape (n_carriers,)
    """

    basis: FlowBasis
    weight: Floats
    lower: Floats

    @property
    def Z(self) -> Floats:
        """Directions in balance, shape (n_carriers, n_free)."""
        return self.basis.Z

    @cached_property
    def columns(self) -> Floats:
        """The weights as columns, shape (n_carriers, 1) or (n_carriers, n_surveys)."""
        return self.weight.reshape(self.weight.shape[0], -1)

    @cached_property
    def seen(self) -> Bools:
        """Where a flow was measured, in the shape of the weights."""
        return self.weight > 0.0

    @cached_property
    def bounded(self) -> Ints:
        """Carriers whose flow has a lower bound."""
        return np.flatnonzero(np.isfinite(self.lower))

    @cached_property
    def _floor(self) -> Floats:
        """Their bounds, as a column."""
        return np.asarray(self.lower[self.bounded, None])

    @cached_property
    def _fit(self) -> Floats:
        """Matrix that turns a guess of all flows into the flows in balance nearest to it."""
        seen = self.seen
        weight = self.weight[seen]
        # flows that were not measured are held weakly
        weak = 1e-3 * float(weight.min()) if seen.any() else 1.0
        total = np.where(seen, self.weight, weak)
        total = np.maximum(total, _WEAKEST * total.max(initial=0.0))
        H = self.Z.T @ (total[:, None] * self.Z)
        d = 1.0 / np.sqrt(np.diag(H))
        root = np.linalg.solve(H * d[:, None] * d, d[:, None] * self.Z.T * total)
        return np.asarray(self.Z @ (d[:, None] * root))

    def alone(self, measured: Floats) -> Floats:
        """Return flows in balance near the measured ones, shape (n_carriers, n_surveys)."""
        if self.weight.ndim > 1:
            return self._alone_each(measured)
        if self.seen.all():
            guess = measured
        else:
            typical = np.median(measured[self.seen], axis=0) if self.seen.any() else 1.0
            guess = np.where(self.seen[:, None], measured, typical)
        return np.asarray(
            self.basis.offset[:, None] + self._fit @ (guess - self.basis.offset[:, None])
        )

    def _alone_each(self, measured: Floats) -> Floats:
        """Return flows in balance, where each survey has weights of its own."""
        seen, guess = self.seen, measured
        if not seen.all():
            known = np.where(seen, measured, np.nan)
            known[:, ~seen.any(axis=0)] = 1.0
            guess = np.where(seen, measured, np.nanmedian(known, axis=0))
        least = np.where(seen, self.weight, np.inf).min(axis=0)
        weak = np.where(np.isfinite(least), 1e-3 * least, 1.0)
        total = np.where(seen, self.weight, weak)
        total = np.maximum(total, _WEAKEST * total.max(axis=0))
        Z, offset = self.Z, self.basis.offset[:, None]
        fit = dense_factor(Z.shape[1], dense_products(Z.T[None], Z.T[None]) @ total)
        return np.asarray(offset + Z @ fit.solve(Z.T @ (total * (guess - offset))))

    def cost(self, misfit: Floats) -> Floats:
        """Return half the weighted squares of each survey's misfit, shape (n_surveys,)."""
        if self.weight.ndim > 1:
            return np.asarray(0.5 * np.einsum("cs,cs,cs->s", self.weight, misfit, misfit))
        return np.asarray(0.5 * (self.weight @ misfit**2))

    def inside(self, F: Floats) -> Bools:
        """Tell for each survey, shape (n_surveys,), whether all flows are clear of their bounds.

        F has shape (n_carriers, n_surveys).
        """
        above = F[self.bounded] - self._floor
        return np.asarray((above > _FAINT * F.max(axis=0)).all(axis=0))


@dataclass(frozen=True, eq=False)
class Engine:
    """A circuit's lanes with all that an iteration on them needs."""

    lanes: Lanes
    curvature: Curvature
    flows: LaneFlows

    def weighted(self, weight: Floats) -> Engine:
        """Return the same with weights of the flows of each survey, (n_carriers, n_surveys)."""
        flows = replace(self.flows, weight=weight)
        return Engine(self.lanes, self.curvature.weighted(weight), flows)

    def of(self, surveys: Ints) -> Engine:
        """Return the same for some of the surveys."""
        weight = self.flows.weight
        return self.weighted(weight[:, surveys]) if weight.ndim > 1 else self


@dataclass(frozen=True, eq=False)
class LaneMinimum:
    """The minimum of each survey; ``done`` where first-order conditions hold.

    Attributes
    ----------
    point : LanePoint
    value, gain : ndarray, shape (n_surveys,)
        Half the objective, and half of what one more step could take off it.
    done : ndarray of bool, shape (n_surveys,)
    iterations : int
    running : ndarray of int, shape (n_running,)
        Surveys that are to go on from here by themselves: few beside those that have ended.
    """

    point: LanePoint
    value: Floats
    gain: Floats
    done: Bools
    iterations: int
    running: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.intp))


def starting_lanes(engine: Engine, data: GradeData, measured: Floats) -> Floats:
    """Return first flows in balance, shape (n_carriers, n_surveys).

    Parameters
    ----------
    measured : ndarray, shape (n_carriers, n_surveys)
        0 where a flow was not measured.
    """
    lanes, curvature, flows = engine.lanes, engine.curvature, engine.flows
    F = flows.alone(measured)
    x = lanes.first_grades(data)
    grades = lanes.on_carriers(x)
    for _ in range(1 if flows.seen.all() else _ROUNDS):
        wide = lanes.wide(data, F[:, None, :])
        V = data.variance if wide is None else data.variance + wide
        factor = lanes.factor(F[:, None, :], V, wide=wide is not None)
        pull = lanes.pull(factor.solve(lanes.balance(F[:, None, :], x, data)))
        gradient = flows.columns * (F - measured) + (pull * grades).sum(axis=1)
        model = curvature.model(GradeSlopes(F, grades, None, pull, factor))
        F = F - flows.Z @ model.solve(flows.Z.T @ gradient)
    return F


def minimise_lanes(
    engine: Engine, data: GradeData, measured: Floats, *, start: Floats,
    most: int = MAX_ITERATIONS,
) -> LaneMinimum:  # fmt: skip
    """Return the minimum; measured and first flows have shape (n_carriers, n_surveys).

    Each iteration costs as much as all surveys, so that the last few are left to go on without the
    others; ``most`` iterations are taken.
    """
    lanes, curvature, flows = engine.lanes, engine.curvature, engine.flows

    def cost(F: Floats) -> Floats:
        return flows.cost(F - measured)

    alive = flows.inside(start)
    F = start if alive.all() else np.where(alive, start, np.abs(start) + 1.0)
    point = lanes.evaluate(data, F)
    value = point.value + cost(F)
    gain = np.full(value.size, np.inf)
    done = np.zeros(value.size, dtype=bool)  # these stay where they are
    model, convex = None, np.ones(value.size, dtype=bool)
    running: Ints | None = None
    rounding = _ROUNDING_FREE if data.any_free else _ROUNDING
    for iteration in range(most):
        slope = flows.Z.T @ (flows.columns * (F - measured) + lanes.gradient(point))
        small = _GAIN * (1.0 + value)
        noise = rounding * (1.0 + value)
        # near the minimum the curvature found last is as good as a new one
        last, at_end = None, done
        if model is not None:
            last = model.solve(slope)
            at_end = done | (alive & (0.5 * (slope * last).sum(axis=0) <= 1e-3 * small))
        if last is None or not (at_end | ~alive).all():
            model = curvature.model(GradeSlopes.at(lanes, point))
            convex = model.definite
            if not convex.all():
                half = GradeSlopes.at(lanes, point, exact=False)
                model = curvature.model(GradeSlopes.at(lanes, point), (~convex, half))
                alive &= model.definite
            last = model.solve(slope)
        predicted = (slope * last).sum(axis=0)
        gain = np.where(done, gain, 0.5 * predicted)
        done |= alive & (gain <= _REST)
        running = _running(alive & ~done, last=iteration + 1 == most)
        if running is not None:
            break
        ends = alive & (gain <= small) & ~done
        trial, ahead, reached, alive = _searched(
            lanes,
            flows,
            data,
            cost=cost,
            point=point,
            value=value,
            step=np.where(done, 0.0, -(flows.Z @ last)),
            predicted=predicted,
            noise=noise,
            alive=alive,
            done=done | ends,
        )
        # the last step is taken whole, unless rounding makes it worse
        worse = ends & (reached > value + np.maximum(small, noise))
        if worse.any():
            if value.size == 1:
                return LaneMinimum(point, value, gain, ends & point.settled, iteration)
            trial = np.where(worse, point.flow, trial)
            ahead = lanes.evaluate(data, trial, point)
            reached = ahead.value + cost(trial)
        F, point, value, done = trial, ahead, reached, done | ends
        running = _running(alive & ~done, last=iteration + 1 == most)
        if running is not None:
            break
    if value.size > 1:  # one by itself is judged by its certificate
        done &= convex
    running = np.zeros(0, dtype=np.intp) if running is None else running
    return LaneMinimum(point, value, gain, done & alive & point.settled, iteration, running)


def _running(going: Bools, *, last: bool) -> Ints | None:
    """Return the surveys that are to go on by themselves; None if all go on together."""
    found = np.flatnonzero(going)
    if not found.size:
        return found
    few = going.size > _FEW and found.size <= _STRAGGLERS * going.size
    return found if few and not last else None


def _searched(
    lanes: Lanes, flows: LaneFlows, data: GradeData, *, cost: Callable[[Floats], Floats],
    point: LanePoint, value: Floats, step: Floats, predicted: Floats, noise: Floats, alive: Bools,
    done: Bools,
) -> tuple[Floats, LanePoint, Floats, Bools]:  # fmt: skip
    """Return flows along the step that gain enough, the point there, its value, and who is left."""
    F, length = point.flow, np.ones(value.size)
    for _ in range(_HALVINGS):
        trial = F + length * step
        inside = flows.inside(trial)
        if not inside.all():
            alive = alive & inside
            trial = np.where(alive, trial, F)
        ahead = lanes.evaluate(data, trial, point)
        reached = ahead.value + cost(trial)
        enough = value - _DESCENT * length * predicted + noise
        short = alive & ~done & ~(reached <= enough)
        if not short.any():
            return trial, ahead, reached, alive
        length = np.where(short, 0.5 * length, length)
    return trial, ahead, reached, alive & ~short
