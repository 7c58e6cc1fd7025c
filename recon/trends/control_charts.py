"""Charts of values over time, each value with an sd of its own: single values, EWMA, CUSUM.

With z_i = (x_i - centre) / sd_i, about N(0, 1) while nothing changes::

    single values   |z_i| > 3; eight in a row on one side; two of three beyond 2 sd on one side
    EWMA            e_i = l x_i + (1 - l) e_(i-1), e_0 = centre, limits centre +- L sd(e_i)
                    var(e_i) = l^2 sd_i^2 + (1 - l)^2 var(e_(i-1)): exact for sds that differ
    CUSUM           up_i = max(0, up_(i-1) + z_i - k), down_i likewise of -z_i; a signal above h

References
----------
W.A. Shewhart, Economic Control of Quality of Manufactured Product (1931). S.W. Roberts,
Technometrics 1 (1959) 239-250 (EWMA). E.S. Page, Biometrika 41 (1954) 100-115 (CUSUM). Rules:
C.W. Champ and W.H. Woodall, Technometrics 29 (1987) 393-399. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats

__all__ = [
    "DECISION",
    "FACTOR",
    "REFERENCE",
    "RUN",
    "WEIGHT",
    "Cusum",
    "Ewma",
    "Rules",
    "cusum",
    "ewma",
    "runs_rules",
]

RUN = 8
"""Values in a row on one side of the centre that break a rule."""
REFERENCE, DECISION = 0.5, 5.0
"""k and h of a CUSUM, in sd: one sd of shift is found after 10 surveys, a false alarm comes once in
465 (`oretally.recon.trends.run_lengths`)."""
WEIGHT, FACTOR = 0.2, 2.86
"""l and L of an EWMA: a false alarm about as often as with the CUSUM (from memory)."""


@dataclass(frozen=True, slots=True)
class Rules:
    """Places where a rule is broken; the last value of each run."""

    beyond_3: tuple[int, ...]
    run_on_one_side: tuple[int, ...]
    two_of_three: tuple[int, ...]

    @property
    def broken(self) -> tuple[int, ...]:
        """Places where any rule is broken, in order."""
        return tuple(sorted({*self.beyond_3, *self.run_on_one_side, *self.two_of_three}))


@dataclass(frozen=True, slots=True, eq=False)
class Ewma:
    """Moving averages, shape (n,), with their limits, shape (n,); ``signals`` are places beyond."""

    average: Floats
    low: Floats
    high: Floats
    signals: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """Sums of what goes up and down, shape (n,), and the first place above ``decision`` or None.

    ``began`` is where the sum that signalled last was 0: the estimate of when it began.
    """

    up: Floats
    down: Floats
    decision: float
    signal: int | None
    began: int | None


def runs_rules(z: Floats) -> Rules:
    """Return where standardised values, shape (n,), break a rule of the chart of single values.

    Examples
    --------
    >>> runs_rules(np.array([0.1, 3.2, -2.1, 0.3, -2.2, *[0.5] * 8])).broken
    (1, 4, 12)
    """
    two = np.zeros(z.size, dtype=bool)
    for beyond in (z > 2.0, z < -2.0):
        padded = np.r_[False, False, beyond]
        two |= beyond & (padded[1:-1] | padded[:-2])
    return Rules(_places(np.abs(z) > 3.0), _places(_run_lengths(z) >= RUN), _places(two))


def ewma(
    x: Floats, centre: float, sd: Floats, *, weight: float = WEIGHT, factor: float = FACTOR
) -> Ewma:
    """Return the moving averages of values with their exact limits.

    Parameters
    ----------
    x, sd : ndarray, shape (n,)
    centre : float
    weight : float
        Of the newest value, above 0 and at most 1.
    factor : float
        Of the limits, in sd of the average.
    """
    average, variance = np.empty(x.size), np.empty(x.size)
    mean, of_mean = centre, 0.0
    for i, (value, error) in enumerate(zip(x.tolist(), sd.tolist(), strict=True)):
        mean = weight * value + (1.0 - weight) * mean
        of_mean = (weight * error) ** 2 + (1.0 - weight) ** 2 * of_mean
        average[i], variance[i] = mean, of_mean
    half = factor * np.sqrt(variance)
    beyond = np.abs(average - centre) > half
    return Ewma(average, centre - half, centre + half, _places(beyond))


def cusum(z: Floats, *, reference: float = REFERENCE, decision: float = DECISION) -> Cusum:
    """Return the cumulative sums of standardised values, shape (n,), up and down."""
    up, down = np.empty(z.size), np.empty(z.size)
    high = low = 0.0
    signal, began, starts = None, None, [0, 0]
    for i, value in enumerate(z.tolist()):
        high, low = max(0.0, high + value - reference), max(0.0, low - value - reference)
        up[i], down[i] = high, low
        starts = [i + 1 if high == 0.0 else starts[0], i + 1 if low == 0.0 else starts[1]]
        if signal is None and max(high, low) > decision:
            signal, began = i, starts[0] if high >= low else starts[1]
    return Cusum(up, down, decision, signal, began)


def _run_lengths(z: Floats) -> Floats:
    """Return how many in a row, this one included, lie on its side of 0; 0 on the line."""
    found, last, length = np.zeros(z.size), 0.0, 0
    for i, side in enumerate(np.sign(z).tolist()):
        length = length + 1 if side and side == last else int(side != 0.0)
        last, found[i] = side, length
    return found


def _places(mask: Bools) -> tuple[int, ...]:
    return tuple(np.flatnonzero(mask).tolist())
