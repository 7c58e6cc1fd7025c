"""A value computed from others, with its derivatives by these; sd and covariance to first order.

With V the covariance of the values, functions f and h of them with the derivatives g_f and g_h have
the variance g_f' V g_f and the covariance g_f' V g_h; V = R R' makes no variance negative.

References
----------
JCGM 100:2008 (GUM), eq. 13: law of propagation; F.1.2.3: covariance of two functions. Cited from
memory.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.result import Estimate
from oretally.recon.solver import Covariance

__all__ = [
    "Adjusted",
    "Derived",
    "adjusted",
    "adjusted_amount",
    "amount_at",
    "amount_roots",
    "estimate",
    "estimates",
    "joint_estimate",
    "joint_roots",
    "moved_by_bounds",
    "moved_by_errors",
    "per_unit",
    "total",
    "value_at",
]

_Key = TypeVar("_Key", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Derived(Generic[_Key]):
    """Something computed from values, in base units: sums, products and ratios keep its slopes.

    Attributes
    ----------
    value : float
    slopes : mapping to float
        Its derivatives, by what tells the values apart: (stream, quantity) of measured ones,
        the position of adjusted ones.

    Examples
    --------
    >>> Derived(1.0, {"a": 1.0}) / Derived(2.0, {"b": 1.0})
    Derived(value=0.5, slopes={'a': 0.5, 'b': -0.25})
    """

    value: float
    slopes: Mapping[_Key, float]

    def __add__(self, other: Derived[_Key] | float) -> Derived[_Key]:
        b = _lifted(other)
        return self._joined(self.value + b.value, 1.0, 1.0, b)

    def __sub__(self, other: Derived[_Key] | float) -> Derived[_Key]:
        b = _lifted(other)
        return self._joined(self.value - b.value, 1.0, -1.0, b)

    def __mul__(self, other: Derived[_Key] | float) -> Derived[_Key]:
        b = _lifted(other)
        return self._joined(self.value * b.value, b.value, self.value, b)

    def __truediv__(self, other: Derived[_Key] | float) -> Derived[_Key]:
        """Return the ratio; NaN over 0."""
        b = _lifted(other)
        below = b.value or math.nan
        ratio = self.value / below
        return self._joined(ratio, 1.0 / below, -ratio / below, b)

    def __radd__(self, other: float) -> Derived[_Key]:
        return self + other

    def __rsub__(self, other: float) -> Derived[_Key]:
        start: Derived[_Key] = Derived(other, {})
        return start - self

    def __rmul__(self, other: float) -> Derived[_Key]:
        return self * other

    def __rtruediv__(self, other: float) -> Derived[_Key]:
        start: Derived[_Key] = Derived(other, {})
        return start / self

    def _joined(
        self, value: float, by_own: float, by_other: float, other: Derived[_Key]
    ) -> Derived[_Key]:
        """Return a function of two, from its value and its derivatives by them."""
        slopes = {key: by_own * slope for key, slope in self.slopes.items()}
        for key, slope in other.slopes.items():
            slopes[key] = slopes.get(key, 0.0) + by_other * slope
        return Derived(value, slopes)


def _lifted(other: Derived[_Key] | float) -> Derived[_Key]:
    return other if isinstance(other, Derived) else Derived(other, {})


Adjusted = Derived[Position]
"""Something computed from adjusted values."""


def total(parts: Iterable[Derived[_Key]]) -> Derived[_Key]:
    """Return the sum of any number of values."""
    value, slopes = 0.0, dict[_Key, float]()
    for part in parts:
        value += part.value
        for key, slope in part.slopes.items():
            slopes[key] = slopes.get(key, 0.0) + slope
    return Derived(value, slopes)


def value_at(covariance: Covariance, place: Position) -> float:
    """Return an adjusted value, in base units."""
    k, j = place
    solution = covariance.solution
    return float(solution.flow[j] if k is None else solution.grade[k, j])


def adjusted(covariance: Covariance, place: Position) -> Adjusted:
    """Return an adjusted value itself."""
    return Derived(value_at(covariance, place), {place: 1.0})


def amount_at(covariance: Covariance, k: int | None, j: int) -> Adjusted:
    """Return the adjusted flow in a carrier, or what it has of analyte k: NaN without a grade."""
    flow = adjusted(covariance, Position(None, j))
    return flow if k is None else flow * adjusted(covariance, Position(k, j))


def amount_roots(
    covariance: Covariance, k: int | None, carriers: Sequence[int]
) -> tuple[Floats, Floats]:
    """Return adjusted flows, or what they have of analyte k, with a root of their covariance.

    Returns
    -------
    ndarray, shape (n,), and ndarray R, shape (n, any)
        The covariance is R R'; NaN where the balance does not determine an amount.
    """
    flow = covariance.solution.flow[list(carriers)]
    places = [Position(None, j) for j in carriers]
    if k is None:
        return flow, covariance.root(places)
    grade = covariance.solution.grade[k, list(carriers)]
    R = covariance.root([*places, *(Position(k, j) for j in carriers)])
    of_flow, of_grade = R[: flow.size], R[flow.size :]
    return flow * grade, grade[:, None] * of_flow + flow[:, None] * of_grade


def per_unit(amounts: tuple[Floats, Floats], whole: float, root: Floats) -> tuple[Floats, Floats]:
    """Return amounts per another one, and a root of their covariance; NaN over 0.

    ``amounts`` as `amount_roots` returns them; ``root``, of shape (any,), is that of the whole, in
    the same columns.
    """
    values, R = amounts
    below = whole or math.nan
    share = values / below
    return share, (R - share[:, None] * root) / below


def adjusted_amount(covariance: Covariance, carriers: Iterable[int], k: int | None) -> Adjusted:
    """Return the adjusted flow in several carriers, or what they have of analyte k.

    NaN where the balance does not determine it. What carries nothing has no grade, and holds
    nothing.
    """
    F = covariance.solution.flow
    return total(amount_at(covariance, k, j) for j in carriers if k is None or F[j] != 0.0)


def joint_roots(covariance: Covariance, found: Sequence[Adjusted]) -> tuple[Floats, Floats]:
    """Return several values, shape (n,), and R with R R' their covariance, shape (n, any).

    Rows of what the balance does not determine are NaN.
    """
    return np.array([d.value for d in found]), _roots(covariance, found)


def _roots(covariance: Covariance, found: Sequence[Adjusted]) -> Floats:
    row = {place: i for i, place in enumerate(dict.fromkeys(p for d in found for p in d.slopes))}
    R = covariance.root(list(row))
    return np.array(
        [np.array([*d.slopes.values()]) @ R[[row[p] for p in d.slopes]] for d in found]
    ).reshape(len(found), R.shape[1])


def estimates(covariance: Covariance, found: Sequence[Adjusted]) -> list[Estimate | None]:
    """Return each with its sd; None where the balance does not determine it."""
    sds = np.sqrt((_roots(covariance, found) ** 2).sum(axis=1)).tolist()
    return [
        (d.value, sd) if np.isfinite(d.value) and np.isfinite(sd) else None
        for d, sd in zip(found, sds, strict=True)
    ]


def estimate(covariance: Covariance, found: Adjusted) -> Estimate | None:
    """Return a value with its sd; None where the balance does not determine it."""
    return estimates(covariance, [found])[0]


def moved_by_errors(
    covariance: Covariance, found: Sequence[Adjusted], places: Sequence[Position]
) -> Floats:
    """Return what an error of plus one sd in measurements, or sources, adds to computed values.

    Parameters
    ----------
    covariance : Covariance
    found : sequence of Derived
        Determined, each.
    places : sequence of Position
        Of the measurements, or of the unknowns of shared sources.

    Returns
    -------
    ndarray, shape (n_found, n_places)
        Cov(found, adjusted) / sd, with its sign; 0 where an adjusted value is not determined. The
        squares of a row are parts of its variance, the products of two rows what each measurement
        adds to their covariance; what bounds add says `moved_by_bounds`.
    """
    flows, grades = covariance.held.many_with_all([d.slopes for d in found])
    problem, at = covariance.problem, np.array([p.carrier for p in places])
    of = np.array([-1 if p.analyte is None else p.analyte for p in places])
    is_flow = of < 0
    moved = np.empty((len(found), len(places)))
    moved[:, is_flow] = flows[:, at[is_flow]] / problem.flow_sd[at[is_flow]]
    grade = ~is_flow
    moved[:, grade] = grades[:, of[grade], at[grade]] / problem.grade_sd[of[grade], at[grade]]
    return np.where(np.isfinite(moved), moved, 0.0)


def moved_by_bounds(covariance: Covariance, found: Sequence[Adjusted]) -> Floats:
    """Return what grades that a bound holds, and that may be inside, add to computed values.

    Returns
    -------
    ndarray, shape (n_found, n_bounds)
        As of independent errors of one sd, in the order of `Covariance.at_bounds`. With those of
        `moved_by_errors` the squares of a row add up to its variance.
    """
    return covariance.root_of_bounds(_roots(covariance, found))


def joint_estimate(
    covariance: Covariance, found: Sequence[Adjusted]
) -> tuple[Floats, Floats] | None:
    """Return several values, shape (n,), and their covariance; None if one is not determined."""
    values, R = np.array([d.value for d in found]), _roots(covariance, found)
    V = R @ R.T
    return (values, V) if np.isfinite(values).all() and np.isfinite(V).all() else None
