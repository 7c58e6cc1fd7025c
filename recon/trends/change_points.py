"""When a level changed: one change, several, or a steady drift, against none.

With weights w, W_t = sum of w up to t and the weighted means m before and after, a change after
value t lessens the weighted squares by::

    gain(t) = W_t (W - W_t) / W (m_before - m_after)^2          RSS(t) = RSS - gain(t)

The likeliest t has the largest gain. With the variance unknown and the levels integrated out, t has
the posterior density (each place equally likely before)::

    RSS(t)^-(n - 2)/2 (W_t (W - W_t))^-1/2

Chances of a gain without any change are counted on drawn series of the same weights.

References
----------
D.V. Hinkley, Biometrika 57 (1970) 1-17 (change of a mean). A.F.M. Smith, Biometrika 62 (1975)
407-416 (posterior). J. Bai and P. Perron, Econometrica 66 (1998) 47-78 (several changes; F).
Cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from oretally.flowsheet.arrays import Floats, Ints

__all__ = [
    "LevelChange",
    "LevelChanges",
    "chance_of_gain",
    "level_change",
    "likely_places",
    "several_changes",
]

_DRAWS = 1999  # of series without a change
_FEW = 5  # draws with so large a gain, with fewer of which a bound serves better
_ENOUGH = 30  # with so many, drawing ends: it is chance (Besag and Clifford, Biometrika 78 (1991))
_AT_ONCE = 200
_ROUNDING = 1e-24  # of the squares


@dataclass(frozen=True, eq=False)
class LevelChange:
    """One change of level.

    Attributes
    ----------
    index : int
        Values before it.
    places : tuple of int
        First and last ``index`` of those that hold 95 % of the posterior.
    posterior : ndarray, shape (n + 1,)
        Of each index.
    before, after : float
    rss_without, rss : float
        Weighted squares without and with the change.
    """

    index: int
    places: tuple[int, int]
    posterior: Floats
    before: float
    after: float
    rss_without: float
    rss: float

    @property
    def F(self) -> float:
        """The largest F of one degree of freedom over all places."""
        n = self.posterior.size - 1
        return (self.rss_without - self.rss) / (self.rss / (n - 2))


@dataclass(frozen=True, slots=True)
class LevelChanges:
    """Several changes of level: values before each, and the weighted squares that are left."""

    indices: tuple[int, ...]
    rss: float


def level_change(y: Floats, weight: Floats, *, least: int = 3) -> LevelChange:
    """Return the likeliest change of level.

    Parameters
    ----------
    y, weight : ndarray, shape (n,)
        n at least twice ``least``.
    least : int
        Values before it, and after it, at least.

    Examples
    --------
    >>> found = level_change(np.array([1.0, 1.1, 0.9, 2.0, 2.1, 1.9]), np.ones(6))
    >>> found.index, found.before, found.after
    (3, 1.0, 2.0)
    """
    gain, whole = _gains(y[None], weight, least)
    rss, n = np.maximum(whole[0] - gain[0], 1e-300), y.size
    index = int(np.argmax(gain[0]))
    W = np.r_[0.0, np.cumsum(weight)]
    inside = np.isfinite(gain[0]) & (gain[0] >= 0.0)
    log = np.full(n + 1, -np.inf)
    log[inside] = -0.5 * (n - 2) * np.log(rss[inside]) - 0.5 * np.log(
        W[inside] * (W[-1] - W[inside])
    )
    posterior = np.exp(log - log.max())
    posterior /= posterior.sum()
    before, after = (float(np.average(y[s], weights=weight[s])) for s in
                     (slice(0, index), slice(index, n)))  # fmt: skip
    return LevelChange(
        index, likely_places(posterior), posterior, before, after, float(whole[0]),
        float(rss[index]),
    )  # fmt: skip


def likely_places(posterior: Floats, confidence: float = 0.95) -> tuple[int, int]:
    """Return first and last of the likeliest places that together hold the posterior.

    Examples
    --------
    >>> likely_places(np.array([0.01, 0.2, 0.7, 0.08, 0.01]))
    (1, 3)
    """
    order = np.argsort(-posterior, kind="stable")
    n = int(np.searchsorted(np.cumsum(posterior[order]), confidence * posterior.sum())) + 1
    held = order[:n]
    return int(held.min()), int(held.max())


def several_changes(y: Floats, weight: Floats, n_changes: int, *, least: int = 3) -> LevelChanges:
    """Return the changes that leave the smallest squares, by dynamic programming over all.

    ``y`` and ``weight`` have shape (n,), n at least ``least`` (n_changes + 1).
    """
    n = y.size
    W, S, Q = (np.r_[0.0, np.cumsum(a)] for a in (weight, weight * y, weight * y**2))

    def squares(starts: Ints, end: int) -> Floats:
        own = W[end] - W[starts]
        return np.asarray(Q[end] - Q[starts] - (S[end] - S[starts]) ** 2 / own)

    best = np.full((n_changes + 1, n + 1), np.inf)
    came = np.zeros((n_changes + 1, n + 1), dtype=np.intp)
    for end in range(least, n + 1):
        best[0, end] = squares(np.array([0]), end)[0]
    for k in range(1, n_changes + 1):
        for end in range((k + 1) * least, n + 1):
            starts = np.arange(k * least, end - least + 1)
            total = best[k - 1, starts] + squares(starts, end)
            at = int(np.argmin(total))
            best[k, end], came[k, end] = total[at], starts[at]
    indices, end = list[int](), n
    for k in range(n_changes, 0, -1):
        end = int(came[k, end])
        indices.append(end)
    return LevelChanges(tuple(reversed(indices)), float(best[n_changes, n]))


def chance_of_gain(
    y: Floats, weight: Floats, time: Floats, *, neighbours: float, seed: int, least: int = 3,
    draws: int = _DRAWS,
) -> tuple[float, float, float]:  # fmt: skip
    """Return how likely a gain as large comes without any change; what each kind of change gains.

    Parameters
    ----------
    y, weight, time : ndarray, shape (n,)
        Time in any unit, for a steady drift.
    neighbours : float
        Correlation of one value with the next, in the series drawn.
    seed : int

    Returns
    -------
    p, of_level, of_drift : float
        Gains are n log(RSS without / RSS with). p is that of the larger.
    """
    of_level, of_drift = (float(g[0]) for g in _log_gains(y[None], weight, time, least))
    generator, count, done = np.random.default_rng(seed), 0, 0
    seen = max(of_level, of_drift) * (1.0 - 1e-12)
    while done < draws and count < _ENOUGH:
        size = min(draws - done, _AT_ONCE)
        drawn = generator.standard_normal((size, y.size))
        for i in range(1, y.size if neighbours else 0):
            drawn[:, i] *= (1.0 - neighbours**2) ** 0.5
            drawn[:, i] += neighbours * drawn[:, i - 1]
        gains = _log_gains(drawn / np.sqrt(weight), weight, time, least)
        count += int((np.maximum(*gains) >= seen).sum())
        done += size
    p = (count + 1) / (done + 1)
    if count < _FEW:
        p = min(p, _bound(max(of_level, of_drift), y.size, neighbours))
    return p, of_level, of_drift


def _bound(gain: float, n: int, neighbours: float) -> float:
    """Return no less than the chance of a gain: that of one place, for each place and a drift."""
    F = (n - 2) * math.expm1(gain / n) * (1.0 - neighbours) / (1.0 + neighbours)
    return min(1.0, n * 2.0 * float(stdtr(n - 2, -(F**0.5))))


def _gains(y: Floats, weight: Floats, least: int) -> tuple[Floats, Floats]:
    """Return gain by index, shape (n_series, n + 1), -inf where none may be; squares without."""
    n, total = y.shape[1], float(weight.sum())
    centred = y - (y @ weight / total)[:, None]
    W = np.cumsum(weight)[:-1]
    S = np.cumsum(centred * weight, axis=1)[:, :-1]
    gain = np.full((len(y), n + 1), -np.inf)
    gain[:, 1:-1] = S**2 * total / (W * (total - W))
    gain[:, :least] = gain[:, n - least + 1 :] = -np.inf
    return gain, np.asarray(centred**2 @ weight)


def _log_gains(y: Floats, weight: Floats, time: Floats, least: int) -> tuple[Floats, Floats]:
    n = y.shape[1]
    gain, whole = _gains(y, weight, least)
    away = time - time @ weight / weight.sum()
    spread = float(weight @ away**2)
    along = (y @ (weight * away)) ** 2 / spread if spread > 0.0 else np.zeros(len(y))
    # values that are all one have nothing to gain
    there = whole > _ROUNDING * (y**2 @ weight)

    def logarithm(gained: Floats) -> Floats:
        share = np.where(there, gained, 0.0) / np.where(there, whole, 1.0)
        return np.asarray(-n * np.log(np.maximum(1.0 - share, 1e-14)))

    return logarithm(gain.max(axis=1)), logarithm(along)
