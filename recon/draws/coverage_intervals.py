"""Coverage intervals of simulated values, and whether first-order propagation agrees with them.

What JCGM 101 does with the model values of a Monte Carlo calculation, for any samples:

=======  ==========================================================================================
7.7.2    of M sorted values y, the 100 p % intervals are [y(r), y(r + q)] with q = p M, rounded;
         probabilistically symmetric with r = (M - q) / 2, rounded; shortest with the r of the
         smallest y(r + q) - y(r)
7.9.2    numerical tolerance of u, of which n digits count: with u = c 10^l, c an integer of n
         digits, delta = 10^l / 2
8.1      d_low = abs(y - U - y_low), d_high = abs(y + U - y_high); the interval y +- U of first
         order, U = k u, is valid if neither is larger than delta
=======  ==========================================================================================

The ends of a simulated interval scatter from one simulation to the next. Clause 8.2 asks for so
many trials that this is a fifth of delta. Here a verdict that the scatter could turn is none; and
most of it cancels if the same draws, taken to first order, stand beside the samples (`relieved`).

References
----------
JCGM 101:2008 (GUM Supplement 1). Scatter of a quantile, whose rank is binomial: H.A. David and H.N.
Nagaraja, Order Statistics, 3rd ed. (2003), section 7.1. Control variates of known distribution:
J.M. Hammersley and D.C. Handscomb, Monte Carlo Methods (1964), section 5.5. All cited from memory.
"""

from __future__ import annotations

import math

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import Interval, Validation

__all__ = ["LEAST_SAMPLES", "NORMAL_95", "end_scatter", "relieved", "shortest_interval",
           "symmetric_interval", "tolerance", "validation"]  # fmt: skip


LEAST_SAMPLES = 40  # of which 2.5 % is one
NORMAL_95 = 1.959963984540054  # coverage factor of 95 % of a normal distribution
_SURE = 3.0  # sd of the scatter of an end, within which no verdict is given: answers are many
_HAIR = 1e-9  # of the tolerance: what rounding leaves of printed digits


def symmetric_interval(samples: Floats, level: float = 0.95) -> Interval:
    """Return the probabilistically symmetric coverage interval: as many samples below as above.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        In any order; infinite ones count, at their end.
    level : float
        Coverage probability.

    Raises
    ------
    ValueError
        If a sample is NaN, there are fewer than 40, or the level is not between 0 and 1.

    Examples
    --------
    >>> symmetric_interval(np.arange(1000.0), 0.9)
    Interval(low=49.0, high=949.0)
    """
    y = _sorted(samples, level)
    q = _covered(y.size, level)
    r = (y.size - q + 1) // 2  # counted from 1
    return Interval(float(y[r - 1]), float(y[r + q - 1]))


def shortest_interval(samples: Floats, level: float = 0.95) -> Interval:
    """Return the shortest coverage interval of samples, shape (n,), as in `symmetric_interval`.

    Examples
    --------
    >>> shortest_interval(np.arange(100.0) ** 2, 0.9)
    Interval(low=0.0, high=8100.0)
    """
    y = _sorted(samples, level)
    q = _covered(y.size, level)
    with np.errstate(invalid="ignore"):  # between two infinite ends
        width = y[q:] - y[:-q]
    r = int(np.argmin(np.where(np.isnan(width), np.inf, width)))
    return Interval(float(y[r]), float(y[r + q]))


def end_scatter(samples: Floats, level: float = 0.95) -> Interval:
    """Return the sd of both ends of the symmetric interval, from one simulation to the next.

    Half the distance between the samples whose ranks are one sd of a binomial count off; samples
    have shape (n,), parameters as of `symmetric_interval`.
    """
    y = _sorted(samples, level)
    n, tail = y.size, 0.5 * (1.0 - level)
    off = math.sqrt(n * tail * (1.0 - tail))
    found = []
    for chance in (tail, 1.0 - tail):
        a, b = (min(max(round(n * chance + side * off), 1), n) for side in (-1.0, 1.0))
        gap = 0.0 if y[a - 1] == y[b - 1] else float(y[b - 1] - y[a - 1])  # both may be infinite
        found.append(gap * off / (b - a) if b > a else math.inf)
    return Interval(*found)


