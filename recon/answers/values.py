"""One row for each quantity of each stream: measured, adjusted, class."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import BalanceModel, BalanceProblem, Position, Survey
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.problem import Row
from oretally.flowsheet.survey import Kind, Meaning
from oretally.recon.propagation import SEEN, detectable_error
from oretally.recon.reduction import Classes
from oretally.recon.result import BalancedValue, ValueClass
from oretally.recon.solver import Covariance

__all__ = ["balanced_values", "class_of", "measured_value", "never_by_size"]


def class_of(
    problem: BalanceProblem, classes: Classes, place: Position, *, at: Position
) -> ValueClass:
    """Return the class of one value, from what was measured and what the balances determine.

    ``at`` is where its measurement stands.
    """
    k, j = place
    if k is None:
        measured = np.isfinite(problem.flow[at.carrier])
        checked, determined = classes.flow_checked[at.carrier], classes.flow_determined[j]
    else:
        measured, checked = np.isfinite(problem.grade[at]), classes.grade_checked[at]
        determined = classes.grade_determined[k, j]
    if measured:
        return ValueClass.REDUNDANT if checked else ValueClass.NONREDUNDANT
    return ValueClass.OBSERVABLE if determined else ValueClass.UNOBSERVABLE


def never_by_size(model: BalanceModel) -> frozenset[tuple[str, str]]:
    """Return stream and quantity of what nobody looked for by size.

    Shares of the classes of streams that were not sieved, grades of the classes of streams that
    were not assayed by size: where no balance gives them either, nobody misses them.
    """
    known = {q: m for q, m in model.meanings.items() if m.run is not None}
    met = {(m.stream, known[m.quantity].analyte)
           for m in model.survey.measurements if m.quantity in known}  # fmt: skip
    return frozenset(
        (stream, quantity)
        for stream in model.circuit.stream_names
        for quantity, meaning in known.items()
        if (stream, meaning.analyte) not in met
    )


def balanced_values(
    model: BalanceModel, covariance: Covariance, alpha: float
) -> tuple[tuple[BalancedValue, ...], list[Position]]:
    """Return the rows, and where each stands in the arrays."""
    rows = model.positions.rows
    values = tuple(_value(row, model, covariance, alpha=alpha) for row in rows)
    return values, [row.place for row in rows]


def measured_value(row: Row, model: BalanceModel, classes: Classes) -> BalancedValue:
    """Return one row where there is no balance: as measured, and what could be known of it."""
    survey, places = model.survey, model.positions
    m = survey.measured(row.stream, row.quantity)
    gone = row.place.carrier in places.carriers.gone
    return BalancedValue(
        stream=row.stream, quantity=row.quantity,
        carrier=Content.DISSOLVED.value if gone else _carrier(row.meaning, survey),
        unit=(row.meaning.unit if m is None else m.unit).symbol,
        measured=m.value if m else None, sd=m.sd if m else None,
        adjusted=None, adjusted_sd=None, adjustment=None, standardised=None,
        value_class=class_of(model.problem, classes, row.place, at=places.measured_at(row.place)),
        redundancy=None, detectable_error=None,
        error_source=m.error_source if m else "", note=m.note if m else "",
    )  # fmt: skip


def _carrier(meaning: Meaning, survey: Survey) -> str:
    """Return what of the stream a value is of."""
    if meaning.kind in (Kind.WATER, Kind.SOLUTION):
        return "water"
    if meaning.kind in (Kind.WET, Kind.SOLIDS):
        return "pulp"
    return "solids" if meaning.run is None else survey.sizes.label(meaning.run)


def _value(row: Row, model: BalanceModel, covariance: Covariance, *, alpha: float) -> BalancedValue:
    """Return one row: measured against adjusted, in the unit that the user wrote."""
    survey, places = model.survey, model.positions
    solution, place, at = covariance.solution, row.place, places.measured_at(row.place)
    k, j = place
    m = survey.measured(row.stream, row.quantity)
    if k is None:
        adjusted, sd = solution.flow[j], covariance.flow_sd[j]
        at_bound = bool(solution.flow_at_bound[j])
    else:
        adjusted = solution.grade[k, j]
        sd, at_bound = covariance.grade_sd[k, j], bool(solution.grade_at_bound[k, j])
        # a share is 0 where the flow that it is of is at its bound
        at_bound |= k >= len(survey.analytes) and float(adjusted) == 0.0
    unit = m.unit if m is not None else row.meaning.unit
    value_class = class_of(covariance.problem, solution.classes, place, at=at)
    if k is not None and solution.flow[j] == 0.0:
        value_class, at_bound = ValueClass.ABSENT, False
    shown = value_class not in (ValueClass.UNOBSERVABLE, ValueClass.ABSENT)
    new = unit.from_base(float(adjusted)) if shown else None
    new_sd = unit.from_base(float(sd)) if shown and not at_bound and np.isfinite(sd) else None
    sampled = at.carrier in places.samples.values()  # there a share may be less well known
    if m is not None and new_sd is not None and not sampled and new_sd > m.sd * (1.0 + 1e-6):
        new_sd = None  # next to a stopped stream the propagation breaks down: nothing is known
    change = standardised = redundancy = detectable = None
    if m is not None and new is not None:
        change = new - m.value
        own_sd, moved, left_sd = m.sd, change, new_sd
        # what sources share, and how much a whole sample weighed, is no error of this reading
        if at != place and new_sd is not None:
            seen, seen_sd, sd_base = _observed(covariance, at)
            own_sd, left_sd = unit.from_base(sd_base), unit.from_base(seen_sd)
            moved = unit.from_base(seen) - m.value
        if left_sd is not None:
            redundancy = max(1.0 - (left_sd / own_sd) ** 2, 0.0)
        if redundancy is not None and value_class is ValueClass.REDUNDANT and redundancy > SEEN:
            standardised = moved / (own_sd * redundancy**0.5)
            detectable = detectable_error(own_sd, redundancy, alpha=alpha)
    return BalancedValue(
        stream=row.stream,
        quantity=row.quantity,
        carrier=(
            Content.DISSOLVED.value if j in places.carriers.gone else _carrier(row.meaning, survey)
        ),  # fmt: skip
        unit=unit.symbol,
        measured=m.value if m else None,
        sd=m.sd if m else None,
        adjusted=new,
        adjusted_sd=new_sd,
        adjustment=change,
        standardised=standardised,
        value_class=value_class,
        redundancy=redundancy,
        detectable_error=detectable,
        at_bound=at_bound,
        error_source=m.error_source if m else "",
        note=m.note if m else "",
    )


def _observed(covariance: Covariance, at: Position) -> tuple[float, float, float]:
    """Return the adjusted reading with what its sources add, its sd, and the sd of its own part."""
    solution, problem = covariance.solution, covariance.problem
    if at.analyte is None:
        j = at.carrier
        return float(solution.flow[j]), float(covariance.flow_sd[j]), float(problem.flow_sd[j])
    return float(solution.grade[at]), float(covariance.grade_sd[at]), float(problem.grade_sd[at])
