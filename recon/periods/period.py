"""A period: its shifts judged, balanced together and summed."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime

from oretally.flowsheet import BalanceModel, InputError, NotBalanceable
from oretally.flowsheet.problem import check_survey, reference_streams
from oretally.flowsheet.survey import Basis, DatedSurvey, without_sizes
from oretally.recon.other_surveys import far_from_others
from oretally.recon.periods.calendar import Gap, gaps_of, span_of
from oretally.recon.periods.choice import joint_balance
from oretally.recon.periods.joint import JointBalance
from oretally.recon.periods.rows import Period, PeriodShift, SurveyLeftOut
from oretally.recon.periods.shifts import Coupled, coupled
from oretally.recon.periods.suspects import suspects_of
from oretally.recon.periods.totals import Totals
from oretally.recon.periods.unaccounted import unaccounted
from oretally.recon.propagation import global_test
from oretally.recon.reduction import classes_of, require_scale
from oretally.recon.result import GlobalTest
from oretally.recon.solver import solve_certified

__all__ = ["balance_period"]


def balance_period(
    surveys: Sequence[DatedSurvey],
    *,
    name: str = "",
    begin: datetime | None = None,
    end: datetime | None = None,
    by: str | None = None,
    feed: str | Sequence[str] | None = None,
    products: Sequence[str] | None = None,
    lost: Sequence[str] = (),
    common: Collection[str] = (),
    stood_still: bool = False,
    hours: float | None = None,
    left_out: Sequence[SurveyLeftOut] = (),
    alpha: float = 0.05,
) -> Period:
    """Balance the surveys of a period together, and sum what they made.

    Sieve analyses are not used: sums are of bulk masses and grades.

    Parameters
    ----------
    surveys : sequence of DatedSurvey
        Of the campaign; those of the period are chosen by their times.
    name : str
        What the period is called.
    begin, end : datetime, optional
        Surveys that began from ``begin`` on and before ``end``; all by default.
    by : str, optional
        'day', 'week' or 'month': sums of each, too.
    feed, products : optional
        As for `reconcile`.
    lost : sequence of str
        Products that count as lost; by default all but the richest, analyte by analyte.
    common : collection of str
        Names of sources of error that are one and the same in all surveys, whatever is stated.
    stood_still : bool
        Whether the plant stood still where surveys are missing: stocks are handed on then.
    hours : float, optional
        How long each shift ran: needed for rates.
    left_out : sequence of SurveyLeftOut
        Surveys that were taken, and are none of ``surveys``: nothing is handed on over them.
    alpha : float
        Level of the tests.

    Raises
    ------
    NotBalanceable
        If the period has no survey that can be balanced, or they have no balance together.
    InputError
        If a stream that is named is none of the circuit.
    """
    sized = [s.label for s in surveys if s.survey.sizes.n_classes]
    surveys = [replace(s, survey=without_sizes(s.survey)) for s in surveys]
    there, left = _chosen(surveys, begin, end)
    out = [(x, _clock(x.time)) for x in left_out if x.time is not None]
    left += [x for x, time in out if _within(time, begin, end)]
    if not there:
        raise NotBalanceable(
            f"No survey of the period {name} can be balanced."
            if left else f"The campaign has no survey in the period {name}.".replace(" .", "."),
            "\n".join(f"'{x.label}': {x.reason}" for x in left) or "Name another period.",
        )  # fmt: skip
    _require_hours(there, hours)
    feeds, wanted = reference_streams(there[0].circuit, feed, products)
    good, tests = list[DatedSurvey](), list[GlobalTest]()
    for survey in there:
        test = _alone(survey, feeds, alpha)
        if isinstance(test, SurveyLeftOut):
            left.append(test)
        else:
            good.append(survey)
            tests.append(test)
    if not good:
        raise NotBalanceable(
            f"No survey of the period {name} can be balanced.",
            "\n".join(f"'{x.label}': {x.reason}" for x in left),
        )
    dated = sorted([*((_clock(s.time), s.label) for s in surveys if s.time is not None),
                    *((time, x.label) for x, time in out)])  # fmt: skip
    limits = (None if t is None else _clock(t) for t in (begin, end))
    gaps = gaps_of([(label, time) for time, label in dated], *limits)
    cut = _cut(there, good, gaps, [time for _, time in out], stood_still=stood_still)
    together = coupled(good, common=common, cut=cut)
    joint = joint_balance(together)
    totals = Totals(joint, feeds=feeds, products=wanted, lost=lost, hours=hours or 1.0)
    groups: dict[str, list[int]] = {name or "all": [*range(len(good))]}
    for t, shift in enumerate(together.shifts):
        if by is not None:
            groups.setdefault(f"{by} {span_of(shift.time, by)}", []).append(t)
    whole, *parts = totals.parts(groups)
    within, between = _sources(together)
    test = _test(joint, alpha)
    shifts = _judged(together, tests, alpha)
    suspects = () if test.consistent is not False else suspects_of(
        joint, lambda changed: joint_balance(coupled(changed, common=common, cut=cut)), good,
        surveys, doubtful=[s.label for s in shifts if s.doubtful], alpha=alpha,
    )  # fmt: skip
    return Period(
        name=name, whole=whole,
        parts=tuple(replace(p, name=p.name.removeprefix(f"{by} ")) for p in parts),
        shifts=shifts, left_out=tuple(left), gaps=gaps,
        carried_over_gaps=stood_still,
        interrupted=tuple((good[t - 1].label, good[t].label) for t in together.cut),
        once=together.once,
        handed_on=len({(link.node, link.after) for link in together.links}),
        unaccounted=unaccounted(totals), test=test, suspects=suspects,
        within_surveys=within, between_surveys=between, feeds=feeds, hours=hours,
        without_sizes=tuple(s.label for s in good if s.label in sized),
        far=far_from_others(surveys, {s.label for s in good}),
    )  # fmt: skip


def _chosen(
    surveys: Sequence[DatedSurvey], begin: datetime | None, end: datetime | None
) -> tuple[list[DatedSurvey], list[SurveyLeftOut]]:
    """Return the surveys of the period in order, and those without a time."""
    left = [SurveyLeftOut(s.label, "it has no time", None) for s in surveys if s.time is None]
    dated = [(s.time, s) for s in surveys if s.time is not None]
    kept = [
        (time, s) for time, s in dated if _within(_clock(time), begin, end)
    ]  # fmt: skip
    return [s for _, s in sorted(kept, key=lambda pair: (pair[0], pair[1].label))], left


def _clock(time: datetime) -> datetime:
    """Return a time by the clock of the plant."""
    return time.replace(tzinfo=None)


def _within(time: datetime, begin: datetime | None, end: datetime | None) -> bool:
    return (begin is None or time >= _clock(begin)) and (end is None or time < _clock(end))


def _require_hours(surveys: Sequence[DatedSurvey], hours: float | None) -> None:
    rates = [s for s in surveys if s.survey.basis is Basis.RATE]
    if rates and hours is None:
        raise NotBalanceable(
            f"The survey '{rates[0].label}' has rates: it takes time to make an amount of them.",
            "Say how many hours each survey stands for, with --hours.",
        )
    if not rates and hours is not None:
        raise NotBalanceable(
            "The surveys have masses, which are amounts already: hours have no say.",
            "Leave out the hours.",
        )
    if rates and len(rates) < len(surveys):
        other = next(s for s in surveys if s.survey.basis is not Basis.RATE)
        raise NotBalanceable(
            f"'{rates[0].label}' has rates and '{other.label}' masses: they are not summed.",
            "Take a period that has one of the two.",
        )


def _alone(survey: DatedSurvey, feeds: Sequence[str], alpha: float) -> GlobalTest | SurveyLeftOut:
    """Balance a survey by itself; why it has no balance."""
    model = BalanceModel(survey.circuit, survey.survey)
    try:
        check_survey(model)
        require_scale(survey.survey, feeds)
        classes_of(model)
        solution = solve_certified(model.problem)
    except InputError as error:
        return SurveyLeftOut(survey.label, error.faults[0].problem, survey.time)
    except NotBalanceable as error:
        return SurveyLeftOut(survey.label, error.reason, survey.time)
    if not solution.converged:
        return SurveyLeftOut(survey.label, "it has no balance by itself", survey.time)
    return global_test(solution.objective, solution.classes.degrees_of_freedom, alpha)


def _cut(
    there: Sequence[DatedSurvey], good: Sequence[DatedSurvey], gaps: Sequence[Gap],
    out: Sequence[datetime], *, stood_still: bool,
) -> set[str]:  # fmt: skip
    """Return the surveys to which nothing is handed on: one is missing, or left out, before.

    ``out`` are the times of those that were left out beforehand.
    """
    cut = set() if stood_still else {g.after for g in gaps if g.before}
    kept = {s.label for s in good}
    for before, after in zip(there, there[1:], strict=False):
        a, b = (_clock(s.time) for s in (before, after) if s.time is not None)
        if before.label not in kept or any(a <= time <= b for time in out):
            cut.add(after.label)
    return cut


def _judged(
    together: Coupled, tests: Sequence[GlobalTest], alpha: float
) -> tuple[PeriodShift, ...]:
    """Return the shifts with their tests; doubtful is what would be rare among so many."""
    n = sum(t.p is not None for t in tests)
    return tuple(
        PeriodShift(s.label, s.time, t, t.p is not None and 1.0 - (1.0 - t.p) ** n < alpha)
        for s, t in zip(together.shifts, tests, strict=True)
    )


def _test(joint: JointBalance, alpha: float) -> GlobalTest:
    return global_test(joint.objective, joint.dof, alpha)


def _sources(together: Coupled) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the sources that numbers of one survey share only, and those that surveys share."""
    names: dict[str, bool] = {}
    for key, own in together.sources.items():
        wide = len({t for t, _ in own}) > 1 or any(s.over for _, s in own)
        names[key.name] = names.get(key.name, False) or wide
    within = tuple(n for n, wide in names.items() if not wide)
    return within, tuple(n for n, wide in names.items() if wide)
