"""One Newton step on the flows: a quadratic model, its minimum within the flow bounds.

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), sections 3.4 (curvature made
positive) and 16.6 (quadratic problems by an interior point). Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import quadratic_minimum
from oretally.recon.reduction import ReducedProblem

__all__ = ["FLAT", "QuadraticModel", "newton_step"]


FLAT = 1e-14  # curvatures below this share of the largest are zero
_NEGLIGIBLE = 1e-26  # squares below this share of the largest are rounding
_REACH = 1e3  # bounds more than this many unbounded steps away cannot stop one
_LEVEL = 1e-9  # of the objective: what a direction gains less before a flow doubles is rounding
_SOLVED = 1e-12  # of what an unbounded step gains: a loss below this is rounding
_UNSEEN = 1e-9  # the same, for directions known to be unobservable


@dataclass(frozen=True, eq=False)
class QuadraticModel:
    """The objective about a point: g'v + 1/2 v'Kv, with F = point + R v and K diagonal.

    Attributes
    ----------
    R : ndarray, shape (n_carriers, n_seen)
        Directions in balance; those that no measurement sees are left out, so that unobservable
        flows stay where they are.
    g, K : ndarray, shape (n_seen,)
        Slope and curvature along each direction; the largest curvature is of the order of 1.
    convex : bool
        False if a curvature is negative.
    """

    R: Floats
    g: Floats
    K: Floats
    convex: bool

    @classmethod
    def of(
        cls,
        problem: ReducedProblem,
        flow: Floats,
        gradient: Floats,
        *,
        H: Floats,
        unobservable: int,
        signed: bool,
        held: Bools | None = None,
        positive: Floats | None = None,
    ) -> QuadraticModel:
        """Return the model with second derivative H along Z; ``signed`` if H may be indefinite.

        ``flow``, ``gradient`` and ``held``, the carriers that keep their flows, have shape
        (n_carriers,), H and ``positive`` shape (n_free, n_free). ``positive`` is the semidefinite
        part of H, whose rounding is that of squares; H if None.
        """
        Z, Hu = problem.basis.Z, H
        square = np.diag(H if positive is None else positive)
        if held is not None:
            resting = scipy.linalg.null_space(Z[held], rcond=1e-12)
            Z, Hu = Z @ resting, resting.T @ H @ resting
            square = np.diag(Hu)
        d = np.abs(np.diag(Hu))
        # a free flow that nothing sees has the curvature of rounding: scaled to 1 it would count
        least = _NEGLIGIBLE * float(square.max(initial=0.0)) if unobservable else 0.0
        d = np.where((d > 0.0) & (square > least), d, 1.0) ** -0.5
        values, vectors = np.linalg.eigh(Hu * d[:, None] * d)
        largest = float(np.abs(values).max(initial=0.0))
        seen = np.ones(values.size, dtype=bool)
        flattest = np.argsort(np.abs(values))[:unobservable]
        # where a bound holds, a direction that no measurement sees can matter all the same
        seen[flattest] = np.abs(values[flattest]) > _UNSEEN * largest
        seen &= (np.abs(values) > FLAT * largest) if signed else (values > FLAT * largest)
        R = Z @ (d[:, None] * vectors)
        slope = R.T @ gradient
        # along a recycle that grows without limit the curvature vanishes sooner than the slope:
        # a curvature that lets no flow more than double stands in for it
        if not seen.all():
            size = np.maximum(np.abs(flow), 1e-12 * np.abs(flow).max(initial=0.0))[:, None]
            reach = (np.abs(R) / np.where(size > 0.0, size, 1.0)).max(axis=0)
            growing = ~seen & (np.abs(slope) > _LEVEL * reach)
            values[growing] = np.abs(slope[growing]) * reach[growing]
            seen |= growing
        return cls(R[:, seen], slope[seen], values[seen], bool((values[seen] > 0.0).all()))


def newton_step(
    problem: ReducedProblem, flow: Floats, model: QuadraticModel, *, damping: float = 0.0
) -> tuple[Floats, float]:
    """Return the step to the minimum of the model within the flow bounds, and its gain.

    Flow and step have shape (n_carriers,); ``damping`` is added to the curvatures.
    """
    # in units in which all curvatures are 1, so that what a direction gains is its slope squared
    unit = 1.0 / np.sqrt(model.K + damping)
    R, g = model.R * unit, model.g * unit
    step = R @ -g
    if (flow + step >= problem.flow_lower).all():
        return step, 0.5 * float(g @ g)
    # rows scaled to length 1, steps and slopes by the largest; bounds far beyond the reach of a
    # step are left out
    size = float(np.abs(g).max())
    rows = np.flatnonzero(np.isfinite(problem.flow_lower))
    length = np.sqrt((R[rows] ** 2).sum(axis=1))
    room = (flow[rows] - problem.flow_lower[rows]) / np.where(length > 0.0, length, 1.0)
    near = (length > 0.0) & (room <= _REACH * size)
    rows, length, room = rows[near], length[near], room[near]
    link = R[rows] / length[:, None]
    found = quadratic_minimum(np.eye(g.size), g / size, (link, -room / size))
    if found is None:
        return np.zeros_like(flow), np.inf
    v = _polished(g, link[found.held], -room[found.held], size * found.x)
    step = R @ v
    if not np.isfinite(step).all():
        return np.zeros_like(flow), np.inf
    gain = -float(g @ v + 0.5 * v @ v)
    # a step that loses is one to try, but no claim of an optimum
    return step, max(gain, 0.0) if gain >= -_SOLVED * float(g @ g) else np.inf


def _polished(g: Floats, held: Floats, to_bound: Floats, v: Floats) -> Floats:
    """Return the step with the flows that end at their bound set there exactly."""
    n, m = g.size, len(held)
    system = np.block([[np.eye(n), held.T], [held, np.zeros((m, m))]])
    exact = np.linalg.lstsq(system, np.r_[-g, to_bound], rcond=1e-14)[0][:n]
    # in units in which the curvature is 1: below 1e-9 the interior point cannot be compared
    near = np.abs(exact - v).max(initial=0.0) <= 1e-4 * np.abs(v).max(initial=0.0) + 1e-9
    return np.asarray(exact if near else v)
