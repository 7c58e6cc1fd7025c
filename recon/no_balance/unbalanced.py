"""When there is no balance: what contradicts, what grows, and what would make a balance possible.

Nothing is an answer here, and nothing is changed; see `recycles` and `repairs` for the ways.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import log

import numpy as np
from scipy.special import chdtrc

from oretally.flowsheet import BalanceModel, BalanceProblem, Position, Survey
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.no_balance.recycles import Flows, HeldFlow, hold, holds
from oretally.recon.no_balance.repairs import RepairSearch
from oretally.recon.result import Closure, ErrorRates, Misfit, Unbalanced
from oretally.recon.signatures import signatures_of
from oretally.recon.solution import Solution
from oretally.recon.solver import WORK, Refitter

__all__ = ["why_unbalanced"]


_FAR = 3.0  # sd, from which a reading is told
_TOLD = 6
_APART = 30.0  # times the flow in the middle: what a flow is that may be off by decades
_UNCHECKED = 4  # readings that nothing checks, tried where the others agree
_DOUBTED = 2.0  # sd: what the others contradict by less is left alone
_BALANCES = 1e-6  # largest residual of a balance with which the objective of a point means much


def why_unbalanced(
    model: BalanceModel, solution: Solution, closures: Sequence[Closure], *,
    rates: ErrorRates, alpha: float, most: int | None = None,
) -> Unbalanced:  # fmt: skip
    """Say why a survey has no balance, and try what would make one possible.

    Parameters
    ----------
    model : BalanceModel
    solution : Solution
        Where the search for a balance ended.
    closures : sequence of Closure
        As measured.
    rates : ErrorRates
    alpha : float
        Level of the test of agreement.
    most : int, optional
        Changes of the survey that are tried at the most: by default as many as the work allows.
    """
    survey, problem, places = model.survey, model.problem, model.positions
    work = WORK.unbalanced if most is None else replace(WORK.unbalanced, most_alone=most)
    refitter = Refitter(problem, solution, work=work)
    flows = Flows.of(model.circuit, survey, problem, places=places)
    rings = flows.unlimited(solution)
    held = hold(flows, rings, alpha, refitter) if rings else None
    point = solution if held is None else held.solution
    dof = point.classes.degrees_of_freedom
    balanced = held is not None
    means = balanced or point.max_imbalance <= _BALANCES
    p = float(chdtrc(dof, point.objective)) if dof > 0 and means else None
    agree = means and (p is None or p >= alpha)
    off = _off(model, held.problem if held else problem, point, balanced=means)
    search = RepairSearch(survey, flows, places, solution, held, rates, refitter)
    apart = {} if means else _far_flows(problem, off)
    order = _order(solution, off, closures, held, agree=agree, apart=apart)
    repairs, untried = search.repairs(order)
    would, holds_untried = (
        holds(flows, survey, places, held=held, rings=rings, refitter=refitter,
              flows_only=not agree)
        if held else ((), 0)
    )  # fmt: skip
    return Unbalanced(
        recycles=rings,
        together=held.names if held else (),
        taken=survey.flow_unit.from_base(held.load) if held else 0.0,
        flow_unit=survey.flow_unit.symbol,
        holds=would,
        holds_untried=holds_untried,
        objective=point.objective,
        dof=dof,
        p=p,
        balanced=balanced,
        agree=agree,
        misfits=_misfits(survey, off),
        repairs=repairs,
        tried=search.tried,
        left_out=search.left_out,
        untried=untried,
        most=search.most,
    )  # fmt: skip


_Off = dict[Position, tuple[str, str, float]]


def _off(
    model: BalanceModel, problem: BalanceProblem, point: Solution, *, balanced: bool
) -> _Off:  # fmt: skip
    """Return stream, quantity and contradiction in sd of each reading.

    At a balanced point standardised by what the balances leave of its error; else as far as the
    reading is from where the search ended, in its own sd.
    """
    readings = model.positions.readings
    found = dict.fromkeys(readings.values(), 0.0)
    if balanced:
        signatures = signatures_of(problem, point, len(model.circuit.nodes))
        n = len(signatures.readings)
        found |= dict(zip(signatures.readings, map(float, signatures.statistic[:n]), strict=True))
    else:
        for k, j in found:
            measured, sd, there = (
                (problem.flow[j], problem.flow_sd[j], point.flow[j]) if k is None
                else (problem.grade[k, j], problem.grade_sd[k, j], point.grade[k, j])
            )  # fmt: skip
            if np.isfinite(there) and sd > 0.0:
                found[Position(k, j)] = float((measured - there) / sd)
    names = {place: name for name, place in readings.items()}
    return {place: (*names[place], found[place]) for place in names}


def _far_flows(problem: BalanceProblem, places: Iterable[Position]) -> dict[Position, float]:
    """Return how far flows are from the one in the middle, in proportion: those that are far."""
    flow = {p: float(problem.flow[p.carrier]) for p in places if p.analyte is None}
    size = {p: log(x) for p, x in flow.items() if x > 0.0}
    middle = float(np.median(list(size.values()))) if size else 0.0
    return {p: abs(x - middle) for p, x in size.items() if abs(x - middle) >= log(_APART)}


def _misfits(survey: Survey, off: _Off) -> tuple[Misfit, ...]:
    rows = []
    for stream, quantity, z in sorted(off.values(), key=lambda row: -round(abs(row[2]), 6)):
        m = survey.measured(stream, quantity)
        if abs(z) < _FAR or m is None or m.error_source == DECLARED_LOSS:
            continue
        rows.append(Misfit(stream, quantity, m.unit.symbol, m.value, m.sd, z))
    return tuple(rows[:_TOLD])


def _order(
    solution: Solution,
    off: _Off,
    closures: Sequence[Closure],
    held: HeldFlow | None,
    *,
    agree: bool,
    apart: Mapping[Position, float],
) -> list[Position]:
    """Return the readings to try, those first that are far apart, then what contradicts most.

    Where they agree, only those that nothing checks, and none if a flow is all that is missing.
    """
    if held is not None:
        if agree:
            return []
        doubted = [(abs(z), place) for place, (_, _, z) in off.items() if abs(z) >= _DOUBTED]
        return [place for _, place in sorted(doubted, key=lambda pair: -round(pair[0], 6))]
    worst: dict[str, float] = {}
    for c in closures:
        worst[c.quantity] = max(worst.get(c.quantity, 0.0), abs(c.z))
    classes = solution.classes

    def checked(place: Position) -> bool:
        k, j = place
        return bool(classes.flow_checked[j] if k is None else classes.grade_checked[k, j])

    def doubt(place: Position) -> float:
        _, quantity, z = off[place]
        # a closure does not say whose it is
        return round(max(abs(z), 0.5 * worst.get(quantity, 0.0)), 6)

    if not agree:  # what is out of all proportion, before what a point says that is no balance
        return sorted(off, key=lambda place: (-apart.get(place, 0.0), -doubt(place)))
    return sorted((p for p in off if not checked(p)), key=lambda p: -doubt(p))[:_UNCHECKED]
