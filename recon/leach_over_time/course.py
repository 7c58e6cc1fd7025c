"""Extraction against time: by the solution as measured, and by the whole balance.

With V_i the solution in the vessel at time i, c_i its grade, v_j and c_j what was drawn off before
and S the analyte in the ore::

    by solution     (V_i c_i + sum_(j<i) v_j c_j - what was put in) / S
    balance         1 - (what the solids hold after the interval) / S, adjusted

Source of the first: common practice for samples that are made up with fresh liquid, as in
dissolution tests of tablets. All adjusted values come from one balance, so that errors of the head,
of volumes and of the final solids are in every time, and in their covariance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import in_solution
from oretally.recon.answers import Measured, measured_flow, reading
from oretally.recon.kinetics import RateCone, TimedLeach, chance_of, curve, rate_curves
from oretally.recon.propagation import Adjusted, estimate, joint_estimate, total
from oretally.recon.result import (
    CourseCheck,
    CoursePoint,
    Estimate,
    LeachCourse,
    RateFit,
    RateModel,
)

__all__ = ["courses"]

_LEAST = 3  # times from which curves say anything


def courses(leach: TimedLeach) -> tuple[LeachCourse, ...]:
    """Return the course of each dissolved analyte."""
    return tuple(_course(leach, k) for k in leach.analytes)


def _course(leach: TimedLeach, k: int) -> LeachCourse:
    analyte, times = leach.model.survey.analytes[k].name, leach.course.times
    told, known = leach.recoveries(k), leach.determined(k)
    measured = _by_solution(leach, analyte)
    points = tuple(
        CoursePoint(t.time, t.sample, _known(leach, leach.in_vessel(i)), measured[i],
                    _known(leach, 100.0 * told[i]) if i in known else None,
                    t.ph, t.ph_sd, t.note)
        for i, t in enumerate(times)
    )  # fmt: skip
    fits = leach.all_fits[k] if len(known) >= _LEAST else []
    curves = rate_curves(fits, leach.unit)
    to_come = tuple(_to_come(fit, times[-1].time) for fit in fits)
    return LeachCourse(leach.course.node, analyte, leach.unit, points, curves, to_come,
                       _check(leach, k, known), _unaccounted(leach))  # fmt: skip


def _check(leach: TimedLeach, k: int, known: Sequence[int]) -> CourseCheck | None:
    """Return whether any leach that slows down as its metal goes passes through the times."""
    each = leach.recoveries(k)
    joint = joint_estimate(leach.covariance, [each[i] for i in known])
    if joint is None or len(known) < _LEAST:
        return None
    distance = RateCone([leach.time[list(known)]], *joint).distance
    return CourseCheck(len(known), distance, chance_of(distance, len(known)))


def _known(leach: TimedLeach, found: Adjusted) -> Estimate | None:
    return estimate(leach.covariance, found) if np.isfinite(found.value) else None


def _to_come(fit: RateFit, last: float) -> Estimate | None:
    """Return what a curve would still rise after the last time, in percent.

    Nothing if the curve is not determined, or its plateau is held at the whole: it is not followed
    beyond the times then. Nothing either of a slow part that moves: that all of it comes in the end
    is a premise of that curve.
    """
    if not (fit.determined and np.isfinite(fit.covariance[0, 0])):
        return None
    values = np.array([p.value for p in fit.parameters.values()])
    two = fit.model is RateModel.TWO_COMPONENTS
    if two and values[2] > 0.0:
        return None
    now, slopes = curve(fit.model, values, np.array([last]), fit.whole)
    whole = fit.whole if two else 1.0  # the first parameter is the plateau, or its share
    rest: Floats = whole * np.eye(values.size)[0] - slopes[0]
    V = np.where(np.isfinite(fit.covariance), fit.covariance, 0.0)
    left = whole * float(values[0]) - float(now[0])
    return 100.0 * left, 100.0 * max(float(rest @ V @ rest), 0.0) ** 0.5


def _by_solution(leach: TimedLeach, analyte: str) -> list[Estimate | None]:
    """Return the extraction up to each time as measured, in percent."""
    survey, grade = leach.model.survey, in_solution(analyte)
    fresh = next((s for s in leach.into if not s.content.has_solids), None)
    ore = [_times(measured_flow(survey, s.name, survey.basis.quantity),
                  reading(survey, s.name, analyte))
           for s in leach.into if s.content.has_solids]  # fmt: skip
    whole = _sum(ore)

    def fed(name: str) -> Measured | None:
        own = reading(survey, name, grade)
        if own is None and fresh is not None:  # as what was put in at first
            own = reading(survey, fresh.name, grade)
        return _times(_volume(leach, name), own)

    volume = _sum([_volume(leach, s.name) for s in leach.into if s.content.has_water])
    put_in = _sum([fed(s.name) for s in leach.into if not s.content.has_solids])
    gone: Measured | None = total([])
    found: list[Estimate | None] = []
    for t in leach.course.times:
        now = reading(survey, t.sample or t.liquid, grade)
        held = _sum([_times(volume, now), gone])
        share = None
        if held is not None and put_in is not None and whole is not None and whole.value > 0.0:
            share = 100.0 * ((held - put_in) / whole)
        found.append(
            None if share is None else (share.value, float(survey.variance(share.slopes) ** 0.5))
        )
        if t.sample:
            drawn = _volume(leach, t.sample)
            volume = _sum([volume, None if drawn is None else -1.0 * drawn])
            gone = _sum([gone, _times(drawn, now)])
        if t.added:
            volume = _sum([volume, _volume(leach, t.added)])
            put_in = _sum([put_in, fed(t.added)])
    return found


def _volume(leach: TimedLeach, name: str) -> Measured | None:
    return measured_flow(leach.model.survey, name, "water")


def _times(one: Measured | None, other: Measured | None) -> Measured | None:
    return None if one is None or other is None else one * other


def _sum(parts: Sequence[Measured | None]) -> Measured | None:
    known = [p for p in parts if p is not None]
    return total(known) if len(known) == len(parts) else None


def _unaccounted(leach: TimedLeach) -> Estimate | None:
    """Return solution put in less solution that came out, as measured, where all of it was."""
    into = [s.name for s in leach.into if s.content.has_water]
    into += [t.added for t in leach.course.times if t.added]
    out = [s.name for s in leach.out if s.content.has_water]
    out += [t.sample for t in leach.course.times if t.sample]
    one, other = (_sum([_volume(leach, n) for n in names]) for names in (into, out))
    if one is None or other is None:
        return None
    gap = one - other
    return gap.value, float(leach.model.survey.variance(gap.slopes) ** 0.5)
