"""Surveys of a campaign in the order of time, each balanced by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from oretally.flowsheet import BalanceModel, InputError, NotBalanceable
from oretally.flowsheet.problem import check_survey
from oretally.flowsheet.survey import DatedSurvey
from oretally.recon.reduction import classes_of, require_scale
from oretally.recon.solution import Solution
from oretally.recon.solver import Covariance, propagate, solve_certified

__all__ = [
    "DatedBalance",
    "NoDatedBalance",
    "Timeline",
    "balanced_in_time",
    "dated_balance",
    "in_time",
]

_DAY = 86_400.0


@dataclass(frozen=True)
class Timeline:
    """Surveys in the order of time.

    Attributes
    ----------
    surveys : tuple of DatedSurvey
    time : tuple of float
        In days from the first; in surveys, 0, 1, 2, if one of them has no time.
    clock : str
        'days' or 'surveys'.
    """

    surveys: tuple[DatedSurvey, ...]
    time: tuple[float, ...]
    clock: str


@dataclass(frozen=True, eq=False)
class DatedBalance:
    """A survey of a campaign with its balance.

    Attributes
    ----------
    number : int
        Place in the timeline, from 0.
    dated : DatedSurvey
    model : BalanceModel
    solution : Solution
    """

    number: int
    dated: DatedSurvey
    model: BalanceModel
    solution: Solution

    @cached_property
    def covariance(self) -> Covariance:
        """Of its adjusted values."""
        return propagate(self.model.problem, self.solution)


@dataclass(frozen=True, slots=True)
class NoDatedBalance:
    """A survey that could not be balanced, and why."""

    number: int
    label: str
    reason: str


def in_time(surveys: Sequence[DatedSurvey]) -> Timeline:
    """Return surveys in the order of time; as given if one of them has none, or they disagree.

    Times with an offset and times without one cannot be compared: then the order stays as well.
    """
    times = [s.time for s in surveys]
    aware = {t is not None and t.tzinfo is not None for t in times}
    if not surveys or any(t is None for t in times) or len(aware) > 1:
        return Timeline(tuple(surveys), tuple(map(float, range(len(surveys)))), "surveys")
    known = sorted(
        ((t, i, s) for i, (t, s) in enumerate(zip(times, surveys, strict=True)) if t is not None),
        key=lambda row: row[:2],
    )
    first = known[0][0]
    days = tuple((t - first).total_seconds() / _DAY for t, _, _ in known)
    if days[-1] == 0.0:
        return Timeline(tuple(surveys), tuple(map(float, range(len(surveys)))), "surveys")
    return Timeline(tuple(s for _, _, s in known), days, "days")


def balanced_in_time(timeline: Timeline) -> Iterator[DatedBalance | NoDatedBalance]:
    """Yield each survey with its balance, or why there is none; one never stops the others."""
    for number, dated in enumerate(timeline.surveys):
        yield dated_balance(number, dated)


def dated_balance(number: int, dated: DatedSurvey) -> DatedBalance | NoDatedBalance:
    """Return one survey with its balance, or why there is none."""
    model = BalanceModel(dated.circuit, dated.survey)
    try:
        check_survey(model)
        require_scale(dated.survey, dated.circuit.ore_feeds)
        solution = _solved(model)
    except InputError as error:
        reason = " ".join(str(error.faults[0]).split())
        return NoDatedBalance(number, dated.label, reason)
    except NotBalanceable as error:
        return NoDatedBalance(number, dated.label, error.reason)
    if solution.converged:
        return DatedBalance(number, dated, model, solution)
    return NoDatedBalance(number, dated.label, f"no balance was found: {solution.status.value}")


def _solved(model: BalanceModel) -> Solution:
    """Solve; where that fails, exact values that contradict each other are named."""
    try:
        found = solve_certified(model.problem)
    except NotBalanceable:
        classes_of(model)
        raise
    if not found.converged:
        classes_of(model)
    return found
