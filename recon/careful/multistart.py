"""One survey from many first flows: the best minimum, and how many starts lead to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.batch import Engine, GradeData, first_guesses, scattered, searched_flows
from oretally.recon.careful.damped_newton import minimise
from oretally.recon.reduction import ReducedProblem
from oretally.recon.solution import Solution

__all__ = ["best_of_starts"]


_FOLLOWED = 3  # different minima found by the search that are followed to the end
_SAME = 1e-6  # objectives closer than this, relative and absolute, are one
_AT_REST = 1e-6  # flows below this share of the largest count as stopped


def best_of_starts(
    problem: BalanceProblem, reduced: ReducedProblem, engine: Engine, *, data: GradeData,
    starts: int, thorough: bool,
) -> Solution:  # fmt: skip
    """Return the best minimum that several first flows lead to.

    Parameters
    ----------
    problem : BalanceProblem
        One survey.
    reduced : ReducedProblem
    engine : Engine
    data : GradeData
        Of that survey.
    starts : int
    thorough : bool
        Whether to follow up to three of the minima that the search found, not only the best.
    """
    guesses = scattered(first_guesses(engine, data, reduced.flow), starts)
    flows, values = searched_flows(engine, data, reduced.flow, guesses=guesses)
    reached = _objectives(engine, reduced, flows, values)
    order = np.argsort(reached, kind="stable")
    flows, reached = flows[:, order], reached[order]
    best = _followed(problem, reduced, flows, reached, thorough)
    if best is None or not best.converged:
        best = _better(best, minimise(problem, reduced))
    agreeing = int((reached <= best.objective + _SAME * (1.0 + best.objective)).sum())
    return replace(best, starts=starts, agreeing=agreeing)


def _followed(
    problem: BalanceProblem, reduced: ReducedProblem, flows: Floats, reached: Floats,
    thorough: bool,
) -> Solution | None:  # fmt: skip
    """Follow the lowest points to their minima; return the best, the first if it is good."""
    best, last, followed = None, -np.inf, 0
    for start, value in zip(flows.T, reached, strict=True):
        if value <= last + _SAME * (1.0 + abs(last)):
            continue
        last, followed = value, followed + 1
        best = _better(best, minimise(problem, reduced, start))
        if followed == _FOLLOWED or (best.converged and not thorough):
            break
    return best


def _better(one: Solution | None, other: Solution) -> Solution:
    """Return the solution with the lower objective; among equal ones that which converged."""
    if one is None:
        return other
    near = _SAME * (1.0 + abs(one.objective))
    if abs(one.objective - other.objective) <= near and one.converged != other.converged:
        return one if one.converged else other
    return other if other.objective < one.objective else one


def _objectives(engine: Engine, reduced: ReducedProblem, flows: Floats, values: Floats) -> Floats:
    """Return objectives; measurements of one grade need not agree in streams that have stopped."""
    spread = np.sum([a.spread for a in reduced.analytes], axis=0)
    carried = engine.lanes.on_groups(np.abs(flows))
    running = carried > _AT_REST * np.abs(flows).max(axis=0, initial=0.0)
    return np.asarray(2.0 * (values + spread @ running))
