"""Numbers of a survey that lie far from the same of the other surveys of the campaign.

No balance is asked: a number that nothing checks is seen too. With y the logarithms of the same
number in the n other surveys, mean m and standard deviation s, the logarithm x of a further one of
the same normal distribution makes

    t = (x - m) / (s sqrt(1 + 1/n))

Student's t with n - 1 degrees of freedom (prediction of one more value: Hahn and Meeker,
Statistical Intervals, 1991, chapter 4). s is at least the relative stated error of the number:
rounding alone could make it too small.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from scipy.special import stdtr

from oretally.flowsheet import Measurement
from oretally.flowsheet.survey import DECLARED_LOSS, DatedSurvey

__all__ = ["LEAST_OTHERS", "FarNumber", "far_from_others"]

LEAST_OTHERS = 4
"""Other surveys that it takes to say that a number is far from them."""


@dataclass(frozen=True, slots=True)
class FarNumber:
    """A number of one survey that lies far from the same of the others, in ``unit``.

    Attributes
    ----------
    label, stream, quantity, unit : str
    measured : float
    others : (int, float, float)
        Of how many other surveys it was measured, the least and the most of them.
    p : float
        Chance of one so far from the others, two-sided, before it is corrected for how many numbers
        were looked at.
    """

    label: str
    stream: str
    quantity: str
    unit: str
    measured: float
    others: tuple[int, float, float]
    p: float


def far_from_others(
    campaign: Sequence[DatedSurvey], labels: Collection[str], *, alpha: float = 0.01
) -> tuple[FarNumber, ...]:
    """Return the numbers of some surveys that lie far from the same of all others.

    Parameters
    ----------
    campaign : sequence of DatedSurvey
    labels : collection of str
        Surveys whose numbers are looked at.
    alpha : float
        Chance of one or more among numbers of which none is out of the way (Bonferroni).

    Returns
    -------
    tuple of FarNumber
        The farthest first. Values that are only bounded, 0, or have less than four others say
        nothing.
    """
    read: dict[tuple[str, str], list[tuple[str, Measurement]]] = {}
    for dated in campaign:
        for m in dated.survey.measurements:
            if _measured(m) and 0.0 < m.value < inf and 0.0 < m.sd < inf:
                read.setdefault((m.stream, m.quantity), []).append((dated.label, m))
    found, looked = list[FarNumber](), 0
    for own in read.values():
        if len(own) <= LEAST_OTHERS:
            continue
        value = np.array([m.value_base for _, m in own])
        chosen = np.flatnonzero([label in labels for label, _ in own])
        looked += chosen.size
        p = _chances(np.log(value), np.array([m.sd_base for _, m in own]) / value)
        found += [_far(own[i], np.delete(value, i), float(p[i]), len(own) - 1)
                  for i in chosen.tolist() if p[i] < alpha]  # fmt: skip
    kept = (far for far in found if far.p * looked < alpha)
    return tuple(sorted(kept, key=lambda far: (far.p, far.label, far.stream, far.quantity)))


def _measured(m: Measurement) -> bool:
    """Return whether it was measured, as typed or made of what was: a dry mass of a wet one."""
    return not m.bounded and m.error_source != DECLARED_LOSS


def _chances(x: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Return the chance of each number, were it one more of the others."""
    n = x.size - 1
    off = x - x.mean()
    mean = x - off * x.size / n
    squares = np.maximum(np.square(off).sum() - np.square(off) * x.size / n, 0.0)  # without its own
    s = np.maximum(np.sqrt(squares / (n - 1)), own)
    return np.asarray(2.0 * stdtr(n - 1, -np.abs(x - mean) / (s * np.sqrt(1.0 + 1.0 / n))))


def _far(own: tuple[str, Measurement], others: np.ndarray, p: float, n: int) -> FarNumber:
    label, m = own
    low, high = (m.unit.from_base(float(x)) for x in (others.min(), others.max()))
    return FarNumber(label, m.stream, m.quantity, m.unit.symbol, m.value, (n, low, high), p)
