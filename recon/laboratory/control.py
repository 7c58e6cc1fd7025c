"""A laboratory batch against its standards, its blanks and its control chart.

Values may be in any one unit. What is found is data: flags, figures, places; the words are made
where it is shown.

References
----------
W.A. Shewhart, Economic Control of Quality of Manufactured Product (1931); ISO 7870-2:2013 (lines
at 2 and 3 sd, two of three beyond 2 sd). Bias with the share of the certified value: JCGM 100:2008
(GUM), equation 10 and annex G.4. C.J. Clopper and E.S. Pearson, Biometrika 26 (1934) 404-413.
Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, stdtr, stdtrit

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.laboratory.replicates import finite_values

__all__ = [
    "Bias", "Blanks", "CarryOver", "Concern", "ConcernKind", "ControlChart", "Standards", "blanks",
    "concerns", "control_chart", "standards",
]  # fmt: skip


_EXACT = 1e18  # degrees of freedom that stand for a known sd


@dataclass(frozen=True, slots=True)
class Bias:
    """Mean of the differences, measured minus certified, with confidence limits.

    Attributes
    ----------
    standard_error : float
        Root of s^2 / n and the square of the certified values' share, which more readings of the
        same standard do not lessen.
    dof : float
        By Welch and Satterthwaite: n - 1 where the certified values are exact.
    p : float
        Chance of a mean at least so far from 0 without bias.
    """

    mean: float
    low: float
    high: float
    standard_error: float
    dof: float
    p: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Standards:
    """Readings of ``n_materials`` standards against certified values.

    ``z``, in the order of the readings, is the difference over the root of the squares of the
    certified and the method's sd. ``bias`` is in the unit of the values, ``relative_bias`` that of
    difference over certified value; both None with fewer than 2 readings.
    """

    z: tuple[float, ...]
    bias: Bias | None
    relative_bias: Bias | None
    n_materials: int


@dataclass(frozen=True, slots=True)
class CarryOver:
    """Line of the blanks against the samples before them, by least squares.

    ``slope`` is the part of a sample found in the next, ``sd`` its sd, ``t`` their quotient with
    ``dof`` degrees of freedom, ``p`` the chance of t or more if nothing is carried over.
    """

    slope: float
    sd: float
    intercept: float
    t: float
    dof: int
    p: float


@dataclass(frozen=True, slots=True)
class Blanks:
    """Readings of blanks: their mean with limits by Student's t, infinite for a single blank.

    ``above`` are the places of blanks above ``limit``, ``fraction`` their part with exact limits
    (Clopper and Pearson). ``carry_over`` is None where the samples before are not given or all
    equal, or with fewer than 3 blanks.
    """

    mean: float
    low: float
    high: float
    highest: float
    limit: float
    above: tuple[int, ...]
    fraction: float
    fraction_low: float
    fraction_high: float
    carry_over: CarryOver | None
    confidence: float


@dataclass(frozen=True, slots=True)
class ControlChart:
    """Lines at 2 sd (``warning``) and 3 sd (``action``), and the places where a rule is broken.

    ``two_of_three`` are values beyond 2 sd with one of the two before them beyond it on the same
    side: by chance 0.2 % of all.
    """

    centre: float
    warning: tuple[float, float]
    action: tuple[float, float]
    z: tuple[float, ...]
    beyond_action: tuple[int, ...]
    two_of_three: tuple[int, ...]


class ConcernKind(Enum):
    """What speaks against a batch."""

    BIAS = "relative bias"
    STANDARD_OFF = "standard beyond its action line"
    TWO_OF_THREE = "two of three beyond the warning line"
    BLANK_HIGH = "blank above its limit"
    CARRY_OVER = "carry-over"


@dataclass(frozen=True, slots=True)
class Concern:
    """One thing that speaks against a batch.

    ``chart`` is the chart that it is read from, None for all standards or the blanks; ``places``
    are those in the chart, or among the blanks.
    """

    kind: ConcernKind
    chart: int | None = None
    places: tuple[int, ...] = ()


def standards(
    measured: ArrayLike,
    certified: ArrayLike,
    certified_sd: ArrayLike,
    *,
    method_sd: ArrayLike,
    confidence: float = 0.95,
) -> Standards:
    """Return z of each reading of a standard and the bias over the batch.

    Parameters
    ----------
    measured : array_like, shape (n,)
    certified, certified_sd, method_sd : array_like, shape (n,) or a number
        Certified value above 0 and its sd; sd of one reading at that grade, not both sd 0.
        Readings with the same certified value and sd are of the same standard.

    Raises
    ------
    ValueError
        If a number is missing or not allowed.

    Notes
    -----
    The bias is a plain mean, so large grades rule ``bias``, small ones ``relative_bias``. The
    scatter among different standards holds errors of their certificates too, which then count
    twice: the limits are wide rather than narrow.
    """
    x = finite_values(measured, 1)
    c, sc, sm = (
        finite_values(np.broadcast_to(np.asarray(v, dtype=float), x.shape), 1)
        for v in (certified, certified_sd, method_sd)
    )
    if not ((c > 0.0).all() and (sc >= 0.0).all() and (sm >= 0.0).all()):
        raise ValueError("certified values are above 0, sd at least 0")
    total = np.hypot(sc, sm)
    if not (total > 0.0).all():
        raise ValueError("certified sd and method sd are both 0: nothing to compare with")
    _, material = np.unique(np.column_stack([c, sc]), axis=0, return_inverse=True)
    return Standards(
        z=tuple(((x - c) / total).tolist()),
        bias=_bias(x - c, sc, material.ravel(), confidence),
        relative_bias=_bias((x - c) / c, sc / c, material.ravel(), confidence),
        n_materials=int(material.max()) + 1,
    )


def blanks(
    values: ArrayLike, limit: float, before: ArrayLike | None = None, *, confidence: float = 0.95
) -> Blanks:
    """Return what the blanks show.

    ``limit`` is what a blank may show, ``before`` the grade of the sample before each. ValueError
    without blanks, or if ``before`` does not fit them.

    Examples
    --------
    >>> blanks([0.0, 0.1, 0.4], 0.3).above
    (2,)
    """
    x = finite_values(values, 1, "blanks")
    n, tail = x.size, (1.0 - confidence) / 2.0
    half = np.inf
    if n > 1:
        half = -float(stdtrit(n - 1, tail)) * float(x.std(ddof=1)) / n**0.5
    above = np.flatnonzero(x > limit).tolist()
    k = len(above)
    return Blanks(
        mean=float(x.mean()),
        low=float(x.mean()) - half,
        high=float(x.mean()) + half,
        highest=float(x.max()),
        limit=limit,
        above=tuple(above),
        fraction=k / n,
        fraction_low=float(betaincinv(k, n - k + 1, tail)) if k else 0.0,
        fraction_high=float(betaincinv(k + 1, n - k, 1.0 - tail)) if k < n else 1.0,
        carry_over=None if before is None else _carry_over(x, finite_values(before, 1, "samples")),
        confidence=confidence,
    )


def control_chart(values: ArrayLike, centre: float, sd: float) -> ControlChart:
    """Return the lines of a chart for single values, and where its rules are broken.

    The values are in order of time; centre and sd, above 0 (else ValueError), from readings known
    to be in order, not from these.
    """
    x = finite_values(values, 1)
    if not sd > 0.0:
        raise ValueError("a control chart needs an sd above 0")
    z = (x - centre) / sd
    broken = np.zeros(x.size, dtype=bool)
    for beyond in (z > 2.0, z < -2.0):
        padded = np.r_[False, False, beyond]
        broken |= beyond & (padded[1:-1] | padded[:-2])
    return ControlChart(
        centre=centre,
        warning=(centre - 2.0 * sd, centre + 2.0 * sd),
        action=(centre - 3.0 * sd, centre + 3.0 * sd),
        z=tuple(z.tolist()),
        beyond_action=tuple(np.flatnonzero(np.abs(z) > 3.0).tolist()),
        two_of_three=tuple(np.flatnonzero(broken).tolist()),
    )


def concerns(
    found: Standards | None, charts: Sequence[tuple[ControlChart, Bias | None]],
    shown: Blanks | None, *, carried: CarryOver | None = None, alpha: float = 0.05,
) -> tuple[Concern, ...]:  # fmt: skip
    """Return what speaks against a batch: bias, rules of the charts, blanks, carry-over.

    Parameters
    ----------
    found : Standards or None
        All standards of the batch.
    charts : sequence of (ControlChart, Bias or None)
        One a standard, with its relative bias.
    shown : Blanks or None
    carried : CarryOver or None
        From the blanks before which something was assayed.
    alpha : float
        Chance of a false concern, of all biases together and of the carry-over.

    Notes
    -----
    Where there are several standards, the bias over all and that of each share alpha by Sidak's
    level, 1 - (1 - alpha)^(1/n). The charts keep their own rules: 0.3 % and 0.2 % of values by
    chance. A blank above its limit is a concern by itself.
    """
    told = []
    tests = 1 if len(charts) == 1 else len(charts) + 1
    level = 1.0 - (1.0 - alpha) ** (1.0 / tests)
    bias = None if found is None else found.relative_bias
    if bias is not None and bias.p < level:
        told.append(Concern(ConcernKind.BIAS))
    for c, (chart, own) in enumerate(charts):
        if len(charts) > 1 and own is not None and own.p < level:
            told.append(Concern(ConcernKind.BIAS, c))
        if chart.beyond_action:
            told.append(Concern(ConcernKind.STANDARD_OFF, c, chart.beyond_action))
        if chart.two_of_three:
            told.append(Concern(ConcernKind.TWO_OF_THREE, c, chart.two_of_three))
    if shown is not None and shown.above:
        told.append(Concern(ConcernKind.BLANK_HIGH, None, shown.above))
    if carried is not None and carried.p < alpha:
        told.append(Concern(ConcernKind.CARRY_OVER))
    return tuple(told)


def _bias(d: Floats, certified_sd: Floats, material: Ints, level: float) -> Bias | None:
    n = d.size
    if n < 2:
        return None
    # one certified error for all readings of a material, not one for each
    counts = np.bincount(material)
    of_material = np.bincount(material, weights=certified_sd) / counts
    scatter = float(d.var(ddof=1)) / n
    square = scatter + float(((counts / n * of_material) ** 2).sum())
    dof = min((n - 1) * (square / scatter) ** 2, _EXACT) if scatter > 0.0 else _EXACT
    mean, se = float(d.mean()), square**0.5
    half = -float(stdtrit(dof, (1.0 - level) / 2.0)) * se
    t = abs(mean) / se if se > 0.0 else np.inf if mean else 0.0
    return Bias(mean, mean - half, mean + half, se, dof, 2.0 * float(stdtr(dof, -t)), level)


def _carry_over(x: Floats, before: Floats) -> CarryOver | None:
    n = x.size
    if before.size != n:
        raise ValueError(f"{n} blanks, {before.size} samples before them: one for each")
    away = before - before.mean()
    sxx = float(away @ away)
    if n < 3 or sxx <= 1e-24 * float(before @ before):
        return None
    slope = float(away @ x) / sxx
    rest = x - x.mean() - slope * away
    sd = (float(rest @ rest) / (n - 2) / sxx) ** 0.5
    t = slope / sd if sd > 0.0 else float(np.copysign(np.inf, slope)) if slope else 0.0
    return CarryOver(
        slope, sd, float(x.mean() - slope * before.mean()), t, n - 2, float(stdtr(n - 2, -t))
    )
