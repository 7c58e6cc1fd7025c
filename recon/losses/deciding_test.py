"""Which test would tell why an analyte is lost, and the chance that it can.

A test ends in the difference of two grades. Each explanation predicts it as a normal number: its
sd joins the error of the prediction, carried from the balance, with the stated errors of the two
new assays. An explanation is excluded if the result lies beyond its two-sided limits, at 5 %. The
chance to tell, if explanation i holds, is that all the others are excluded::

    1 - P(a result of N(m_i, s_i) lies in some [m_j - z s_j, m_j + z s_j], j not i)

What the two assays have in common (a batch) cancels in their difference; it is not counted off,
so that the chances are on the safe side.

What each explanation predicts, with x a grade and R the recovery so far:

screen at an opening with share w on it, head h: D = coarse - fine
    coarse untouched: coarse at h, or with all of the loss if there is not that much;
    no size stands out: D = 0; all in the finer part: D = -x / (1 - w)
grind one half of the coarse part, treat both so that free grains of any size are taken:
    D = left in the half as it was - left in the ground half
    locked: D = x R, as the ground half gives what the feed gave; free: D = 0
split the finest class in halves: D = finer - coarser half
    slimes: the coarser half is like the next class, D = 2 (x - next); not by size: D = 0
treat again: D = before - after
    missed: D = x R; out of reach: D = 0

What each explanation predicts is reasoned from the common practice of looking for losses; no
source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from oretally.flowsheet import BalanceModel, Measurement, Survey, Unit
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import Kind
from oretally.recon.propagation import Derived
from oretally.recon.result import (
    MOST_ASSAYS,
    TEST_POWER,
    DecidingTest,
    Expected,
    LossCause,
    TestKind,
)

__all__ = [
    "ALPHA",
    "AssayError",
    "Prediction",
    "StatedAssays",
    "chance_to_tell",
    "deciding_test",
    "grind_half",
    "screen",
    "split_finest",
    "stated_assays",
    "treat_again",
]

ALPHA = 0.05
_OF_WHOLE = (TestKind.TREAT_AGAIN,)  # tests that assay a product as it is, not parts of it

_Value = Derived[int]
_Two = Callable[[Sequence[_Value]], tuple[_Value, _Value]]
"""The two grades of a test from the values that predict them."""
_Rank = tuple[bool, str]  # whether of a size class, and of which stream
StatedAssays = Mapping[int, Mapping[_Rank, Sequence[tuple[float, float]]]]
"""Grades with the sd of one reading: by analyte, by whether they are of a size class, by stream."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """What an explanation predicts, in base units.

    Attributes
    ----------
    explanation : LossCause
    value, sd : float
        The difference of two grades, and the error of its prediction.
    grades : (float, float)
        The two grades that would be assayed, for the errors of these assays.
    """

    explanation: LossCause
    value: float
    sd: float
    grades: tuple[float, float]


@dataclass(frozen=True, slots=True)
class AssayError:
    """The error of a further assay of one analyte, from those stated.

    Attributes
    ----------
    stated : tuple of (float, float)
        Grades measured and the sd of one reading of each, as mass per mass.
    """

    stated: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, stated: StatedAssays, k: int, stream: str, *, test: TestKind) -> AssayError:
        """Return the errors stated for an analyte in a stream, else those in any.

        A test that assays a whole product takes those of whole products, one that assays parts of
        it those of size classes; each the others where there are none. Of a mean of replicates the
        error of one reading counts.
        """
        found: dict[tuple[bool, bool], list[tuple[float, float]]] = {}
        for (by_class, other), told in stated.get(k, {}).items():
            rank = (other == stream, by_class is (test not in _OF_WHOLE))
            found.setdefault(rank, []).extend(told)
        return cls(tuple(found[max(found)]) if found else ())

    def sd(self, grade: float) -> float:
        """Return the sd of an assay at a grade, as mass per mass; nan if none was stated.

        As stated for the nearest grade: in proportion above it, the same below it.
        """
        if not self.stated:
            return float("nan")
        near = max(grade, min(x for x, _ in self.stated))
        x, sd = min(self.stated, key=lambda pair: abs(np.log(near / pair[0])))
        return sd * max(1.0, grade / x)


def stated_assays(model: BalanceModel) -> StatedAssays:
    """Return the assays of a survey with their errors, as mass per mass."""
    found: dict[int, dict[_Rank, list[tuple[float, float]]]] = {}
    for m in model.survey.measurements:
        meaning = model.meanings.get(m.quantity)
        if (
            meaning is not None and meaning.analyte is not None and m.typed and m.sd > 0.0
            and meaning.kind in (Kind.GRADE, Kind.CLASS_GRADE) and m.value > 0.0
        ):  # fmt: skip
            rank = (meaning.kind is Kind.CLASS_GRADE, m.stream)
            told = found.setdefault(meaning.analyte, {}).setdefault(rank, [])
            told.append((m.value_base, _assay_sd(model.survey, m)))
    return found


def _assay_sd(survey: Survey, m: Measurement) -> float:
    """Return the sd of one reading in base units, with what sources of error add to it."""
    if m.readings == 1:
        return m.sd_base
    one = survey.reading_sd(m)
    stays = max(m.sd_base**2 - one**2 / m.readings, 0.0)
    return float((stays + one**2) ** 0.5)


def chance_to_tell(values: Sequence[float], sds: Sequence[float], alpha: float) -> list[float]:
    """Return for each explanation the chance that all the others are excluded if it holds.

    Parameters
    ----------
    values, sds : sequences of float
        What each explanation predicts.
    alpha : float
        Level of the two-sided limits.

    Examples
    --------
    >>> [round(p, 3) for p in chance_to_tell([0.0, 2.801585], [1.0, 1.0], 0.05)]
    [0.8, 0.8]
    """
    z = -float(ndtri(alpha / 2.0))
    limits = [(m - z * s, m + z * s) for m, s in zip(values, sds, strict=True)]
    chances = []
    for i, (m, s) in enumerate(zip(values, sds, strict=True)):
        inside, reach = 0.0, -np.inf
        for low, high in sorted(pair for j, pair in enumerate(limits) if j != i):
            low = max(low, reach)
            if high > low:
                inside += float(ndtr((high - m) / s) - ndtr((low - m) / s))
                reach = high
        chances.append(min(max(1.0 - inside, 0.0), 1.0))
    return chances


def deciding_test(
    kind: TestKind, predictions: Sequence[Prediction], errors: AssayError, *, unit: Unit,
    part: str = "", opening_um: float | None = None, coarse_percent: float | None = None,
) -> DecidingTest | None:  # fmt: skip
    """Return a test with its chances; None without predictions or stated errors of assays."""
    values = [p.value for p in predictions]
    if not values:
        return None

    def sds(assays: int) -> list[float]:
        return [
            math.hypot(p.sd, *(errors.sd(x) / assays**0.5 for x in p.grades))  # no overflow
            for p in predictions
        ]

    once = sds(1)
    if not (np.isfinite([*values, *once]).all() and min(once) > 0.0):
        return None
    enough = (
        n
        for n in range(1, MOST_ASSAYS + 1)
        if min(chance_to_tell(values, sds(n), ALPHA)) >= TEST_POWER
    )
    expected = tuple(
        Expected(p.explanation, unit.from_base(p.value), unit.from_base(sd), chance)
        for p, sd, chance in zip(
            predictions, once, chance_to_tell(values, once, ALPHA), strict=True
        )
    )
    return DecidingTest(kind, part, opening_um, coarse_percent, expected, ALPHA, next(enough, None))


def _prediction(explanation: LossCause, v: Floats, V: Floats, two: _Two) -> Prediction:
    """Return what an explanation predicts, from values with their covariance."""
    one, other = two([Derived(float(x), {i: 1.0}) for i, x in enumerate(v)])
    gap = one - other
    g = np.array([gap.slopes.get(i, 0.0) for i in range(v.size)])
    sd = max(float(g @ V @ g), 0.0) ** 0.5
    return Prediction(explanation, gap.value, sd, (max(one.value, 0.0), max(other.value, 0.0)))


def screen(v: Floats, V: Floats) -> list[Prediction]:
    """Predict the screening of a product.

    Parameters
    ----------
    v : ndarray, shape (3,)
        Grade of the product, grade of the head, share on the screen (mass per mass).
    V : ndarray, shape (3, 3)
        Their covariance.
    """
    x, h, w = (float(value) for value in v)
    if not 0.0 < x < h or not 0.0 < w < 1.0:
        return []
    enough = w * h <= x  # so much of the loss that the coarse part can be as rich as the head
    return [
        _prediction(
            LossCause.COARSE_UNTOUCHED, v, V,
            lambda u: (u[1], (u[0] - u[2] * u[1]) / (1.0 - u[2])) if enough
            else (u[0] / u[2], 0.0 * u[0]),
        ),
        _prediction(LossCause.NO_SIZE, v, V, lambda u: (u[0], u[0])),
        _prediction(LossCause.ALL_FINE, v, V, lambda u: (0.0 * u[0], u[0] / (1.0 - u[2]))),
    ]  # fmt: skip


def grind_half(v: Floats, V: Floats) -> list[Prediction]:
    """Predict the grinding of half the coarse part, from its grade and the recovery so far.

    v has shape (2,), their covariance V (2, 2).
    """
    return [
        _prediction(LossCause.LOCKED, v, V, lambda u: (u[0], u[0] * (1.0 - u[1]))),
        _prediction(
            LossCause.FREE, v, V, lambda u: (u[0] * (1.0 - u[1]), u[0] * (1.0 - u[1]))
        ),
    ]  # fmt: skip


def split_finest(v: Floats, V: Floats) -> list[Prediction]:
    """Predict the splitting of the finest class, from its grade and that of the next class.

    v has shape (2,), their covariance V (2, 2).
    """
    if not 0.0 <= v[1] < v[0]:
        return []
    return [
        _prediction(LossCause.SLIMES, v, V, lambda u: (2.0 * u[0] - u[1], u[1])),
        _prediction(LossCause.NOT_BY_SIZE, v, V, lambda u: (u[0], u[0])),
    ]


def treat_again(v: Floats, V: Floats) -> list[Prediction]:
    """Predict a second treatment, from the grade of the product and the recovery so far.

    v has shape (2,), their covariance V (2, 2).
    """
    return [
        _prediction(LossCause.MISSED, v, V, lambda u: (u[0], u[0] * (1.0 - u[1]))),
        _prediction(LossCause.OUT_OF_REACH, v, V, lambda u: (u[0], u[0])),
    ]
