"""The cheapest plan in which an error in any of its measurements leaves a signature of its own.

Every reading counts for itself: with V the covariance of the readings, R their rows and M the
information, errors in them leave signatures with the inner products V^-1 - V^-1 R M^-1 R' V^-1. An
error is told from all others if its signature has a length and no other has a correlation of `NEAR`
with it (`oretally.recon.signatures.equivalent_sets`). A gross error is one of a reading, not of
the sample behind it; losses at nodes are not looked at.

Readings without a signature, or two with one signature, stay so in every part of the plan: the
plan is cut off with all its parts that hold them, and HiGHS asked for the next cheapest.

Length and correlation of signatures: `oretally.recon.signatures.signatures`, where their source
stands. The search for the cheapest plan that tells them is our own; no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet.arrays import Ints
from oretally.recon.plan.design import Design
from oretally.recon.plan.levels import Levels
from oretally.recon.plan.moves import filled, open_answers
from oretally.recon.plan.rounding import MasterProblem
from oretally.recon.signatures import NEAR

__all__ = ["MOST_TOLD", "NO_TRACE", "Identifiable", "cheapest_identifiable", "confused"]

NO_TRACE = 2.0
_SILENT = 1e-7  # share of its information that an error without a signature leaves by rounding
MOST_TOLD = 3
"""Readings of one number that are looked at: they tell by themselves which is wrong."""
_LISTED = 70_000  # plans that are listed one by one
_FIRST, _FAR = 8, 0.5  # rounds after which a bound below this share of the cost is given up
_MOST_OTHERS = 20  # plans cut off one by one before the search is given up
_CENT = 1e-6
_EXACT = 1.0 - 1e-7  # correlation of signatures that point the same way whatever the sds are


@dataclass(frozen=True, eq=False)
class Identifiable:
    """A plan that tells every error in its measurements from every other.

    Attributes
    ----------
    readings : ndarray of int, shape (n,)
    cost : float
    proven : bool
        Whether no cheaper plan can do it.
    """

    readings: Ints
    cost: float
    proven: bool


def confused(
    design: Design, readings: Ints, pair: tuple[int, int] | None = None
) -> list[tuple[int, int, float]]:
    """Return measurements of a plan whose errors cannot be told from another's.

    Parameters
    ----------
    design : Design
    readings : ndarray of int, shape (n,)
    pair : (int, int), optional
        Look at these two alone.

    Returns
    -------
    list of (int, int, float)
        Two measurements and the correlation of the signatures of one reading of each; twice the
        same for two readings of one, or, with 2 in place of a correlation, for one without a
        signature.
    """
    o = design.offers
    taken = np.flatnonzero(readings > 0) if pair is None else np.unique(pair)
    n, own, stays = readings[taken], o.own[taken] ** 2, o.stays[taken] ** 2
    inverse, _ = design.inverse(o.information(readings))
    per_reading = 1.0 / (own + n * stays)  # weight of each of n readings that share a part
    R = design.rows[taken] * per_reading[:, None]
    between = -(R @ inverse @ R.T)
    sibling = np.diag(between) - stays / own * per_reading
    length = 1.0 / own + sibling
    silent = length * own <= _SILENT
    found = [(int(i), int(i), NO_TRACE) for i in taken[silent]]
    size = np.where(silent, 1.0, np.maximum(length, 1e-300)) ** -0.5
    correlation = np.abs(between * size[:, None] * size)
    np.fill_diagonal(correlation, np.where(n > 1, np.abs(sibling) * size**2, 0.0))
    for a, b in np.argwhere(np.triu(correlation >= NEAR)):
        if not (silent[a] or silent[b]):
            found.append((int(taken[a]), int(taken[b]), float(correlation[a, b])))
    return found


def cheapest_identifiable(design: Design, rounds: int = 30) -> Identifiable | None:
    """Return the cheapest plan that confuses no errors.

    It determines every answer and holds what is given; no number is read more than three times,
    beyond what is given: three readings tell by themselves which is wrong. None if there is none,
    or none was found.

    Parameters
    ----------
    design : Design
    rounds : int
        Plans that are looked at before the search is given up, where plans are too many to list.
    """
    o = design.offers
    most = np.maximum(np.minimum(o.most, MOST_TOLD), o.given)
    levels = most - o.given + 1
    if np.log(levels).sum() <= np.log(_LISTED):
        return _listed(design, most)
    design = replace(design, offers=replace(o, most=most))
    whole = _pared(design)
    return whole and (_by_cuts(design, rounds, whole.cost) or whole)


def _listed(design: Design, most: Ints) -> Identifiable | None:
    """Return the cheapest of all plans, listed by their cost."""
    o = design.offers
    plans = np.indices(tuple(most - o.given + 1)).reshape(o.n, -1).T + o.given
    cost = o.costs(plans)
    order = np.argsort(cost, kind="stable")
    plans, left = plans[order], np.ones(len(plans), dtype=bool)
    while left.any():
        trial = plans[np.argmax(left)]
        wrong = confused(design, trial)
        known = np.isfinite(design.criterion(trial))
        if known and not wrong:
            return Identifiable(trial, o.cost(trial), proven=True)
        left[np.argmax(left)] = False
        if not known:
            left &= (plans > _filled(design, trial, most, None)).any(axis=1)
        for a, b, size in wrong:
            if size >= _EXACT:
                full = _filled(design, trial, most, (a, b))
                twice = 1 if a == b and size < NO_TRACE else 0
                free = (plans > full).any(axis=1)
                left &= free | (plans[:, a] <= twice) | (plans[:, b] <= twice)
    return None


def _by_cuts(design: Design, rounds: int, below: float) -> Identifiable | None:
    """Return the cheapest plan, by HiGHS; None if the search ended without one below a cost."""
    o, others = design.offers, 0
    levels = Levels.of_design(design)
    master = MasterProblem(design, levels)
    for at in range(rounds):
        answer = master.solve(master.cost, below)
        if answer is None or others > _MOST_OTHERS:
            return None
        if at >= _FIRST and answer[1] < _FAR * below:
            return None
        trial = levels.readings(design, answer[0])
        wrong = confused(design, trial)
        known = np.isfinite(design.criterion(trial))
        if known and not wrong:
            return Identifiable(trial, o.cost(trial), proven=answer[1] >= o.cost(trial) - _CENT)
        if not known:
            _require_beyond(master, _filled(design, trial, o.most, None), None)
        exact = [pair for pair in wrong if pair[2] >= _EXACT]
        for a, b, size in exact:
            full = _filled(design, trial, o.most, (a, b))
            _require_beyond(master, full, (a, b), twice=a == b and size < NO_TRACE)
        if known and not exact:
            others += 1
            _require_other(master, trial)
    return None


def _filled(design: Design, readings: Ints, most: Ints, pair: tuple[int, int] | None) -> Ints:
    """Return the plan with all that leaves its fault as it is: the sharpest cut.

    The fault is an open answer, or a pair of measurements with one signature, or without any.
    Errors have one signature, or none, if what all others leave open moves nothing but the pair.
    """

    def stays(plan: Ints) -> bool:
        if pair is None:
            return not np.isfinite(design.criterion(plan))
        return any(w[:2] == pair and w[2] >= _EXACT for w in confused(design, plan, pair))

    of = sorted(set(pair or ()))
    others = [i for i in range(design.offers.n) if most[i] > readings[i] and i not in of]
    if pair is None:
        full = filled(design, readings, most, order=others, directions=open_answers(design))
    else:
        without = readings.copy()
        without[of] = 0
        rows = design.rows[of] / np.linalg.norm(design.rows[of], axis=1, keepdims=True)
        full = filled(design, without, most, order=others, directions=rows)
        full[of] = readings[of]
    if not stays(full):  # what is seen by a hair only
        return readings
    for i in of:  # of these each further reading counts
        for n in range(int(most[i]), int(full[i]), -1):
            trial = full.copy()
            trial[i] = n
            if stays(trial):
                full = trial
                break
    return full


def _require_beyond(
    master: MasterProblem, full: Ints, pair: tuple[int, int] | None, *, twice: bool = False
) -> None:
    """Ask for something beyond a plan, if the readings of the pair are in."""
    levels = master.levels
    row = (levels.count > full[levels.of]).astype(float)
    least = 1.0
    for i in set(pair or ()):
        if levels.base[i] > 0.0 and not twice:
            continue  # given: it is always in
        row[(levels.of == i) & (levels.count > (1 if twice else 0))] -= 1.0
        least -= 1.0
    master.require(row, least)


def _require_other(master: MasterProblem, trial: Ints) -> None:
    """Ask for any other plan than one."""
    levels = master.levels
    inside = trial[levels.of] == levels.count
    row = np.where(inside, -1.0, 1.0)
    master.require(row, 1.0 - float(inside.sum()))


def _pared(design: Design) -> Identifiable | None:
    """Return everything, without what is confused, then without the dear and needless.

    None if errors are confused, or an answer open, in what is left.
    """
    o = design.offers
    plan = o.most.copy()
    while wrong := confused(design, plan):
        loose = [i for a, b, _ in wrong for i in (a, b) if plan[i] > o.given[i]]
        if not loose:
            return None
        plan[max(loose, key=lambda i: (loose.count(i), o.price[i], -i))] -= 1
    if not np.isfinite(design.criterion(plan)):
        return None
    order = sorted(np.flatnonzero(plan > o.given).tolist(), key=lambda i: (-o.price[i], i))
    for i in order:
        for n in range(int(o.given[i]), int(plan[i])):
            trial = plan.copy()
            trial[i] = n
            if np.isfinite(design.criterion(trial)) and not confused(design, trial):
                plan = trial
                break
    return Identifiable(plan, o.cost(plan), proven=False)
