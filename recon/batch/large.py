"""Newton's method on the flows of a large circuit, by conjugate gradients along the free flows.

No matrix of second derivatives of all analytes is formed. A product with it costs one solve of all
analytes side by side. The same matrix with a few of the analytes, weighted to stand for all, is
formed and factored as the preconditioner::

    Z'(W + D + share sum_s E_s'S_s^-1 E_s) Z

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), algorithm 7.1 (inexact Newton),
algorithm 5.3 (preconditioned conjugate gradients).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse
from scipy.linalg.lapack import dpotrf, dpotrs
from scipy.sparse.linalg import splu

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.batch.curvature import GradeSlopes
from oretally.recon.batch.inner_problem import Lanes
from oretally.recon.batch.lane_grades import GradeData, LanePoint
from oretally.recon.batch.newton import LaneFlows, LaneMinimum
from oretally.recon.numerics import LevelFactor

__all__ = ["minimise_large"]


_DENSE = 0.05  # share of numbers other than 0, from which a matrix is not handled as sparse
_SAMPLE = 2  # analytes of the preconditioner: more cost more than the steps they save
_ROUNDS = 2  # of first flows: the error of a balance depends on the flows
_MAX_ITERATIONS = 40
_MAX_PRODUCTS = 150  # of one step
_GAIN = 1e-12  # a step that can gain no more than this share of the objective is the last one
_LAST = 1e-3  # accuracy of that step
_DESCENT = 1e-4  # share of the predicted gain that a step must bring (Armijo)
_HALVINGS = 20
_FAINT = 1e-9  # flows this far above their bound, as a share of the largest, may want to stop
_BARRIER = (1.0, 0.1, 1e-10)  # mu at first, its fall, and at last; in units of the objective
_INSIDE = 0.95  # share of the way to a bound that a step may go


@dataclass(frozen=True, eq=False)
class _Bend:
    """Products with the second derivative of the objective at a point."""

    lanes: Lanes
    own: Floats
    slopes: GradeSlopes
    V: Floats

    @classmethod
    def at(cls, lanes: Lanes, point: LanePoint, own: Floats, *, exact: bool) -> _Bend:
        """Return the products at a point; ``own`` is the diagonal of the flows' own misfit."""
        return cls(lanes, own, GradeSlopes.at(lanes, point, exact=exact), point.V)

    def __call__(self, p: Floats) -> Floats:
        """Return H p, shape (n_carriers,)."""
        direction = p[:, None, None]
        if self.lanes.group is not None and self.slopes.turn is not None:
            return self._tied(direction, self.slopes.turn) + self.own * p
        y = self._spread(self.slope * direction)
        return np.asarray(np.einsum("cks,cks->c", self.slope, y) + self.turned * p)

    @cached_property
    def slope(self) -> Floats:
        """Derivative of the balances with respect to each flow, where no streams share a grade."""
        s = self.slopes
        return s.x if s.turn is None else s.x - s.flow[:, :, None] * s.turn

    @cached_property
    def turned(self) -> Floats:
        """The diagonal W - sum_k a V a."""
        s = self.slopes
        return self.own if s.turn is None else self.own - np.einsum("cks,cks->c", s.pull, s.turn)

    def _spread(self, along: Floats) -> Floats:
        return self.lanes.pull(self.slopes.factor.solve(self.lanes.sum_rows(along)))

    def _tied(self, direction: Floats, turn: Floats) -> Floats:
        """Return (H - own) p where streams share grades: V a p is summed over each group."""
        s, lanes = self.slopes, self.lanes
        F = s.flow[:, :, None]
        turned = lanes.on_carriers(lanes.on_groups(turn * direction))
        y = self._spread(s.x * direction - F * turned)
        back = lanes.on_carriers(self.V * lanes.on_groups(F * y)) + turned
        return np.asarray(np.einsum("cks,cks->c", s.x, y) - np.einsum("cks,cks->c", s.pull, back))


class _Preconditioner:
    """The factor of the matrix of a sample of analytes; see the head of the module."""

    def __init__(
        self, lanes: Lanes, Z: Rows | Floats, own: Floats, slopes: GradeSlopes, sample: Ints
    ) -> None:
        if not isinstance(slopes.factor, LevelFactor):
            raise TypeError(f"no preconditioner in the layout {lanes.layout.name}")
        share = slopes.x.shape[1] / max(sample.size, 1)
        diagonal = np.maximum(own, 0.0)
        floor = 1e-10 * float(diagonal.max(initial=0.0)) or 1.0
        H = _filled(Z.T @ _times(np.maximum(diagonal, floor), Z))
        for k in sample:
            E = lanes.rows.sparse @ _times(slopes.x[:, k, 0], Z)
            root = slopes.factor.root(int(k), _filled(E))
            H += share * (root.T @ root)
        self._L, failed = dpotrf(H, lower=1)
        if failed:
            raise np.linalg.LinAlgError("the preconditioner is not positive definite")

    def __call__(self, r: Floats) -> Floats:
        """Return the matrix's solution, shape (n_free,)."""
        return np.asarray(dpotrs(self._L, r, lower=1)[0])