def relieved(
    samples: Floats, first_order: Floats, exact: Interval, *, level: float = 0.95
) -> tuple[Interval, Interval]:
    """Return the symmetric interval without what its draws are off by chance, and its scatter.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    first_order : ndarray, shape (n,)
        What the same draws would give if first order held.
    exact : Interval
        What the symmetric interval of endless ``first_order`` would be.
    level : float

    Returns
    -------
    Interval, Interval
        Ends, each less what that of ``first_order`` is off; and their sd. Only draws that lie
        beyond the one end and not beyond the other scatter. Where that would be no gain, as they
        are.
    """
    ours, theirs = symmetric_interval(samples, level), symmetric_interval(first_order, level)
    tail = 0.5 * (1.0 - level)
    usual = (samples.size * tail * (1.0 - tail)) ** 0.5
    ends, scatter = [], []
    sds = end_scatter(samples, level)
    for sign, end, other, true, sd in zip((-1.0, 1.0), ours, theirs, exact, sds, strict=True):
        beyond = (sign * samples > sign * end) != (sign * first_order > sign * other)
        share = max(int(beyond.sum()), 1) ** 0.5 / usual
        ends.append(end - (other - true) if share < 1.0 else end)
        scatter.append(sd * min(share, 1.0))
    return Interval(*ends), Interval(*scatter)


def tolerance(u: float, digits: int = 1) -> float:
    """Return the numerical tolerance of a standard uncertainty of which so many digits count.

    Examples
    --------
    The examples of clause 7.9.2: 0.00035 g to two digits and to one, 2 K to one.

    >>> tolerance(0.00035, 2), tolerance(0.00035, 1), tolerance(2.0, 1)
    (5e-06, 5e-05, 0.5)
    """
    if not (math.isfinite(u) and u > 0.0):
        raise ValueError(f"u is {u:g}; a finite number above 0 is needed")
    if digits < 1:
        raise ValueError(f"{digits} digits: one at least is needed")
    exponent = int(f"{u:.{digits - 1}e}".split("e")[1])  # of u, rounded to so many digits
    return float(f"5e{exponent - digits}")


def validation(
    value: float, u: float, interval: Interval, *, factor: float = NORMAL_95,
    digits: int = 1, scatter: Interval | None = None,
) -> Validation:  # fmt: skip
    """Compare value +- factor u with a simulated interval.

    Parameters
    ----------
    value, u : float
        Value and standard uncertainty by first-order propagation.
    interval : Interval
        Simulated, at the coverage probability that ``factor`` stands for: 95 % unless given.
    factor : float
        Coverage factor k.
    digits : int
        Digits of u that count: 1 or 2 as a rule.
    scatter : Interval
        sd of both ends of ``interval``; none unless given.

    Examples
    --------
    JCGM 101, clause 9.2.4: four inputs, a rectangular one ten times as wide as the others.

    >>> validation(0.0, 10.1, Interval(-17.0, 17.0), digits=2).valid
    False
    """
    delta = tolerance(u, digits)
    ends = (value - factor * u, value + factor * u)
    off = [abs(ours - theirs) for ours, theirs in zip(ends, interval, strict=True)]
    most = delta * (1.0 + _HAIR)
    open_ = [_SURE * s for s in scatter or (0.0, 0.0)]
    valid: bool | None = None
    if any(d - s > most for d, s in zip(off, open_, strict=True)):
        valid = False
    elif all(d + s <= most for d, s in zip(off, open_, strict=True)):
        valid = True
    return Validation(delta, off[0], off[1], valid)


def _sorted(samples: Floats, level: float) -> Floats:
    y = np.sort(np.asarray(samples, dtype=float).ravel())
    if y.size < LEAST_SAMPLES:
        raise ValueError(f"{y.size} samples: {LEAST_SAMPLES} at least are needed")
    if np.isnan(y[-1]):
        raise ValueError("a sample is NaN")
    if not 0.0 < level < 1.0:
        raise ValueError(f"the level is {level:g}; it must lie between 0 and 1")
    return y


def _covered(n: int, level: float) -> int:
    """Return q: how many samples apart the ends stand, so that one more can be left out."""
    return min(max(int(level * n + 0.5 + _HAIR), 1), n - 1)
