"""One survey from many first flows: the best minimum, and how many starts lead to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.recon.damped_newton import minimise
from oretally.recon.lane_curvature import DenseModels, Slopes
from oretally.recon.lane_newton import Engine
from oretally.recon.lanes import GradeData
from oretally.recon.presolve import ReducedProblem
from oretally.recon.search import first_guesses, scattered, searched_flows
from oretally.recon.solution import Solution

__all__ = ["best_of_starts"]

Floats = NDArray[np.float64]

_FOLLOWED = 3  # different minima found by the search that are followed to the end
_SAME = 1e-6  # objectives closer than this, relative and absolute, are one
_STOPS = 6  # streams that are tried at a standstill
_STANDSTILL = 1e-7  # of a stream's flow


def best_of_starts(
    problem: BalanceProblem, reduced: ReducedProblem, engine: Engine, data: GradeData,
    starts: int, *, thorough: bool,
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
        Whether to try streams at a standstill too, and to follow every minimum to the end.
    """
    guesses = scattered(first_guesses(engine, data, reduced.flow), starts)
    flows, values = searched_flows(engine, data, reduced.flow, guesses)
    aside = sum(a.remainder for a in reduced.analytes)
    reached = 2.0 * (values + aside)
    best = _followed(problem, reduced, flows, reached, thorough)
    if best is None or not best.converged:
        best = _better(best, minimise(problem, reduced))
    if thorough:
        for _ in range(_STOPS):
            still = _standstills(engine, data, reduced, best)
            flows, values = searched_flows(engine, data, reduced.flow, still)
            tried = 2.0 * (values + aside)
            reached = np.concatenate([reached, tried])
            low = tried < best.objective * (1.0 - _SAME)
            found = _followed(problem, reduced, flows[:, low], tried[low], thorough)
            if found is None or _better(best, found) is best:
                break
            best = found
    agreeing = int((reached <= best.objective + _SAME * (1.0 + best.objective)).sum())
    return replace(best, starts=reached.size, agreeing=agreeing)


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


def _standstills(
    engine: Engine, data: GradeData, reduced: ReducedProblem, best: Solution
) -> Floats:
    """Return guesses with one or more streams all but stopped, shape (n_carriers, n_guesses).

    A stopped stream has no grade, so that its measured grades cost nothing. Streams are those for
    which this outweighs, to first order, what the change of flows costs.
    """
    flow = best.flow / reduced.flow_scale
    lanes, flows = engine.lanes, engine.flows
    point = lanes.evaluate(data, flow[:, None])
    model = engine.curvature.model(Slopes.at(lanes, point, exact=False))
    misfit = data.weight * (point.x - data.target) ** 2
    freed = lanes.on_carriers(misfit.sum(axis=1))[:, 0]
    spread = np.full(flow.size, np.inf)
    if isinstance(model, DenseModels) and model.definite[0]:
        spread = (flows.Z * model.solve_all(flows.Z.T).T).sum(axis=1)
    above = flow - flows.lower
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(above > 0.0, freed - above**2 / spread, -np.inf)
    likely = np.argsort(-gain, kind="stable")[:_STOPS]
    likely = likely[gain[likely] > 0.0]
    running = np.maximum(above, 1e-9 * max(float(above.max(initial=0.0)), 1e-300))
    guesses = [running]
    together = running.copy()
    for c in likely:
        alone = running.copy()
        alone[c] *= _STANDSTILL
        together = together.copy()
        together[c] *= _STANDSTILL
        guesses += [alone, together]
    return np.array(guesses).T
