"""Answers over many surveys: has one changed, when, by how much; is a chart's rule broken.

Values scatter by their stated errors and by what truly differs from one survey to the next, which
is estimated (`oretally.recon.trends.weighted_fits`). Three explanations are tried, one level, one
change of level and a steady drift, and the likelier change is believed if so large a gain comes by
chance in fewer than alpha of series without any: of all series looked at together (Holm).

Errors that all surveys share, such as one scale, move all values together: they show in no scatter,
hide in no difference, and are added to the error of a level.

References
----------
S. Holm, Scandinavian Journal of Statistics 6 (1979) 65-70. Cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.read_only import freeze
from oretally.recon.result import Estimate
from oretally.recon.trends.change_points import chance_of_gain, level_change
from oretally.recon.trends.control_charts import Cusum, Ewma, Rules, cusum, ewma, runs_rules
from oretally.recon.trends.weighted_fits import WeightedFit, weighted_fit

__all__ = ["LEAST_FOR_CHANGE", "AnswerSeries", "Change", "ChangeKind", "Trend", "trends_of"]

LEAST_FOR_CHANGE = 8
"""Values of a series, with fewer of which no change is looked for."""
_LEAST = 3  # values before a change, and after it
_SEED = 20_011
_ROUNDING = 1e-12  # of a value: it stands on the line


@dataclass(frozen=True)
class AnswerSeries:
    """One answer over time.

    Attributes
    ----------
    name : str
    subject, stream, quantity : str
        What it is an answer to; see `oretally.recon.trends.answers_over_time`.
    unit : str
    labels : tuple of str
        Of the surveys that have it, in the order of time.
    time : tuple of float
        In days from the first survey, or in surveys where no time was said.
    value, sd : tuple of float
    common : mapping of str to tuple of float
        Of each source of error that several surveys share: what one sd of it adds to each value.
    aim : float or None
        What it is if all is well, such as 0 for a closure; None where it may be anything.
    clock : str
        'days' or 'surveys': what ``time`` counts.
    kinds : tuple of str
        Kind of run of each survey; empty if none has one.
    numbers : tuple of int
        Places of the surveys in the timeline.
    """

    name: str
    subject: str
    stream: str
    quantity: str
    unit: str
    labels: tuple[str, ...]
    time: tuple[float, ...]
    value: tuple[float, ...]
    sd: tuple[float, ...]
    common: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    aim: float | None = None
    clock: str = "surveys"
    kinds: tuple[str, ...] = ()
    numbers: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        freeze(self, "common")


class ChangeKind(StrEnum):
    """How something changes."""

    LEVEL = "level"
    DRIFT = "drift"


@dataclass(frozen=True, slots=True)
class Change:
    """A change of a series, in its unit.

    Attributes
    ----------
    kind : ChangeKind
    size : Estimate
        By how much the level changed; of a drift from the first value to the last.
    rate : Estimate or None
        Of a drift, per unit of time.
    before, after : Estimate
        Levels; of a drift at the first and last value.
    index : int
        Values before it; 0 for a drift.
    places : (int, int)
        First and last ``index`` that the data allow (95 %).
    """

    kind: ChangeKind
    size: Estimate
    rate: Estimate | None
    before: Estimate
    after: Estimate
    index: int
    places: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Trend:
    """What a series says.

    Attributes
    ----------
    series : AnswerSeries
    level : Estimate
        Mean, with the error of what surveys share.
    scatter : float
        What surveys truly differ, one sd, beyond their errors.
    neighbours : float
        Correlation of each with the next.
    p : float or None
        Chance of so large a gain without any change, corrected for all series looked at together;
        None with too few values.
    change : Change or None
        What changed, where p is below alpha.
    off_aim : float or None
        p of a mean so far from what it is to be, corrected likewise; None without an aim.
    centre, limit : ndarray, shape (n,)
        Centre line and one sd of each value about it.
    rules : Rules
    average : Ewma
    sums : Cusum
    """

    series: AnswerSeries
    level: Estimate
    scatter: float
    neighbours: float
    p: float | None
    change: Change | None
    off_aim: float | None
    centre: Floats
    limit: Floats
    rules: Rules
    average: Ewma
    sums: Cusum


def trends_of(every: Sequence[AnswerSeries], *, alpha: float = 0.05) -> tuple[Trend, ...]:
    """Judge series of at least one value each; ``alpha`` is the level of all their tests."""
    examined = [_Examined(series) for series in every]
    judged = [i for i, one in enumerate(examined) if one.p is not None]
    of_change = dict(zip(judged, _holm([examined[i].p or 0.0 for i in judged]), strict=True))
    aimed = [i for i, one in enumerate(examined) if one.off_aim is not None]
    of_aim = dict(zip(aimed, _holm([examined[i].off_aim or 0.0 for i in aimed]), strict=True))
    return tuple(
        one.trend(of_change.get(i), of_aim.get(i), alpha) for i, one in enumerate(examined)
    )


class _Examined:
    """A series with all that may be said of it, before it is seen beside the others."""

    def __init__(self, series: AnswerSeries) -> None:
        self.series = series
        y, sd, t = (np.array(a) for a in (series.value, series.sd, series.time))
        self.y = y
        self.flat = weighted_fit(y, sd, np.ones((y.size, 1)))
        self.p: float | None = None
        self.level = _level(series, self.flat.b, self.flat.covariance, self.flat.weight[None])[0]
        if y.size >= LEAST_FOR_CHANGE:
            self.step = level_change(y, self.flat.weight, least=_LEAST)
            after = np.arange(y.size) >= self.step.index
            self.stepped = weighted_fit(y, sd, np.column_stack([~after, after]).astype(float))
            self.away = t - t.mean()
            self.drifting = self.flat
            if self.away.any():
                self.drifting = weighted_fit(y, sd, np.column_stack([np.ones(y.size), self.away]))
            self.p, of_level, of_drift = chance_of_gain(
                y, self.flat.weight, t, seed=_SEED, least=_LEAST,
                neighbours=min(self.stepped.neighbours, self.drifting.neighbours),
            )  # fmt: skip
            self.is_step = of_level >= of_drift

    @cached_property
    def off_aim(self) -> float | None:
        """Chance of a mean so far from what it is to be."""
        if self.series.aim is None:
            return None
        return math.erfc(abs(self.level[0] - self.series.aim) / self.level[1] / 2.0**0.5)

    def trend(self, p: float | None, off_aim: float | None, alpha: float) -> Trend:
        """Return what is said of it, p being corrected for all that were looked at."""
        series, chosen, change = self.series, self.flat, None
        if p is not None and p < alpha and self.is_step:
            chosen, step = self.stepped, self.step
            change = _stepped(series, chosen, step.index, step.places)
        elif p is not None and p < alpha:
            chosen = self.drifting
            change = _drifting(series, chosen, self.away)
        limit = chosen.weight**-0.5
        gap = self.y - chosen.fitted
        z = np.where(np.abs(gap) > _ROUNDING * np.abs(self.y), gap, 0.0) / limit
        return Trend(
            series, self.level, chosen.scatter, chosen.neighbours, p, change, off_aim,
            chosen.fitted, limit, runs_rules(z), ewma(gap, 0.0, limit),
            cusum(z),
        )  # fmt: skip


def _holm(p: Sequence[float]) -> list[float]:
    """Return chances corrected for how many there are."""
    each = np.array(p)
    order = np.argsort(each, kind="stable")
    found = np.empty(each.size)
    found[order] = np.minimum(
        np.maximum.accumulate(each[order] * (each.size - np.arange(each.size))), 1.0
    )
    return [float(value) for value in found]


def _stepped(series: AnswerSeries, fit: WeightedFit, index: int, places: tuple[int, int]) -> Change:
    n = len(series.value)
    weights = np.zeros((2, n))
    weights[0, :index], weights[1, index:] = fit.weight[:index], fit.weight[index:]
    before, after = _level(series, fit.b, fit.covariance, weights)
    size = _difference(series, fit.b, fit.covariance, weights)
    return Change(ChangeKind.LEVEL, size, None, before, after, index, places)


def _drifting(series: AnswerSeries, fit: WeightedFit, away: Floats) -> Change:
    ends = np.array([[1.0, away[0]], [1.0, away[-1]]])
    V = ends @ fit.covariance @ ends.T
    rate_sd, span = float(fit.covariance[1, 1]) ** 0.5, float(away[-1] - away[0])
    moved = (np.array([*series.common.values()]) ** 2).mean(axis=1).sum() if series.common else 0.0
    before, after = (
        (float(value), float(v + moved) ** 0.5)
        for value, v in zip(ends @ fit.b, np.diag(V), strict=True)
    )
    rate = float(fit.b[1])
    return Change(
        ChangeKind.DRIFT, (rate * span, rate_sd * span), (rate, rate_sd), before, after, 0,
        (0, len(series.value)),
    )  # fmt: skip


def _shares(series: AnswerSeries, weights: Floats) -> Floats:
    """Return what one sd of each shared source adds to weighted means, shape (n_means, any)."""
    if not series.common:
        return np.zeros((len(weights), 0))
    moved = np.array([*series.common.values()]).T
    return np.asarray(weights @ moved / weights.sum(axis=1, keepdims=True))


def _level(series: AnswerSeries, b: Floats, covariance: Floats, weights: Floats) -> list[Estimate]:
    """Return means with their sd, what all surveys share included."""
    moved = (_shares(series, weights) ** 2).sum(axis=1)
    variance = np.diag(covariance) + moved
    return [(float(m), float(v) ** 0.5) for m, v in zip(b, variance, strict=True)]


def _difference(series: AnswerSeries, b: Floats, covariance: Floats, weights: Floats) -> Estimate:
    shared = _shares(series, weights)
    moved = float(((shared[1] - shared[0]) ** 2).sum())
    variance = float(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1]) + moved
    return float(b[1] - b[0]), variance**0.5
