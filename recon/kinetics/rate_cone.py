"""How far recoveries against time are from any test that slows down as its metal goes.

What slows down as its metal goes is a sum of parts that come at rates of their own: with any
distribution F of rates the recovery is ::

    R(t) = integral of (1 - exp(-k t)) dF(k),    F >= 0

of which first order with a plateau, a rectangular distribution and two components are cases. Such
curves are a convex cone, so the nearest of them to adjusted recoveries, weighted with their
covariance, is one problem of least squares without negative unknowns.

That metal does not go back, and that no reagent ran short, is part of the premise.

References
----------
Cone of exponential sums: S. Karlin and W.J. Studden, Tchebycheff Systems (1966). Least squares
without negative unknowns: C.L. Lawson and R.J. Hanson, Solving Least Squares Problems (1974),
chapter 23. Cited from memory. The distance of a point of the cone to its nearest is at most that to
the ray through it, chi-square of n - 1: the stated p is no smaller than the true one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats

__all__ = ["RateCone", "chance_of"]

_RATES = 60  # of the grid
_SLOW, _FAST = 0.05, 30.0  # rates: times the last time, and the first
_RISE = 1.0  # of the distance, at one standard deviation
_FAR = 1e9  # sd of a value, beyond which nothing bounds it
_FURTHER = 16.0  # times as far, where the distance has not risen enough
_LEAST, _DIGITS = 2.0**-60, 1e-12  # of where it has: in sd, and of itself
_NONE = 1e-12  # share of the largest variance that is none


class RateCone:
    """The nearest such recoveries to some values, of one analyte or several.

    Parameters
    ----------
    times : sequence of ndarray
        Of each analyte: rising, above 0.
    value, covariance : ndarray, shape (n,) and (n, n)
        Recoveries, one analyte after the other, and then any other values that may move.
    """

    def __init__(self, times: Sequence[Floats], value: Floats, covariance: Floats) -> None:
        self.sd = np.sqrt(np.diag(covariance))
        unit = np.where(self.sd > 0.0, self.sd, 1.0)
        size, axes = np.linalg.eigh(covariance / np.outer(unit, unit))
        known = size > _NONE * size[-1]
        self.root = axes[:, known].T / np.sqrt(size[known])[:, None] / unit
        self.analytes, self.n, self.value = len(times), sum(t.size for t in times), value
        cone = np.zeros((value.size, len(times) * (_RATES + 2)))
        row = 0
        for i, time in enumerate(times):
            k = np.geomspace(_SLOW / time[-1], _FAST / time[0], _RATES)
            limits = np.column_stack([time / time[-1], np.ones(time.size)])  # never, and at once
            at = slice(i * (_RATES + 2), (i + 1) * (_RATES + 2))
            cone[row : row + time.size, at] = np.hstack([-np.expm1(-np.outer(time, k)), limits])
            row += time.size
        self.basis = self.root @ cone

    @property
    def distance(self) -> float:
        """Weighted sum of squares from the recoveries to the nearest, the other values free."""
        return self._nearest(range(self.n, self.value.size))[0]

    def said(self, i: int) -> tuple[float, float, Floats]:
        """Return another value as the nearest recoveries have it, its sd, and what goes with it.

        The sd is half the width of where the distance rises by 1; the last, shape (n_others,), by
        how much each of the other values, itself among them, moves as this one moves by one sd.
        """
        others = [j for j in range(self.n, self.value.size) if j != i]
        least, moved = self._nearest([i, *others])

        def rise(by: float) -> float:
            return self._nearest(others, i, float(moved[0]) + by)[0] - least - _RISE

        low, high = (_crossed(rise, float(self.sd[i]), sign) for sign in (-1.0, 1.0))
        goes = np.full(self.value.size - self.n, 0.5 * (high - low))
        if others:
            at_high, at_low = (self._nearest(others, i, float(moved[0]) + by)[1]
                               for by in (high, low))  # fmt: skip
            goes[np.array(others) - self.n] = 0.5 * (at_high - at_low)
        return float(self.value[i] + moved[0] + 0.5 * (low + high)), 0.5 * (high - low), goes

    def _nearest(
        self, free: Sequence[int], held: int = -1, by: float = 0.0
    ) -> tuple[float, Floats]:
        """Return the distance with some values free, and what they move by; one may be held."""
        from scipy.optimize import nnls

        value = self.value.copy()
        value[self.n :] = 0.0
        if held >= 0:
            value[held] = -by
        columns = self.root[:, list(free)]
        found, left = nnls(np.hstack([self.basis, columns, -columns]), self.root @ value)
        m, n = self.basis.shape[1], columns.shape[1]
        return float(left**2), found[m : m + n] - found[m + n :]


def _crossed(rise: Callable[[float], float], unit: float, sign: float) -> float:
    """Return where a convex rise, below 0 at 0, meets 0 on one side.

    The rise is nearly a parabola, so that its root is nearly a line.
    """
    from scipy.optimize import brentq

    def above(step: float) -> float:
        return math.sqrt(max(rise(sign * step) + _RISE, 0.0)) - math.sqrt(_RISE)

    low, high = 0.0, unit
    while high < _FAR * unit and above(high) < 0.0:
        low, high = high, _FURTHER * high
    if not high < _FAR * unit or not above(0.0) < 0.0:
        return sign * (high if low > 0.0 else 0.0)
    return sign * float(brentq(above, low, high, xtol=_LEAST * unit, rtol=_DIGITS))


def chance_of(distance: float, n: int) -> float:
    """Return the most that the chance of a larger distance can be."""
    from scipy.special import chdtrc

    return float(chdtrc(n - 1, distance)) if n > 1 else 1.0
