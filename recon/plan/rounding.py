"""The best plan in whole readings, proven by cuts where the problem is small.

The criterion is convex in the information, which is linear in the levels taken. So the tangent
plane at any point lies below it, and the least of all planes found so far, over whole levels
within the budget, is a bound: a mixed-integer linear problem for HiGHS. Its solution gives one more
plane; bound and best plan meet (outer approximation). A set of measurements that leaves an answer
open is cut off together with all its subsets.

References
----------
M.A. Duran and I.E. Grossmann, An outer-approximation algorithm for a class of mixed-integer
nonlinear programs, Mathematical Programming 36 (1986) 307-339. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.plan.design import Design, payable
from oretally.recon.plan.levels import Levels
from oretally.recon.plan.moves import Exchanges, filled, least_readings, open_answers
from oretally.recon.plan.relaxation import Relaxation

__all__ = ["Chosen", "MasterProblem", "best_plan", "cheapest_plan", "improved"]

SAME = 1e-6  # relative difference of criteria that counts as none
_SHARE = 1e-3  # of a level in a relaxed plan, up to which it is none
_MOST_LEVELS = 40  # beyond, the search by cuts does not end in good time
_CUTS = 4  # ways in which an open plan is cut off
_MOST_NODES = 5000  # of one search of HiGHS: its bound holds all the same
_FLAT = 1e-9  # share of a plane's fall that is rounded away
_AT_ONCE = 64  # exchanges whose cost is worked out together
_INFEASIBLE = 2  # status of scipy's milp


@dataclass(frozen=True, eq=False)
class Chosen:
    """A plan, and how good any plan within its budget could be.

    Attributes
    ----------
    readings : ndarray of int, shape (n,)
    criterion : float
    bound : float
        No plan within the budget has a lower criterion.
    relaxed : float
        The criterion if readings could be had in parts; never above the best plan's.
    """

    readings: Ints
    criterion: float
    bound: float
    relaxed: float

    @property
    def gap(self) -> float:
        """Relative difference of criterion and bound: 0 for a plan proven best."""
        if not self.criterion > 0.0:
            return 0.0
        gap = 1.0 - self.bound / self.criterion
        return gap if gap > 2.0 * SAME else 0.0


class MasterProblem:
    """Whole levels, their costs and the cuts found so far, for HiGHS.

    Columns: shares of the levels, charges of the batches, samples taken, and the criterion, from 0
    at a bound to 1 at the best plan known.
    """

    def __init__(self, design: Design, levels: Levels) -> None:
        o = design.offers
        n, b, s = len(levels.of), len(o.least_charge), len(o.sample_price)
        self.levels, self.n, self.width = levels, n, n + b + s + 1
        self.rows: list[Floats] = []
        self.low: list[float] = []
        self.cost = np.zeros(self.width)
        self.cost[n : n + b] = 1.0
        self.cost[n + b : n + b + s] = np.where(o.open_samples, o.sample_price, 0.0)
        for row in levels.chosen:
            if row.any():
                self.require(-row, -1.0)
        for j, row in enumerate(levels.charge):
            self.require(-row, 0.0, n + j)
        for j, row in zip(levels.least_batch, levels.least, strict=True):
            self.require(-row, 0.0, n + int(j))
        for j, row in zip(levels.drawn_sample, levels.drawn, strict=True):
            self.require(-row, 0.0, n + b + int(j))

    def require(self, of_levels: Floats, least: float, other: int | None = None) -> None:
        """Ask that a sum over levels, shape (n_levels,), and another column is at least some."""
        row = np.zeros(self.width)
        row[: self.n] = of_levels
        if other is not None:
            row[other] = 1.0
        self.rows.append(row)
        self.low.append(least)

    def solve(self, objective: Floats, budget: float | None = None) -> tuple[Floats, float] | None:
        """Return the shares of the levels and the bound; None if nothing fits.

        The objective has shape (width,), the shares (n_levels,).
        """
        from scipy.optimize import Bounds, LinearConstraint, milp

        whole = np.zeros(self.width, dtype=np.intp)
        whole[: self.n] = 1
        upper = np.full(self.width, np.inf)
        upper[: self.n] = upper[-1] = 1.0
        rules: list[Any] = [LinearConstraint(np.array(self.rows), np.array(self.low), np.inf)]
        if budget is not None:
            rules.append(LinearConstraint(self.cost[None], -np.inf, payable(budget)))
        found = milp(objective, integrality=whole, bounds=Bounds(0.0, upper), constraints=rules,
                     options={"mip_rel_gap": SAME / 10.0, "node_limit": _MOST_NODES})  # fmt: skip
        if found.x is None:
            return None if found.status == _INFEASIBLE else (np.zeros(self.n), -np.inf)
        bound = found.mip_dual_bound
        return found.x[: self.n], float(found.fun if bound is None else bound)


def best_plan(
    design: Design,
    relaxation: Relaxation,
    budget: float,
    *,
    starts: Sequence[Ints] = (),
    rounds: int = 60,
) -> Chosen | None:
    """Return the best plan within a budget; None if none determines every answer.

    Parameters
    ----------
    design : Design
    relaxation : Relaxation
        Of the same design.
    budget : float
    starts : sequence of ndarray of int
        Plans within the budget to begin with, beside the rounded relaxation: the result is never
        worse than any of them.
    rounds : int
        Cuts that are tried before the gap is left open.
    """
    relaxed = relaxation.solve(budget)
    levels = relaxation.levels
    o = design.offers
    once = np.maximum(np.minimum(o.most, 1), o.given)
    starts = [*starts, o.given, _pared(design, once, budget)]
    if relaxed is not None:
        shares = relaxed[1]
        supported = _pared(design, _supported(design, levels, shares), budget)
        starts = [*starts, _rounded(design, levels, shares, budget), supported]
    plans = [improved(design, s, budget) for s in starts if _affordable(design, s, budget)]
    if not any(np.isfinite(design.criterion(plan)) for plan in plans):
        least = cheapest_plan(design)
        if least is None or not _affordable(design, least, budget):
            return None
        plans = [improved(design, least, budget)]
    best = min(plans, key=design.criterion)
    value = design.criterion(best)
    floor = 0.0 if relaxed is None else min(relaxed[0] * (1.0 - SAME), value)
    if len(levels.of) > _MOST_LEVELS or floor >= value * (1.0 - SAME):
        return Chosen(best, value, floor, floor)
    best, value, bound = _by_cuts(
        design, levels, budget, best=best, shares=[] if relaxed is None else [relaxed[1]],
        floor=floor, rounds=rounds,
    )  # fmt: skip
    return Chosen(best, value, bound, floor)


def cheapest_plan(design: Design, rounds: int = 40) -> Ints | None:
    """Return the cheapest plan found that determines every answer; None if there is none.

    It is the cheapest of all if the search ended before the rounds did. No number is read twice
    for it: once tells whatever more readings tell, if not as well.
    """
    o = design.offers
    once = replace(o, most=np.maximum(np.minimum(o.most, 1), o.given))
    levels = Levels.of_design(replace(design, offers=once))
    plan = np.maximum(np.minimum(o.most, 1), o.given)
    if not np.isfinite(design.criterion(plan)):
        return None
    for i in sorted(np.flatnonzero(plan > o.given).tolist(), key=lambda i: (-o.price[i], i)):
        less = plan.copy()
        less[i] -= 1
        plan = less if np.isfinite(design.criterion(less)) else plan
    master = MasterProblem(design, levels)
    master.require(np.ones(len(levels.of)), float(least_readings(design)))
    for _ in range(rounds):
        answer = master.solve(master.cost, o.cost(plan))
        if answer is None or answer[1] >= o.cost(plan) * (1.0 - SAME):
            break
        trial = levels.readings(design, answer[0])
        if np.isfinite(design.criterion(trial)):
            return trial if o.cost(trial) < o.cost(plan) else plan
        _cut_off_open(design, master, trial)
    return plan


def _by_cuts(
    design: Design, levels: Levels, budget: float, *, best: Ints, shares: Sequence[Floats],
    floor: float, rounds: int,
) -> tuple[Ints, float, float]:  # fmt: skip
    """Return the best plan, its criterion and the bound."""
    value, bound = design.criterion(best), floor
    cuts = _Planes(design, levels, floor, value)
    for share in shares:
        cuts.add(levels.base + levels.gain @ share)
    cuts.add(design.offers.information(best))
    whole = design.offers.information(design.offers.most)
    seen: set[tuple[int, ...]] = set()
    for _ in range(rounds):
        if bound >= value * (1.0 - SAME):
            break
        answer = cuts.master.solve(cuts.objective, budget)
        if answer is None:  # nothing is left that could be better
            bound = value
            break
        bound = max(bound, min(floor + answer[1] * cuts.unit, value))
        trial = levels.readings(design, answer[0])
        key = tuple(trial.tolist())
        if key in seen:
            break
        seen.add(key)
        own = design.criterion(trial)
        if np.isfinite(own):
            cuts.add(design.offers.information(trial))
        else:
            _cut_off_open(design, cuts.master, trial)
            own = np.inf
        # a plane at the trial alone may be steep: one nearer to plenty bounds more of its kin
        cuts.add(0.9 * design.offers.information(trial) + 0.1 * whole)
        better = improved(design, trial, budget) if own < 1.5 * value else trial
        if min(own, reached := design.criterion(better)) < value:
            best, value = (better, reached) if reached <= own else (trial, own)
            cuts.add(design.offers.information(best))
    return best, value, bound


class _Planes:
    """Planes below the criterion, between a bound that holds everywhere and the best known plan."""

    def __init__(self, design: Design, levels: Levels, floor: float, best: float) -> None:
        self.design, self.floor, self.unit = design, floor, best - floor
        self.master = MasterProblem(design, levels)
        self.objective = np.zeros(self.master.width)
        self.objective[-1] = 1.0

    def add(self, information: Floats) -> None:
        """Add the plane that touches the criterion at some information.

        Where one level alone takes the plane below the bound, no more of its slope is needed: a
        flatter plane is as valid for whole levels, and sharper for parts of them.
        """
        found = self.design.slope(information)
        if found is None:
            return
        value, slope = found
        levels, master = self.master.levels, self.master
        height = value + float(slope @ (levels.base - information)) - self.floor
        if height <= 0.0:
            return
        fall = np.minimum(-(slope @ levels.gain) / height, 1.0)
        row = np.zeros(master.width)
        row[: master.n] = np.where(fall > _FLAT, fall, 0.0)
        row[-1] = self.unit / height
        left = float(fall[fall <= _FLAT].sum())  # what rounding away would have given
        master.rows.append(row)
        master.low.append(1.0 - left)


def _cut_off_open(design: Design, master: MasterProblem, readings: Ints) -> None:
    """Ask for one more measurement than a plan has that leaves an answer open.

    First the plan is filled up with all that leaves it open: the fewer are left, the sharper. What
    comes first in the filling is in one cut, and may be out of the next.
    """
    missing = np.flatnonzero((readings == 0) & (design.offers.most > 0))
    answers = open_answers(design)
    cuts = set[bytes]()
    for turn in range(_CUTS):
        order = np.roll(missing, -(turn * len(missing)) // _CUTS).tolist()
        full = filled(design, readings, np.ones_like(readings), order=order, directions=answers)
        if np.isfinite(design.criterion(full)):
            full = readings  # what is seen by a hair only: the plan alone is cut off
        others = (full[master.levels.of] == 0).astype(float)
        if others.tobytes() not in cuts:
            master.require(others, 1.0)
        cuts.add(others.tobytes())


def _rounded(design: Design, levels: Levels, shares: Floats, budget: float) -> Ints:
    """Return a plan within the budget, from the largest shares of a relaxed one down."""
    found = design.offers.given.copy()
    for level in np.argsort(-shares, kind="stable"):
        i = levels.of[level]
        trial = found.copy()
        trial[i] = max(trial[i], levels.count[level])
        if shares[level] > _SHARE and _affordable(design, trial, budget):
            found = trial
    return found


def _supported(design: Design, levels: Levels, shares: Floats) -> Ints:
    """Return the plan of all that has a share worth the name in a relaxed one."""
    found = design.offers.given.copy()
    there = shares > _SHARE
    np.maximum.at(found, levels.of[there], levels.count[there])
    return found


def _pared(design: Design, plan: Ints, budget: float) -> Ints:
    """Return a plan less what is missed least for its price, until it can be paid."""
    o = design.offers
    while not _affordable(design, plan, budget):
        bought = np.flatnonzero(plan > o.given)
        at, cost = Exchanges(design, plan), o.cost(plan)
        after, before = at.changed(np.maximum(plan - 1, o.given)), at.criterion
        fewer = np.tile(plan, (len(bought), 1))
        fewer[np.arange(len(bought)), bought] -= 1
        more = after[bought] - (before if np.isfinite(before) else 0.0)
        harm = more / np.maximum(cost - o.costs(fewer), 1e-9 * max(cost, 1.0))
        plan = fewer[np.argmin(harm)]
    return plan


def _affordable(design: Design, readings: Ints, budget: float) -> bool:
    return design.offers.cost(readings) <= payable(budget)


def improved(design: Design, start: Ints, budget: float) -> Ints:
    """Return a plan within the budget that no exchange of two readings makes better.

    One reading more, or one less here for one more there, as long as the criterion falls. Plans are
    numbers of readings, shape (n,).
    """
    o = design.offers
    at = Exchanges(design, start)
    for _ in range(1000):
        best = at.readings
        more, less = np.minimum(best + 1, o.most), np.maximum(best - 1, o.given)
        after = np.where(more > best, at.changed(more), np.inf)
        limit = at.criterion * (1.0 - SAME) if np.isfinite(at.criterion) else np.inf
        found = _first(design, best, after[None], limit=limit, budget=budget, fewer=None)
        if found is None:
            pairs = at.exchanged(less, more)
            found = _first(design, best, pairs, limit=limit, budget=budget, fewer=np.arange(o.n))
        if found is None:
            break
        then = Exchanges(design, found)
        if not then.criterion < at.criterion:  # what the formulas promised was rounding
            break
        at = then
    return at.readings


def _first(
    design: Design, base: Ints, after: Floats, *, limit: float, budget: float,
    fewer: Ints | None,
) -> Ints | None:  # fmt: skip
    """Return the best exchange with a criterion below a limit that can be paid; None if none is.

    Parameters
    ----------
    after : ndarray, shape (n_fewer, n)
        The criterion with one reading less of each of ``fewer`` and one more of a measurement.
    """
    better = np.flatnonzero(after < limit)
    better = better[np.argsort(after.flat[better], kind="stable")]
    for top in range(0, len(better), _AT_ONCE):
        k, j = np.divmod(better[top : top + _AT_ONCE], after.shape[1])
        trials = np.tile(base, (len(j), 1))
        at = np.arange(len(j))
        trials[at, j] += 1
        if fewer is not None:
            trials[at, fewer[k]] -= 1
        paid = design.offers.costs(trials) <= payable(budget)
        if paid.any():
            return np.asarray(trials[np.argmax(paid)])
    return None
