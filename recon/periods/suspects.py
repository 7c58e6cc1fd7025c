"""Which number of a period is wrong, where its numbers do not agree.

Each number in question is left out in turn and all shifts are balanced together without it. The
odds of two of them are, by how well the rest agrees and by what the campaign has seen before,

    exp(drop_i / 2) p(meant_i) / p(measured_i)   to   exp(drop_j / 2) p(meant_j) / p(measured_j)

drop being what the sum of squares falls by, meant what the others say, and p how likely a number is
by the same of the other surveys (`oretally.recon.other_surveys`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import Measurement, NotBalanceable, Survey
from oretally.flowsheet.survey import DatedSurvey, without_measurement
from oretally.recon.other_surveys import UsualReadings
from oretally.recon.periods.joint import JointBalance, ShiftPlace
from oretally.recon.periods.rows import PeriodSuspect
from oretally.recon.propagation import Derived, global_test, sidak_limit
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import MeasuredReading, log_density_of_any_error, undone

__all__ = ["suspects_of"]

_TRIED = 16  # numbers left out in turn
_TOLD = 0.02  # probability
_LIKELIER = 0.5  # probability of a slip, given that the number is wrong
_SEEN = 1e-3  # of the variance of a reading: less of it is checked by errors of the others alone


@dataclass(frozen=True)
class _Tried:
    suspect: PeriodSuspect
    log_odds: float


def suspects_of(
    joint: JointBalance, balanced: Callable[[Sequence[DatedSurvey]], JointBalance],
    shifts: Sequence[DatedSurvey], campaign: Sequence[DatedSurvey], *, doubtful: Sequence[str],
    alpha: float,
) -> tuple[PeriodSuspect, ...]:  # fmt: skip
    """Return which number may be wrong, if it is one alone.

    Parameters
    ----------
    joint : JointBalance
        Of ``shifts``, as given.
    balanced : callable
        Balances the same shifts with a number left out.
    shifts, campaign : sequence of DatedSurvey
        Those of the period, in the order of ``joint``; all there are.
    doubtful : sequence of str
        Shifts whose numbers disagree by themselves.
    alpha : float
        Level of the test without a number.
    """
    tried, usual = list[_Tried](), UsualReadings(campaign)
    for t, m in _in_question(joint, shifts, doubtful)[:_TRIED]:
        found = _without(joint, balanced, shifts, usual, t, m, alpha)
        if found is not None:
            tried.append(found)
    if not tried:
        return ()
    log = np.array([each.log_odds for each in tried])
    odds = np.exp(log - log.max())
    share = (odds / odds.sum()).tolist()
    rows = [replace(each.suspect, probability=p) for each, p in zip(tried, share, strict=True)]
    rows = [row for row in rows if row.probability >= _TOLD]
    return tuple(sorted(rows, key=lambda row: -row.probability))


def _in_question(
    joint: JointBalance, shifts: Sequence[DatedSurvey], doubtful: Sequence[str]
) -> list[tuple[int, Measurement]]:
    """Return the numbers that may be wrong, the largest standardised adjustments first.

    Those of shifts that disagree by themselves come before all others: a gross error spoils the
    point at which the adjustments of all are judged.
    An adjusted value is uncorrelated with what was taken off the reading, so that the variance of
    that is the one of the reading less the one of the value. Numbers with one check have one size.
    """
    found = list[tuple[int, Measurement, ShiftPlace]]()
    for t, dated in enumerate(shifts):
        for m in dated.survey.measurements:
            place = _place(joint, t, m)
            if place is not None and not m.bounded and m.sd > 0.0:
                found.append((t, m, place))
    value = np.array([joint.value(place) for _, _, place in found])
    places = [place for _, _, place in found]
    effects = joint.effects(
        [Derived(v, {place: 1.0}) for v, place in zip(value.tolist(), places, strict=True)]
    )
    read = np.array([m.value_base for _, m, _ in found])
    sd = np.array([m.unit.to_base(m.sd) for _, m, _ in found])
    left = 1.0 - (effects.sd / sd) ** 2
    rest = np.array([shifts[t].label not in doubtful for t, _, _ in found])
    # a number that lost a digit has a tiny stated error, which hides that it is checked
    seen = np.isfinite(value) & np.isfinite(left) & (~rest | (left > _SEEN))
    size = np.abs(read - value)[seen] / sd[seen] / np.sqrt(np.maximum(left[seen], _SEEN))
    rest = rest[seen]
    return [found[i][:2] for i in np.flatnonzero(seen)[np.lexsort((-size, rest))]]


def _place(joint: JointBalance, t: int, m: Measurement) -> ShiftPlace | None:
    """Return where the true value of a measurement stands."""
    rows = joint.coupled.shifts[t].model.positions.rows
    own = (r.place for r in rows if (r.stream, r.quantity) == (m.stream, m.quantity))
    return next((ShiftPlace(t, place) for place in own), None)


def _without(
    joint: JointBalance, balanced: Callable[[Sequence[DatedSurvey]], JointBalance],
    shifts: Sequence[DatedSurvey], usual: UsualReadings, t: int, m: Measurement,
    alpha: float,
) -> _Tried | None:  # fmt: skip
    """Return what all others say of a number; None if they say nothing."""
    changed = list(shifts)
    survey = without_measurement(shifts[t].survey, m.stream, m.quantity)
    changed[t] = replace(shifts[t], survey=survey)
    try:
        rest = balanced(changed)
    except NotBalanceable:
        return None
    place = _place(rest, t, m)
    limit = sidak_limit(alpha, sum(len(s.survey.measurements) for s in shifts))
    if place is None or joint.objective - rest.objective < limit**2:
        return None  # without it the rest agrees hardly better
    meant = rest.value(place)
    sd = float(rest.effects([Derived(meant, {place: 1.0})]).sd[0])
    if not np.isfinite(sd) or (m.value > 0.0 and meant <= 0.0):
        return None
    others = _others(usual.surveys, shifts[t].label, m)
    log_odds = 0.5 * (joint.objective - rest.objective)
    among = None
    if others:
        written = [m.unit.from_base(x) for x in others]
        among = len(others), min(written), max(written)
    own = usual.beside(shifts[t].label).get((m.stream, m.quantity))
    if own is not None and m.value > 0.0:
        log_odds += own.log_odds(m.value_base, m.sd_base, meant, sd)
    slip, fits = _slip(shifts[t].survey, m, m.unit.from_base(meant), m.unit.from_base(sd))
    return _Tried(
        PeriodSuspect(
            shifts[t].label, m.stream, m.quantity, m.unit.symbol, 0.0, m.value,
            m.unit.from_base(meant), m.unit.from_base(sd), among,
            global_test(rest.objective, rest.dof, alpha), slip, fits,
        ), log_odds,
    )  # fmt: skip


def _slip(survey: Survey, m: Measurement, said: float, said_sd: float) -> tuple[str, float | None]:
    """Return the slip that is likelier than all else that makes a number wrong, and what it fits.

    Of numbers that somebody wrote: in others no digits are mixed up. ``said`` is what all others
    say, in the unit of the number. A dry flow is in proportion to what was weighed wet.
    """
    weighed = m.written is not None and m.quantity == survey.basis.quantity
    if m.value <= 0.0 or not (weighed or (m.typed and m.written is None)):
        return "", None
    number, unit = (m.value, m.unit) if m.written is None else m.written
    times = number / m.value
    reading = MeasuredReading(number, m.sd * times, unit, said * times, said_sd * times)
    slips = [*undone(reading, survey.containers, dry=not weighed)]
    log = np.array([log_density_of_any_error(reading, ErrorRates()), *(u.log_odds for u in slips)])
    share = np.exp(log - np.logaddexp.reduce(log))
    best = int(share.argmax())
    if not best or share[best] <= _LIKELIER:
        return "", None
    slip = slips[best - 1]
    # how wet a mass was nobody knows but the others
    return slip.reason, None if slip.kind == "wet mass" else float(f"{slip.value / times:.12g}")


def _others(campaign: Sequence[DatedSurvey], label: str, m: Measurement) -> list[float]:
    """Return the same number of the other surveys, in base units."""
    found = (s.survey.measured(m.stream, m.quantity) for s in campaign if s.label != label)
    return [o.value_base for o in found if o is not None and not o.bounded]
