"""Sums, products and ratios of amounts, measured or adjusted, with their derivatives.

A variance follows from the derivatives: law of propagation, JCGM 100:2008 (GUM), equation 13.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from oretally.flowsheet import Position
from oretally.recon.solver import Covariance

__all__ = ["Amount", "adjusted_amount", "adjusted_sd", "over", "times", "weighted"]

_Key = TypeVar("_Key", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Amount(Generic[_Key]):
    """Something computed from values, in base units.

    Attributes
    ----------
    value : float
    slopes : mapping to float
        Its derivatives, by what tells the values apart: (stream, quantity) of measured ones,
        the position of adjusted ones.
    """

    value: float
    slopes: Mapping[_Key, float]


def weighted(parts: Sequence[tuple[float, Amount[_Key]]]) -> Amount[_Key]:
    """Return a sum of amounts, each times a weight."""
    slopes: dict[_Key, float] = {}
    for weight, part in parts:
        for key, slope in part.slopes.items():
            slopes[key] = slopes.get(key, 0.0) + weight * slope
    return Amount(sum(weight * part.value for weight, part in parts), slopes)


def times(one: Amount[_Key], other: Amount[_Key]) -> Amount[_Key]:
    """Return the product of two amounts."""
    parts = ((other.value, one), (one.value, other))
    return Amount(one.value * other.value, weighted(parts).slopes)


def over(above: Amount[_Key], below: Amount[_Key]) -> Amount[_Key]:
    """Return the ratio of two amounts; the one below is not 0.

    Examples
    --------
    >>> over(Amount(1.0, {"a": 1.0}), Amount(2.0, {"b": 1.0}))
    Amount(value=0.5, slopes={'a': 0.5, 'b': -0.25})
    """
    ratio = above.value / below.value
    parts = ((1.0 / below.value, above), (-ratio / below.value, below))
    return Amount(ratio, weighted(parts).slopes)


def adjusted_amount(
    covariance: Covariance, carriers: Sequence[int], k: int | None
) -> Amount[Position]:
    """Return the adjusted flow in several carriers, or what they have of analyte k.

    NaN where the balance does not determine it.
    """
    solution = covariance.solution
    value, slopes = 0.0, dict[Position, float]()
    for j in carriers:
        F = float(solution.flow[j])
        if k is None:
            value, slopes[Position(None, j)] = value + F, 1.0
        elif F != 0.0:  # what carries nothing has no grade
            x = float(solution.grade[k, j])
            value, slopes[Position(None, j)], slopes[Position(k, j)] = value + F * x, x, F
    return Amount(value, slopes)


def adjusted_sd(covariance: Covariance, amount: Amount[Position]) -> float:
    """Return the standard deviation of something computed from adjusted values; NaN if unknown."""
    if not amount.slopes:
        return 0.0
    places = list(amount.slopes)
    slopes = np.array([amount.slopes[p] for p in places])
    variance = float(slopes @ covariance.joint(places) @ slopes)
    return max(variance, 0.0) ** 0.5 if np.isfinite(variance) else np.nan
