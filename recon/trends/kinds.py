"""Runs of one kind against runs of another, where equal runs differ from one survey to the next.

All kinds together: y = X mu + s + e, one column of X a kind, e the stated errors, s the scatter
between surveys of one kind, as large for all kinds. A difference is judged twice, and is real if it
is so by both: by the stated errors alone, normal; and by the scatter that was seen, with Student's
t. So limits are never narrower than the stated errors make them.

References
----------
As `oretally.recon.comparison.repeats`. Cited from memory.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from oretally.recon.result import Estimate
from oretally.recon.trends.series import AnswerSeries
from oretally.recon.trends.weighted_fits import weighted_fit

__all__ = ["KindDifference", "differences_of_kinds"]


@dataclass(frozen=True, slots=True)
class KindDifference:
    """One answer in runs of two kinds, in its unit; the difference is second less first.

    Attributes
    ----------
    name, unit : str
    first, second : str
        The kinds.
    n_first, n_second : int
    first_level, second_level : Estimate
    difference : Estimate
        With the scatter between surveys.
    scatter : float
        Between surveys of one kind beyond their errors, one sd.
    low, high : float
        Limits, 95 % for this difference alone.
    p : float
    p_together : float
        Corrected for all differences looked at (Holm).
    """

    name: str
    unit: str
    first: str
    second: str
    n_first: int
    n_second: int
    first_level: Estimate
    second_level: Estimate
    difference: Estimate
    scatter: float
    low: float
    high: float
    p: float
    p_together: float


def differences_of_kinds(every: Sequence[AnswerSeries]) -> tuple[KindDifference, ...]:
    """Compare kinds of runs, every two, in each series whose surveys have at least two kinds.

    A kind needs two surveys.
    """
    found = [row for series in every for row in _differences(series)]
    p = np.array([row.p for row in found])
    order = np.argsort(p, kind="stable")
    corrected = np.empty(p.size)
    corrected[order] = np.minimum(
        np.maximum.accumulate(p[order] * (p.size - np.arange(p.size))), 1.0
    )
    return tuple(replace(row, p_together=float(c)) for row, c in zip(found, corrected, strict=True))


def _differences(series: AnswerSeries) -> list[KindDifference]:
    names = sorted(k for k in set(series.kinds) if k and series.kinds.count(k) > 1)
    if len(names) < 2:
        return []
    kept = [i for i, k in enumerate(series.kinds) if k in names]
    y, sd = (np.array(a)[kept] for a in (series.value, series.sd))
    own = [series.kinds[i] for i in kept]
    X = np.array([[float(k == name) for name in names] for k in own])
    fit = weighted_fit(y, sd, X)
    dof, stated = y.size - len(names), X.T @ sd**-2
    shown = float((((y - fit.fitted) / sd) ** 2).sum()) / dof
    factor = min(1.0, shown) ** 0.5 if fit.scatter == 0.0 else 1.0
    found = []
    for a, b in itertools.combinations(range(len(names)), 2):
        gap = float(fit.b[b] - fit.b[a])
        V = fit.covariance
        seen = float(V[a, a] + V[b, b] - 2.0 * V[a, b]) ** 0.5
        told = float(1.0 / stated[a] + 1.0 / stated[b]) ** 0.5
        p = max(2.0 * float(ndtr(-abs(gap) / told)),
                2.0 * float(stdtr(dof, -abs(gap) / (seen * factor))))  # fmt: skip
        half = max(-float(ndtri(0.025)) * told, -float(stdtrit(dof, 0.025)) * seen * factor)
        found.append(
            KindDifference(
                series.name, series.unit, names[a], names[b], own.count(names[a]),
                own.count(names[b]), (float(fit.b[a]), math.sqrt(V[a, a])),
                (float(fit.b[b]), math.sqrt(V[b, b])), (gap, seen), fit.scatter, gap - half,
                gap + half, p, p,
            )
        )  # fmt: skip
    return found
