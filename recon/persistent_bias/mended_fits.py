"""Sizes of errors that stay at the point where the surveys balance without them.

The signatures are those of each survey as balanced with its errors, which moves what checks them:
an error of 20 % comes out as 16 %. So the readings are mended, balanced again, and what is left is
fitted, until nothing is left: Gauss-Newton on all surveys.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet import Measurement
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import SharedSource
from oretally.recon.dated_balances import DatedBalance, dated_balance
from oretally.recon.persistent_bias.effects import Effect, Fit, fit_of, profile_of
from oretally.recon.persistent_bias.rows import ErrorForm
from oretally.recon.persistent_bias.stacked_evidence import BiasCandidate, stacked_evidence_of
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence, evidence_of

__all__ = ["mended_fit"]

_ROUNDS = 5
_CLOSE = 0.02  # of the sd of a size, which all further rounds would add: as good as none
_LEAST_SHARE = 0.2  # of a reading that may be left of it


def mended_fit(
    surveys: Sequence[SurveyEvidence], candidates: tuple[BiasCandidate, ...], first: Fit,
    time: Floats,
) -> Fit:  # fmt: skip
    """Return the fit of the same effects with sizes and sds at the mended point.

    ``first`` where a survey cannot be balanced so, or only losses and shared sources stay.
    """
    effects, b = first.effects, first.b.copy()
    if not any(candidates[e.candidate].place.kind == "measurement" for e in effects):
        return first
    before = _in_sds(b, np.sqrt(np.diag(first.inverse)))
    for _ in range(_ROUNDS):
        mended = [_mended(s, survey, candidates, effects, b, time)
                  for s, survey in enumerate(surveys)]  # fmt: skip
        found = [s for s in mended if s is not None]
        if len(found) < len(surveys):
            return first
        stack = stacked_evidence_of(found, candidates)
        for s in range(len(surveys)):  # what stays as it is: losses and sources
            kept = [i for i, e in enumerate(effects)
                    if candidates[e.candidate].place.kind != "measurement"]  # fmt: skip
            for i in kept:
                a = profile_of(effects[i], time)[s]
                stack.g[s] -= a * b[i] * stack.J[s][:, effects[i].candidate]
        left = fit_of(stack.J, stack.g, effects, time)
        times = np.array([_times(e, candidates, effects, b, time) for e in effects])
        b = b + times * left.b
        moved = _in_sds(left.b, np.sqrt(np.maximum(np.diag(left.inverse), 0.0)))
        if moved**2 <= _CLOSE * (before - moved):  # a geometric series
            return Fit(effects, first.profiles, b, times[:, None] * left.inverse * times, left.g)
        before = moved
    return first


def _in_sds(b: Floats, sd: Floats) -> float:
    """Return the largest of sizes in its sd, of those that have one."""
    return float(np.max(np.abs(b[sd > 0.0]) / sd[sd > 0.0], initial=0.0))


def _times(
    effect: Effect, candidates: tuple[BiasCandidate, ...], effects: Sequence[Effect], b: Floats,
    time: Floats,
) -> float:  # fmt: skip
    """Return what one percent of a mended value is in percent of the true one: the last survey."""
    if candidates[effect.candidate].form is not ErrorForm.SCALE:
        return 1.0
    own = [i for i, e in enumerate(effects) if e.candidate == effect.candidate]
    return 1.0 + 0.01 * sum(float(profile_of(effects[i], time)[-1] * b[i]) for i in own)


def _mended(
    s: int, survey: SurveyEvidence, candidates: tuple[BiasCandidate, ...],
    effects: Sequence[Effect], b: Floats, time: Floats,
) -> SurveyEvidence | None:  # fmt: skip
    """Return the evidence of a survey with its readings mended; None if it has none."""
    if survey.balance is None:
        return None
    dated, changed = survey.balance.dated, False
    measured, shared = dated.survey.measurements, dated.survey.shared
    totals: dict[int, float] = {}
    for e, size in zip(effects, b.tolist(), strict=True):
        moved = float(profile_of(e, time)[s]) * size
        totals[e.candidate] = totals.get(e.candidate, 0.0) + moved
    for j, size in totals.items():
        place, form = candidates[j].place, candidates[j].form
        if place.kind != "measurement" or size == 0.0:
            continue
        share = 1.0 + 0.01 * size
        if form is ErrorForm.SCALE and share < _LEAST_SHARE:
            return None
        amount = candidates[j].size * size
        name = place.where, place.quantity
        measured = tuple(
            _without(m, form, share, amount) if (m.stream, m.quantity) == name else m
            for m in measured
        )  # fmt: skip
        if form is ErrorForm.SCALE:
            shared = tuple(_shared_without(source, name, share) for source in shared)
        changed = True
    if not changed:
        return survey
    mended = replace(dated.survey, measurements=measured, shared=shared)
    again = dated_balance(survey.number, replace(dated, survey=mended))
    if not isinstance(again, DatedBalance):
        return None
    found = evidence_of(again)
    return found if found.places == survey.places else None


def _without(m: Measurement, form: ErrorForm, share: float, amount: float) -> Measurement:
    if form is ErrorForm.SCALE:
        parts = tuple(replace(p, sd=p.sd / share) for p in m.parts)
        return replace(m, value=m.value / share, sd=m.sd / share, parts=parts)
    return replace(m, value=m.value - m.unit.from_base(amount))


def _shared_without(source: SharedSource, name: tuple[str, str], share: float) -> SharedSource:
    stream, quantity = name
    if source.quantity != quantity or stream not in source.loadings:
        return source
    loadings = {**source.loadings, stream: source.loadings[stream] / share}
    return replace(source, loadings=loadings)
