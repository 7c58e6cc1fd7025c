"""The point at which a plan linearises the balances, and why there may be none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit, OretallyError, Position, Positions, Survey
from oretally.flowsheet.arrays import Floats, Ints
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.problem import check_survey, reference_streams
from oretally.recon.answers import Answers, determining_measurements
from oretally.recon.plan.linearised import MOST_VALUES, Tangent, tangent_at
from oretally.recon.reduction import classes_of, require_scale, undetermined
from oretally.recon.solution import Solution
from oretally.recon.solver import propagate, solve

__all__ = ["NoPlanPoint", "PlanPoint", "balanced_point"]

_STILL = 1e-9  # of the largest flow: a stream that stands still
_Name = tuple[str, str]


@dataclass(frozen=True, eq=False)
class PlanPoint:
    """A balanced point.

    Attributes
    ----------
    flow, grade : ndarray, shape (n_carriers,) and (n_analytes, n_carriers)
        In the units of the balance problem, without shared sources of error.
    places : Positions
        Of its values, without shared sources too.
    tangent : Tangent
    answers : Answers
    at_zero : tuple of str
        Declared losses, and solids that dissolve, which the balance holds at their bound of 0.
    """

    flow: Floats
    grade: Floats
    places: Positions
    tangent: Tangent
    answers: Answers
    at_zero: tuple[str, ...] = ()


class NoPlanPoint(OretallyError):
    """A plan has no point to start from.

    Attributes
    ----------
    n_values : int
        Of a circuit that has more than `MOST_VALUES`; else 0.
    status : str
        Why the search for a balance ended without one; empty if there is one.
    unknown : tuple of (stream, quantity)
        Values that nothing tells.
    would_tell : tuple of (stream, quantity)
        Those that would tell all of these, where they are fewer.
    stopped : tuple of (stream, quantity)
        Flows that are 0.
    held : tuple of (stream, quantity)
        Values at a bound.
    """

    def __init__(
        self, *, n_values: int = 0, status: str = "", unknown: Sequence[_Name] = (),
        would_tell: Sequence[_Name] = (), stopped: Sequence[_Name] = (), held: Sequence[_Name] = (),
    ) -> None:  # fmt: skip
        self.n_values, self.status = n_values, status
        self.unknown, self.stopped, self.held = tuple(unknown), tuple(stopped), tuple(held)
        self.would_tell = tuple(would_tell)
        super().__init__("There is no balanced point to plan from.")


def balanced_point(
    circuit: Circuit, survey: Survey, *, feed: str | Sequence[str],
    products: Sequence[str] | None,
) -> PlanPoint:  # fmt: skip
    """Return the balance of measured and expected values as the point of a plan.

    Raises
    ------
    NoPlanPoint
        If there is no balance of the values, a value is not known there, is held at a bound, or a
        stream stands still: then the linearised balances say nothing of what may happen.
    InputError, NotBalanceable
        As `oretally.recon.reconcile`.
    """
    model, bare = (BalanceModel(circuit, s) for s in (survey, replace(survey, shared=())))
    check_survey(model)
    feeds, products = reference_streams(circuit, feed, products)
    require_scale(survey, feeds)
    plain, places = bare.problem, bare.positions
    if len(places.rows) > MOST_VALUES:
        raise NoPlanPoint(n_values=len(places.rows))
    classes_of(model)
    solution = solve(model.problem)
    if not solution.converged:
        raise NoPlanPoint(status=solution.status.value)
    _check(bare, solution)
    flow, grade = solution.flow[: plain.n_carriers], solution.grade[: plain.n_analytes]
    grade = _with_tied(grade[:, : plain.n_carriers], plain.tie)
    tangent = tangent_at(plain, flow, grade, named=[row.place for row in places.rows])
    covariance = propagate(model.problem, solution)
    answers = Answers.of(model, covariance, feeds=feeds, products=products)
    at_zero = tuple(
        row.stream for row in places.rows
        if row.stream in _free(circuit) and row.place.analyte is None
        and solution.flow_at_bound[row.place.carrier]
    )  # fmt: skip
    return PlanPoint(flow, grade, places, tangent, answers, at_zero)


def _free(circuit: Circuit) -> set[str]:
    """Return the streams that may well be 0: declared losses, and solids that dissolve."""
    return {s.name for s in circuit.streams if s.declared or s.content is Content.DISSOLVED}


def _check(model: BalanceModel, solution: Solution) -> None:
    """Refuse a balance at which a value is unknown, held at a bound, or a stream stands still."""
    free, places = _free(model.circuit), model.positions
    flow = np.abs(solution.flow[: model.problem.n_carriers])
    still = flow <= _STILL * np.nanmax(flow)
    lost = {Position(*place) for place in undetermined(solution.classes, places.shown)}
    unknown, stopped, held = list[_Name](), list[_Name](), list[_Name]()
    for row in places.rows:
        (k, j), name = row.place, (row.stream, row.quantity)
        if row.place in lost:
            unknown.append(name)
        if row.stream in free:
            continue
        at_bound = solution.flow_at_bound[j] if k is None else solution.grade_at_bound[k, j]
        if still[j]:
            stopped += [name] if k is None and row.place not in lost else []
        elif at_bound:
            held.append(name)
    if unknown or stopped or held:
        tell = determining_measurements(model) if unknown else ()
        fewer = tell if len(tell) < len(unknown) else ()
        raise NoPlanPoint(unknown=unknown, would_tell=fewer, stopped=stopped, held=held)


def _with_tied(grade: Floats, tie: Ints) -> Floats:
    """Return grades in which those that a stream at a standstill lacks are those of its tie."""
    found = grade.copy()
    for k, j in np.argwhere(np.isnan(grade)):
        same = grade[k, (tie == tie[j]) & np.isfinite(grade[k])]
        if len(same):
            found[k, j] = same[0]
    return found
