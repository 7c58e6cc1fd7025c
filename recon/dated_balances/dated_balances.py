"""Surveys of a campaign in the order of time, each with its own balance, found side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from oretally.flowsheet import BalanceModel, InputError, NotBalanceable
from oretally.flowsheet.problem import check_survey
from oretally.flowsheet.survey import DatedSurvey
from oretally.recon.reduction import classes_of, require_scale
from oretally.recon.solution import Solution
from oretally.recon.solver import Covariance, propagate, solve_certified, solve_one_circuit

__all__ = [
    "DatedBalance",
    "NoDatedBalance",
    "Timeline",
    "balanced_in_time",
    "dated_balance",
    "in_time",
]

_DAY = 86_400.0
_TOGETHER = 200  # surveys that are balanced before the first of them is handed on


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
    """Yield each survey with its balance, or why there is none; one never stops the others.

    Surveys of one circuit are balanced side by side, whatever they leave out; what needs care, as
    `dated_balance` does.
    """
    for first in range(0, len(timeline.surveys), _TOGETHER):
        some = timeline.surveys[first : first + _TOGETHER]
        ready = [_model_of(first + i, dated) for i, dated in enumerate(some)]
        at = [i for i, model in enumerate(ready) if isinstance(model, BalanceModel)]
        problems = [model.problem for model in ready if isinstance(model, BalanceModel)]
        quick = dict(zip(at, solve_one_circuit(problems), strict=True))
        for i, (dated, model) in enumerate(zip(some, ready, strict=True)):
            if isinstance(model, NoDatedBalance):
                yield model
            else:
                yield _balanced(first + i, dated, model, quick[i])


def dated_balance(number: int, dated: DatedSurvey) -> DatedBalance | NoDatedBalance:
    """Return one survey with its balance, or why there is none."""
    model = _model_of(number, dated)
    return model if isinstance(model, NoDatedBalance) else _balanced(number, dated, model, None)


def _model_of(number: int, dated: DatedSurvey) -> BalanceModel | NoDatedBalance:
    """Return the survey with its circuit, or why it cannot be balanced."""
    model = BalanceModel(dated.circuit, dated.survey)
    try:
        check_survey(model)
        require_scale(dated.survey, dated.circuit.ore_feeds)
    except (InputError, NotBalanceable) as error:
        return _refused(number, dated, error)
    return model


def _refused(
    number: int, dated: DatedSurvey, error: InputError | NotBalanceable
) -> NoDatedBalance:  # fmt: skip
    told = error.reason if isinstance(error, NotBalanceable) else str(error.faults[0])
    return NoDatedBalance(number, dated.label, " ".join(told.split()))


def _balanced(
    number: int, dated: DatedSurvey, model: BalanceModel, solution: Solution | None
) -> DatedBalance | NoDatedBalance:
    """Return the survey with the balance that was found, or with one found with all care."""
    try:
        solution = solution or _solved(model)
    except (InputError, NotBalanceable) as error:
        return _refused(number, dated, error)
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
