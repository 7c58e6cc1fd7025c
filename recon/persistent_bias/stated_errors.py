"""The stated errors judged by the checks of many surveys: variance components.

The checks of survey s are t_s = U_s'e_s (`SurveyEvidence.contrasts`), e_s the errors in stated
units, free of all true values: error contrasts. With one variance for each measurement over all
surveys, 1 if its stated error is right, and the errors that stay as effects of any size, their
restricted likelihood is exact. Variances of which the surveys tell only sums are one component.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.persistent_bias.effects import Effect, profile_of
from oretally.recon.persistent_bias.rows import JudgedError
from oretally.recon.persistent_bias.stacked_evidence import StackedEvidence
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence
from oretally.recon.result import ErrorPlace
from oretally.recon.variance_components import (
    Components,
    Contrasts,
    chance_of_value,
    fitted_components,
    inseparable,
    variance_limits,
)

__all__ = ["judged_errors"]

_BLIND = 1.0  # of a variance: with a larger sd, all others known, nothing can be said of it


@dataclass(frozen=True, eq=False)
class _Judged:
    """Components as groups of places."""

    groups: tuple[tuple[ErrorPlace, ...], ...]
    sets: list[Contrasts]
    held: Bools


def judged_errors(
    surveys: Sequence[SurveyEvidence], stack: StackedEvidence, effects: Sequence[Effect],
    time: Floats, *, alpha: float,
) -> tuple[tuple[JudgedError, ...], tuple[ErrorPlace, ...]]:  # fmt: skip
    """Judge every stated error.

    Returns
    -------
    errors : tuple of JudgedError
        In the order of the surveys.
    unjudged : tuple of ErrorPlace
        Of which too little is seen.
    """
    names = tuple(dict.fromkeys(p for s in surveys for p in s.places[: s.n_readings]))
    groups: tuple[tuple[ErrorPlace, ...], ...] = tuple((name,) for name in names)
    sets = _contrasts(surveys, stack, effects, time, groups)
    if not any(s.y.size for s in sets):
        return (), names
    info = fitted_components(
        sets, np.ones(len(groups)), held=np.ones(len(groups), bool)
    ).information
    judged = _judgeable(surveys, names) & (np.diag(info) > _BLIND**-2)
    at = np.flatnonzero(judged)
    own = info[np.ix_(at, at)]
    together = [[int(at[i]) for i in group] for group in inseparable(own)]
    taken = {i for group in together for i in group}
    parts = sorted([*together, *([i] for i in range(len(names)) if i not in taken)])
    groups = tuple(tuple(names[i] for i in part) for part in parts)
    held = np.array([not judged[part].all() for part in parts])
    sets = _contrasts(surveys, stack, effects, time, groups)
    best = fitted_components(sets, np.ones(len(groups)), held=held)
    found = _rows(surveys, _Judged(groups, sets, held), best, alpha)
    return found, tuple(p for g, h in zip(groups, held, strict=True) if h for p in g)


def _judgeable(surveys: Sequence[SurveyEvidence], names: Sequence[ErrorPlace]) -> Bools:
    never = {p for s in surveys for p, ok in zip(s.places, s.judged, strict=True) if not ok}
    return np.array([name not in never for name in names])


def _contrasts(
    surveys: Sequence[SurveyEvidence], stack: StackedEvidence, effects: Sequence[Effect],
    time: Floats, groups: Sequence[tuple[ErrorPlace, ...]],
) -> list[Contrasts]:  # fmt: skip
    column = {place: i for i, place in enumerate(p for group in groups for p in group)}
    of = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    profiles = [profile_of(e, time) for e in effects]
    found = []
    for s, survey in enumerate(surveys):
        U, t = survey.contrasts()
        n = survey.n_readings
        # a column for every measurement of the campaign: surveys of one shape go side by side
        R = np.zeros((t.size, len(column)))
        R[:, [column[p] for p in survey.places[:n]]] = U.T
        # a loss that stays is no error of a measurement: it reaches the checks through P
        L = stack.loadings[s]
        columns = [a[s] * (U.T @ (survey.P[:n] @ L[:, e.candidate]))
                   for e, a in zip(effects, profiles, strict=True)]  # fmt: skip
        X = np.array(columns).reshape(len(effects), t.size).T
        found.append(Contrasts(t, R, of, X))
    return found


def _rows(
    surveys: Sequence[SurveyEvidence], judged: _Judged, best: Components, alpha: float
) -> tuple[JudgedError, ...]:
    free = np.flatnonzero(~judged.held)
    if not free.size:
        return ()
    p = np.array([chance_of_value(judged.sets, best, int(k), 1.0) for k in free])
    order = np.argsort(p, kind="stable")
    together = np.empty(p.size)
    together[order] = np.minimum(
        np.maximum.accumulate(p[order] * (p.size - np.arange(p.size))), 1.0
    )
    above = free[best.theta[free] > 0.0]
    covariance = np.linalg.pinv(best.information[np.ix_(above, above)], hermitian=True)
    sd = dict(zip(above.tolist(), np.sqrt(np.diag(covariance)).tolist(), strict=True))
    rows = []
    for k, own, joint in zip(free.tolist(), p.tolist(), together.tolist(), strict=True):
        factor = float(best.theta[k]) ** 0.5
        low = high = None
        if joint < alpha:
            limits = variance_limits(judged.sets, best, k)
            low, high = limits.low**0.5, limits.high**0.5
        unit, stated, n = _stated(surveys, judged.groups[k])
        rows.append(
            JudgedError(
                judged.groups[k], unit, stated, factor, sd[k] / (2.0 * factor) if k in sd else None,
                low, high, own, joint, n,
            )
        )  # fmt: skip
    return tuple(rows)


def _stated(
    surveys: Sequence[SurveyEvidence], group: tuple[ErrorPlace, ...]
) -> tuple[str, float, int]:
    """Return how the error of the first of a group is stated, the middle one, and how often."""
    place = group[0]
    if place.kind == "source":
        return "sd", 1.0, sum(place in s.places for s in surveys)
    sds, values, unit = list[float](), list[float](), None
    for s in surveys:
        if place in s.places:
            i = s.places.index(place)
            sds.append(float(s.unit[i]))
            values.append(float(s.measured[i]))
            unit = s.written[i] or unit
    sd, value = np.array(sds), np.array(values)
    seen = np.isfinite(value) & (value > 0.0)
    if seen.all() and unit is not None:
        share = sd / value
        # said as a share where it varies less so
        if share.std() / share.mean() <= sd.std() / sd.mean() + 1e-3:
            return "rel %", 100.0 * float(np.median(share)), sd.size
    symbol = "" if unit is None else unit.symbol
    size = float(np.median(sd))
    return symbol, size if unit is None else unit.from_base(size), sd.size
