"""The point at which a plan linearises the balances, and why there may be none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import (
    BalanceModel,
    Circuit,
    Fault,
    InputError,
    NotBalanceable,
    Place,
    Position,
    Survey,
)
from oretally.flowsheet.arrays import Floats, Ints
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.problem import check_survey, reference_streams
from oretally.recon.answers import Answers
from oretally.recon.plan.linearised import MOST_VALUES, Tangent, tangent_at
from oretally.recon.reduction import classes_of, require_scale, undetermined
from oretally.recon.solver import propagate, solve

__all__ = ["PlanPoint", "balanced_point"]

_STILL = 1e-9  # of the largest flow: a stream that stands still
_SHOWN = 5  # names in a message


@dataclass(frozen=True, eq=False)
class PlanPoint:
    """A balanced point.

    Attributes
    ----------
    flow, grade : ndarray
        In the units of the balance problem, without shared sources of error.
    tangent : Tangent
    answers : Answers
    at_zero : tuple of str
        Declared losses, and solids that dissolve, which the balance holds at their bound of 0.
    """

    flow: Floats
    grade: Floats
    tangent: Tangent
    answers: Answers
    at_zero: tuple[str, ...] = ()


def balanced_point(
    circuit: Circuit, survey: Survey, feed: str, products: Sequence[str]
) -> PlanPoint:
    """Return the balance of measured and expected values as the point of a plan.

    Raises
    ------
    InputError
        If a value is not known there, is held at a bound, or a stream stands still: then the
        linearised balances say nothing of what may happen.
    NotBalanceable
        If there is no balance of the values.
    """
    model = BalanceModel(circuit, survey)
    check_survey(model)
    feed, products = reference_streams(circuit, feed, products)
    require_scale(survey, feed)
    problem = model.problem
    bare = BalanceModel(circuit, replace(survey, shared=()))
    plain, places = bare.problem, bare.positions
    if len(places.rows) > MOST_VALUES:
        raise InputError([
            Fault(f"The circuit has {len(places.rows)} values; a plan takes no more than "
                  f"{MOST_VALUES}.", "Plan for a part of it, or for fewer analytes.")
        ])  # fmt: skip
    classes_of(problem, circuit, survey)
    solution = solve(problem)
    if not solution.converged:
        raise NotBalanceable(
            f"There is no balance of these values to plan from: {solution.status.value}.",
            "Of what is measured 'oretally balance' says what is in the way and what would help;\n"
            "correct or add what you expect in expected.csv.",
        )
    n, n_grades = plain.n_carriers, plain.n_analytes
    flow, grade = solution.flow[:n], solution.grade[:n_grades, :n]
    grade = _with_tied(grade, plain.tie[:n])
    names = {row.place: f"{row.quantity} of '{row.stream}'" for row in places.rows}
    faults = []
    shown = [row.place for row in places.rows]
    lost = {Position(*place) for place in undetermined(solution.classes, places.shown)}
    open_ = [names[p] for p in shown if p in lost]
    if open_:
        faults.append(
            Fault(f"Nothing tells {_listed(open_)}, and a plan needs a value to start from.",
                  "Write what you expect into expected.csv: columns as in measurements.csv.",
                  Place())
        )  # fmt: skip
    still = np.abs(flow) <= _STILL * np.nanmax(np.abs(flow))
    declared = {s.name for s in circuit.streams if s.declared or s.content is Content.DISSOLVED}
    free = {row.place.carrier for row in places.rows if row.stream in declared}
    # a loss of 0 is where a declared one is looked for
    stopped = [names[p] for p in shown if p.analyte is None and p not in lost and still[p.carrier]
               and p.carrier not in free]  # fmt: skip
    if stopped:
        faults.append(
            Fault(f"In the balance {_listed(stopped)} is 0: a stream that stands still has no "
                  "grades, and what moves it again cannot be foreseen.",
                  "Give values of the test as it will run, in expected.csv or in the "
                  "measurements.")
        )  # fmt: skip
    held = []
    for p in shown:
        if p.carrier in free:
            continue
        if p.analyte is None:
            at_bound = solution.flow_at_bound[p.carrier] and not still[p.carrier]
        else:
            at_bound = solution.grade_at_bound[p] and not still[p.carrier]
        if at_bound:
            held.append(names[p])
    if held:
        faults.append(
            Fault(f"The balance holds {_listed(held)} at a bound (0, or the richest possible): "
                  "there the errors of answers do not follow those of measurements in proportion.",
                  "Mend the measurement that drives it there, or give expected values.")
        )  # fmt: skip
    if faults:
        raise InputError(faults)
    tangent = tangent_at(plain, flow, grade, named=shown)
    answers = Answers.of(model, propagate(problem, solution), feed=feed, products=products)
    at_zero = tuple(
        row.stream for row in places.rows
        if row.place.carrier in free and row.place.analyte is None
        and solution.flow_at_bound[row.place.carrier]
    )  # fmt: skip
    return PlanPoint(flow, grade, tangent, answers, at_zero)


def _with_tied(grade: Floats, tie: Ints) -> Floats:
    """Return grades in which those that a stream at a standstill lacks are those of its tie."""
    found = grade.copy()
    for k, j in np.argwhere(np.isnan(grade)):
        same = grade[k, (tie == tie[j]) & np.isfinite(grade[k])]
        if len(same):
            found[k, j] = same[0]
    return found


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _SHOWN
    return ", ".join(names[:_SHOWN]) + (f" and {more} more" if more > 0 else "")
