"""One row for each quantity of each stream: measured, adjusted, class."""

from __future__ import annotations

from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
    return _class(bool(measured), bool(checked), bool(determined))


def _class(measured: bool, checked: bool, determined: bool) -> ValueClass:
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
    rows, balanced = model.positions.rows, _Balanced(model, covariance, alpha)
    return tuple(map(balanced.row, rows)), [row.place for row in rows]


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


_Lists = list[list[Any]]  # of each analyte by carrier, those of the flows last


def _lists(of_flow: NDArray[Any], of_grade: NDArray[Any]) -> _Lists:
    return [*of_grade.tolist(), of_flow.tolist()]


class _Balanced:
    """What the balance says of each place; as lists, which are quicker to read one by one."""

    def __init__(self, model: BalanceModel, covariance: Covariance, alpha: float) -> None:
        solution, problem, classes = covariance.solution, model.problem, covariance.solution.classes
        self.survey, self.positions = model.survey, model.positions
        self.carried = {q: _carrier(meaning, model.survey) for q, meaning in model.meanings.items()}
        self.sampled = frozenset(model.positions.samples.values())
        bound = solution.grade_at_bound.copy()
        # a share is 0 where the flow that it is of is at its bound
        shares = slice(len(model.survey.analytes), None)
        bound[shares] |= solution.grade[shares] == 0.0
        self.stopped = (solution.flow == 0.0).tolist()
        self.adjusted = _lists(solution.flow, solution.grade)
        held = covariance.held  # checks are of the estimates, which stay at their bounds
        self.sd = _lists(covariance.flow_sd, covariance.grade_sd)
        self.held_sd = _lists(held.flow_sd, held.grade_sd)
        self.own_sd = _lists(problem.flow_sd, problem.grade_sd)
        self.at_bound = _lists(solution.flow_at_bound, bound)
        self.measured = _lists(np.isfinite(problem.flow), np.isfinite(problem.grade))
        self.checked = _lists(classes.flow_checked, classes.grade_checked)
        self.determined = _lists(covariance.flow_determined, covariance.grade_determined)
        # the least error that is found is in proportion to it
        self.detectable = detectable_error(1.0, 1.0, alpha=alpha) or 0.0

    def row(self, row: Row) -> BalancedValue:
        """Return one row: measured against adjusted, in the unit that the user wrote."""
        place, at = row.place, self.positions.measured_at(row.place)
        k, j = _indices(place)
        seen_k, seen_j = _indices(at)
        m = self.survey.measured(row.stream, row.quantity)
        unit = m.unit if m is not None else row.meaning.unit
        sd, at_bound = self.sd[k][j], self.at_bound[k][j]
        value_class = _class(
            self.measured[seen_k][seen_j], self.checked[seen_k][seen_j], self.determined[k][j]
        )
        if place.analyte is not None and self.stopped[j]:
            value_class, at_bound = ValueClass.ABSENT, False
        shown = value_class is not ValueClass.UNOBSERVABLE and value_class is not ValueClass.ABSENT
        new = unit.from_base(self.adjusted[k][j]) if shown else None
        new_sd = unit.from_base(sd) if shown and not at_bound and isfinite(sd) else None
        left_sd = None if new_sd is None else unit.from_base(self.held_sd[k][j])
        if (
            m is not None and left_sd is not None and left_sd > m.sd * (1.0 + 1e-6)
            and at.carrier not in self.sampled  # there a share may be less well known
        ):  # fmt: skip
            # next to a stopped stream the propagation breaks down: nothing is known
            new_sd = left_sd = None
        change = standardised = redundancy = detectable = None
        if m is not None and new is not None:
            change = new - m.value
            own_sd, moved = m.sd, change
            # what sources share, and how much a whole sample weighed, is no error of this reading
            if at != place and new_sd is not None:
                own_sd = unit.from_base(self.own_sd[seen_k][seen_j])
                left_sd = unit.from_base(self.held_sd[seen_k][seen_j])
                moved = unit.from_base(self.adjusted[seen_k][seen_j]) - m.value
            if left_sd is not None:
                redundancy = max(1.0 - (left_sd / own_sd) ** 2, 0.0)
            if redundancy is not None and value_class is ValueClass.REDUNDANT and redundancy > SEEN:
                standardised = moved / (own_sd * redundancy**0.5)
                detectable = own_sd * self.detectable / redundancy**0.5
        gone = j in self.positions.carriers.gone
        return BalancedValue(
            stream=row.stream,
            quantity=row.quantity,
            carrier=Content.DISSOLVED.value if gone else self.carried[row.quantity],
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


def _indices(place: Position) -> tuple[int, int]:
    """Return where a place stands in lists as `_lists` makes them."""
    return (-1 if place.analyte is None else place.analyte), place.carrier