def _times(size: Floats, Z: Rows | Floats) -> Any:
    """Return Z, sparse or dense as it is, with each row that many times as large."""
    return size[:, None] * Z if isinstance(Z, np.ndarray) else sparse.diags_array(size) @ Z


def _filled(X: Any) -> Floats:
    """Return a sparse or a dense array as a dense one."""
    return np.asarray(X if isinstance(X, np.ndarray) else X.toarray())


def minimise_large(
    lanes: Lanes, flows: LaneFlows, data: GradeData, *, measured: Floats
) -> tuple[LaneMinimum, Bools]:
    """Return the minimum of one survey, and the flows that want to stop.

    Parameters
    ----------
    lanes : Lanes
    flows : LaneFlows
    data : GradeData
        Of one survey.
    measured : ndarray, shape (n_carriers,)
        0 where a flow was not measured.

    Returns
    -------
    LaneMinimum
        Not done where flows want to stop: the problem without them is to be solved instead.
    stopping : ndarray of bool, shape (n_carriers,)
    """
    return _Large(lanes, flows, data, measured).minimum()


class _Large:
    """One survey of a large circuit."""

    def __init__(self, lanes: Lanes, flows: LaneFlows, data: GradeData, measured: Floats) -> None:
        self.lanes, self.flows, self.data, self.measured = lanes, flows, data, measured
        self.A = flows.basis.A[flows.basis.rows]
        self.Z = flows.basis.sparse_Z
        # where the flows have much to do with each other sparse products take longer than dense
        self.whole_Z = flows.basis.Z if self.Z.nnz > _DENSE * flows.basis.Z.size else self.Z
        # what the balances leave no choice of cannot meet a bound
        some = flows.basis.closed(2.0 + np.cos(np.arange(flows.lower.size, dtype=float)))
        moves = np.abs(some - flows.basis.offset) > 1e-12
        self.bounded = np.isfinite(flows.lower) & moves
        self.lower = np.where(self.bounded, flows.lower, 0.0)
        n_analytes = data.target.shape[1]
        few = min(_SAMPLE, n_analytes)
        self.sample = np.linspace(0, n_analytes - 1, few).round().astype(np.intp)

    def cost(self, F: Floats) -> float:
        return 0.5 * float(self.flows.weight @ (F - self.measured) ** 2)

    def minimum(self) -> tuple[LaneMinimum, Bools]:
        F = self._start()
        lanes, data, weight = self.lanes, self.data, self.flows.weight
        point = lanes.evaluate(data, F[:, None])
        value = float(point.value[0]) + self.cost(F)
        mu, around = 0.0, F - self.lower
        precondition: _Preconditioner | None = None
        gain, iteration, accuracy = np.inf, 0, 0.1
        for iteration in range(_MAX_ITERATIONS):
            gap = np.where(self.bounded, F - self.lower, 1.0)
            push = mu * np.where(self.bounded, 1.0 / around - 1.0 / gap, 0.0)
            own = weight + np.where(self.bounded, mu / gap**2, 0.0)
            gradient = weight * (F - self.measured) + lanes.gradient(point)[:, 0] + push
            if precondition is None or mu > 0.0:
                slopes = GradeSlopes.at(lanes, point, exact=False)
                precondition = _Preconditioner(lanes, self.whole_Z, own, slopes, self.sample)
            bend = _Bend.at(lanes, point, own, exact=True)
            step, convex = _conjugate(bend, precondition, self.Z, -gradient, accuracy)
            if not convex:
                bend = _Bend.at(lanes, point, own, exact=False)
                step, _ = _conjugate(bend, precondition, self.Z, -gradient, accuracy)
            slope = float(gradient @ step)
            gain = -0.5 * slope
            small = _GAIN * (1.0 + value)
            longest = self._longest(gap, step)
            if longest <= 1.0 and mu == 0.0:
                mu, around = _BARRIER[0], np.maximum(F - self.lower, 1e-300)
                continue
            last = gain <= max(small, 0.0) and mu == 0.0
            length = 1.0 if mu == 0.0 else min(1.0, _INSIDE * longest)
            merit = value + mu * self._barrier(F, around)
            for _ in range(_HALVINGS):
                trial = self.flows.basis.closed(F + length * step)
                inside = bool((trial[self.bounded] > self.lower[self.bounded]).all())
                if inside:
                    ahead = lanes.evaluate(data, trial[:, None], point)
                    reached = float(ahead.value[0]) + self.cost(trial)
                    enough = merit + _DESCENT * length * slope + 1e-13 * (1.0 + abs(merit))
                    if last or reached + mu * self._barrier(trial, around) <= enough:
                        break
                length *= 0.5
            else:
                break
            F, point, value = trial, ahead, reached
            # a step need not be more accurate than the one before was good
            accuracy = min(0.1, max(_LAST, (gain / (1.0 + value)) ** 0.25))
            if last:
                return self._found(point, value, gain, iteration, done=True, pushed=False)
            if mu > 0.0 and gain <= max(mu, small):
                if mu <= _BARRIER[2]:
                    return self._found(point, value, gain, iteration, done=False, pushed=True)
                mu *= _BARRIER[1]
        return self._found(point, value, gain, iteration, done=False, pushed=mu > 0.0)

    def _found(
        self,
        point: LanePoint,
        value: float,
        gain: float,
        iteration: int,
        *,
        done: bool,
        pushed: bool,
    ) -> tuple[LaneMinimum, Bools]:
        F = point.flow[:, 0]
        above = F - self.lower
        # only what the barrier kept off its bound to the end wants to stop
        stopping = self.bounded & (self.lower == 0.0) & (above <= _FAINT * np.abs(F).max()) & pushed
        good = np.array([done]) & point.settled
        return LaneMinimum(point, np.array([value]), np.array([gain]), good, iteration), stopping

    def _barrier(self, F: Floats, around: Floats) -> float:
        ratio = (F - self.lower)[self.bounded] / around[self.bounded]
        return float((ratio - np.log(ratio)).sum())

    def _longest(self, gap: Floats, step: Floats) -> float:
        falling = self.bounded & (step < 0.0)
        return float((-gap[falling] / step[falling]).min(initial=np.inf))

    def _start(self) -> Floats:
        """Return first flows above their bounds: equation-error least squares."""
        lanes, data, weight = self.lanes, self.data, self.flows.weight
        F = self._alone()
        x = lanes.first_grades(data)
        for _ in range(1 if self.flows.seen.all() else _ROUNDS):
            wide = lanes.wide(data, F[:, None, None])
            V = np.broadcast_to(data.variance if wide is None else data.variance + wide, x.shape)
            factor = lanes.factor(F[:, None, None], V)
            pull = lanes.pull(factor.solve(lanes.balance(F[:, None, None], x, data)))
            slopes = GradeSlopes(F[:, None], lanes.on_carriers(x), None, pull, factor)
            gradient = weight * (F - self.measured) + (pull * slopes.x).sum(axis=(1, 2))
            precondition = _Preconditioner(lanes, self.whole_Z, weight, slopes, self.sample)
            bend = _Bend(lanes, weight, slopes, V)
            step, _ = _conjugate(bend, precondition, self.Z, -gradient, 0.03)
            gap = np.where(self.bounded, F - self.lower, 1.0)
            length = min(1.0, _INSIDE * self._longest(gap, step))
            F = self.flows.basis.closed(F + length * step)
        return F

    def _alone(self) -> Floats:
        """Return flows in balance near the measured ones, all above their bounds."""
        seen = self.flows.seen
        sizes = self.measured[seen & (self.measured > 0.0)]
        typical = float(np.median(sizes)) if sizes.size else 1.0
        guess = np.where(seen, self.measured, typical)
        guess = np.maximum(guess - self.lower, 1e-3 * typical) + self.lower
        variance = np.where(seen, 1.0 / np.where(seen, self.flows.weight, 1.0), typical**2)
        A, b, F = self.A, self.flows.basis.b[self.flows.basis.rows], guess
        for _ in range(50):
            factor = splu((A @ sparse.diags_array(variance) @ A.T).tocsc())
            F = F - variance * (A.T @ factor.solve(A @ F - b))
            low = self.bounded & (F <= self.lower + 1e-6 * guess)
            if not low.any():
                break
            # what would turn negative is held closer to its guess
            F = np.where(low, self.lower + 0.1 * (guess - self.lower), F)
            variance = np.where(
                low, np.minimum(variance, (guess - self.lower) ** 2) * 0.1, variance
            )
        return self.flows.basis.closed(F)


def _conjugate(
    bend: _Bend, precondition: _Preconditioner, Z: Rows, right: Floats, accuracy: float
) -> tuple[Floats, bool]:
    """Return the step Z u with Z'H Z u = Z'right, and whether no curvature was negative."""
    rest = np.asarray(Z.T @ right)
    step = np.zeros_like(rest)
    z = precondition(rest)
    direction, size = z, float(rest @ z)
    first = size
    for _ in range(_MAX_PRODUCTS):
        if not size > 0.0:
            break
        product = np.asarray(Z.T @ bend(np.asarray(Z @ direction)))
        curvature = float(direction @ product)
        if curvature <= 0.0:
            return np.asarray(Z @ step), False
        length = size / curvature
        step = step + length * direction
        rest = rest - length * product
        z = precondition(rest)
        before, size = size, float(rest @ z)
        if size <= accuracy**2 * first:
            break
        direction = z + (size / before) * direction
    return np.asarray(Z @ step), True
