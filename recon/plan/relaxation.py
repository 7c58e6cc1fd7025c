"""The best plan if readings could be had in parts: a convex problem, and a bound for every plan.

The criterion c is convex in the information, which is linear in the shares z of the levels; the
rules are linear in z and in the money x for batches and samples. With M the information along the
rows t of the measurements, w the answers (each times the root of its weight), g the gains of the
levels and i(l) the measurement of level l::

    G_ij = t_i' M^-1 t_j     K_ij = (w M^-1 t_i) . (w M^-1 t_j)
    dc/dz_l = -g_l K_i(l)i(l)     d2c/dz_l dz_m = 2 g_l g_m G_i(l)i(m) K_i(l)i(m)

Minimised by a primal-dual interior point, with Newton steps cut short until the residuals fall.
With v = (z, x), rules A v <= b beside 0 <= v <= 1, their slacks s, any multipliers y >= 0 and
r = (dc/dz, 0) + A'y, the tangent plane at v lies below the criterion, so that no v* that keeps the
rules has less than::

    c(v*) >= c(v) + (dc/dz, 0)'(v* - v) >= c(v) - y's - sum_j max(r_j v_j, r_j (v_j - 1))

a bound whatever the steps came to. Where it is not near enough to c(v), the problem is solved as
one of cones (`oretally.recon.plan.cone_form`).

References
----------
S. Boyd and L. Vandenberghe, Convex Optimization (Cambridge, 2004), sections 5.5 (bounds by
multipliers) and 11.7 (primal-dual interior point). Cited from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics import SemidefiniteFactor
from oretally.recon.plan.cone_form import least_by_cones
from oretally.recon.plan.design import Design, payable
from oretally.recon.plan.levels import Levels

__all__ = ["Relaxation"]

_CLOSE = 1e-7  # relative difference of criterion and bound that ends the search
_FAR = 1e-6  # where it ends beyond, the problem is solved as one of cones
_MOST_STEPS = 100
_CENTRED = 0.1  # share of the products of slacks and multipliers that a step aims at
_REACH = 0.95  # share of the way to the nearest rule that a step goes
_GAINED = 0.01  # of what a straight way would take off the residuals
_MOST_HALVINGS = 40


class Relaxation:
    """The convex problem of a design, for any number of budgets.

    Parameters
    ----------
    design : Design
        Its weights must not all be 0.
    """

    def __init__(self, design: Design) -> None:
        self.design, self.levels = design, Levels.of_design(design)
        plans = np.tile(design.offers.given, (len(self.levels.of), 1))
        plans[np.arange(len(plans)), self.levels.of] = self.levels.count
        self._alone = design.offers.costs(plans)

    def solve(self, budget: float) -> tuple[float, Floats] | None:
        """Return a bound and the shares, shape (n_levels,).

        No plan within the budget has a criterion below the bound; levels that the budget does not
        pay alone have no share. None if no plan within the budget determines every answer.
        """
        levels, shares = self.levels, np.zeros(len(self.levels.of))
        paid = self._alone <= payable(budget)
        most = self.design.offers.given.copy()
        np.maximum.at(most, levels.of[paid], levels.count[paid])
        within = replace(self.design, offers=replace(self.design.offers, most=most))
        counts = self.design.weights > 0.0
        if within.unanswerable[counts].any():
            return None
        if not paid.any():
            return within.criterion(most), shares
        bound, value, shares[paid] = _interior_point(within, budget)
        if not value - bound <= _FAR * value:
            found = least_by_cones(within, budget)
            if found is not None:
                bound, shares[paid] = found
        return bound, np.clip(shares, 0.0, 1.0)


def _interior_point(design: Design, budget: float) -> tuple[float, float, Floats]:
    """Return a bound of the criterion, and a criterion near it with its shares, (n_levels,)."""
    levels = Levels.of_design(design)
    A, b, at = _rules(design, levels, budget)
    n, slack, bound = len(levels.of), b - A @ at, 0.0
    here = _bent(design, levels, at)
    if here is None:
        return bound, np.inf, at[:n]
    multiplier = here[0] / len(b) / slack
    for _ in range(_MOST_STEPS):
        value, gradient, second = here
        lower = gradient + A[n:].T @ multiplier[n:]
        least = -float(np.maximum(lower * at, lower * (at - 1.0)).sum())
        bound = max(bound, value + least - float(multiplier[n:] @ slack[n:]))
        if value - bound <= _CLOSE * value:
            break
        ratio = multiplier / slack
        system = SemidefiniteFactor(second + (A.T @ sparse.diags_array(ratio) @ A).toarray())
        goal = _CENTRED * float(multiplier @ slack) / len(b)
        move = system.solve(-gradient - A.T @ (goal / slack))
        taken = A @ move
        turn = goal / slack - multiplier + ratio * taken
        far = _far(gradient + A.T @ multiplier, multiplier * slack - goal)
        step = min(1.0, _REACH * _longest(slack, -taken), _REACH * _longest(multiplier, turn))
        for _ in range(_MOST_HALVINGS):
            trial = _bent(design, levels, at + step * move)
            tried = multiplier + step * turn, slack - step * taken
            if trial is not None and _far(
                trial[1] + A.T @ tried[0], tried[0] * tried[1] - goal
            ) <= (1.0 - _GAINED * step) * far:  # fmt: skip
                break
            step *= 0.5
        else:
            break
        (multiplier, slack), at, here = tried, at + step * move, trial
    return bound, here[0], at[:n]


def _bent(
    design: Design, levels: Levels, at: Floats
) -> tuple[float, Floats, Floats] | None:  # fmt: skip
    """Return the criterion with its first and second derivatives along shares and money."""
    of = levels.of
    n, gain = len(of), levels.gain[of, np.arange(len(of))]
    found = design.curvature(levels.base + levels.gain @ at[:n])
    if found is None:
        return None
    value, slope, curvature = found
    gradient, second = np.zeros(len(at)), np.zeros((len(at), len(at)))
    gradient[:n] = gain * slope[of]
    second[:n, :n] = gain[:, None] * gain * curvature[np.ix_(of, of)]
    return value, gradient, second


def _far(dual: Floats, products: Floats) -> float:
    """Return how far a point is from the goal: the length of all residuals."""
    return float(np.hypot(np.linalg.norm(dual), np.linalg.norm(products)))


def _longest(values: Floats, change: Floats) -> float:
    """Return how often a change can be made before a value turns negative."""
    falls = change < 0.0
    return float((-values[falls] / change[falls]).min(initial=np.inf))


def _rules(
    design: Design, levels: Levels, budget: float
) -> tuple[sparse.csr_array, Floats, Floats]:
    """Return A and b of the rules A (z, x) <= b, and a point that keeps all with room to spare.

    The money x for each batch and sample is in units of the budget.
    """
    o, n = design.offers, len(levels.of)
    samples, drawn = np.unique(levels.drawn_sample, return_inverse=True)
    batches = len(o.least_charge)
    money = batches + len(samples)
    price = levels.drawn * o.sample_price[levels.drawn_sample, None]
    charged = np.vstack([levels.charge, levels.least, price]) / (budget if budget > 0.0 else 1.0)
    to = np.r_[np.arange(batches), levels.least_batch, batches + drawn].astype(np.intp)
    A = np.vstack([
        np.eye(n, n + money) * -1.0,
        np.hstack([levels.chosen, np.zeros((o.n, money))]),
        np.hstack([charged, -np.eye(money)[to]]),
        np.r_[np.zeros(n), np.ones(money)],
    ])  # fmt: skip
    b = np.r_[np.zeros(n), np.ones(o.n), np.zeros(len(to)), 1.0]
    z = 0.5 / levels.chosen.sum(axis=1)[levels.of]
    needed = np.zeros(money)
    np.maximum.at(needed, to, charged @ z)
    scale = min(1.0, 0.5 / max(float(needed.sum()), 0.5))
    return sparse.csr_array(A), b, np.r_[scale * z, scale * needed + 0.25 / money]
