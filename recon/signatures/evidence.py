"""How well errors explain a survey: what balancing without them leaves, and how likely they are.

For readings in error together, S_0 and S being the objectives with and without them, b the errors
found (a reading minus what the others say) and C their covariance, both in stated errors, and for
each error a way in which it comes about (a normal size, or a slip of known size m), the logarithm
of the odds against 'nothing is wrong' is::

    (S_0 - S)/2 + 1/2 log det C' - 1/2 log det M - 1/2 (b - m)'M^-1 (b - m) + sum log (p/f)
    C' = C + diag(f^2 - 1)    M = C + diag(v)

v being the variance that the way adds to the stated one, p its chance times the derivative of what
was meant with respect to the reading, and f how many times the reading what was meant is, if its
error is in proportion, else 1. A free size has m = 0, v = w^2 and the density
b^2 exp(-b^2/(2w^2)) of `oretally.recon.gross_errors.explanations`; a slip has the size that takes
the reading to what was meant, and v = (sd meant / sd stated)^2 - 1. The ways of one error are added
up, those of the others as they fit best: exact for one error.

Where other surveys of a campaign have the same number, what they say of what was read and of what
was meant is added (`oretally.recon.other_surveys`).

Before looking any scale is as likely: a survey with a number ten times as large is as likely as
with a tenth of it. So a slip that multiplies a number counts by its chance and by the objective
that is left with it undone, whatever the others know of the number: with C' = M all else cancels.

References
----------
A.C. Tamhane, C. Iordache and R.S.H. Mah, A Bayesian approach to gross error detection in chemical
process data, Chemometrics and Intelligent Laboratory Systems 4 (1988) 33-45. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.other_surveys import log_usual
from oretally.recon.propagation import SEEN

__all__ = [
    "Evidence",
    "Ways",
    "covariance_known",
    "joined_ways",
    "log_evidence",
    "single_log_evidence",
    "single_variance_known",
]


_ROUNDS = 8  # in search of the ways that fit best together
_LEAST = 1e-300
_ROUNDING = 1e-15  # of a variance
_FIELDS = ("mean", "added", "width", "log_prior", "side", "slip", "scale", "usual")  # of `Ways`


@dataclass(frozen=True, eq=False)
class Ways:
    """Ways in which one error can come about, in stated errors.

    Attributes
    ----------
    mean, added : ndarray, shape (n_ways,)
        Size that is expected, and variance beyond that of a sound reading (above -1).
    width : ndarray, shape (n_ways,)
        w of a free size; 0 for a slip.
    log_prior : ndarray, shape (n_ways,)
        Logarithm of the odds before looking.
    side : ndarray, shape (n_ways,)
        1 or -1 if the size can only have that sign, else 0.
    slip : ndarray of int, shape (n_ways,)
        Index of the slip; -1 for a free size.
    scale : ndarray, shape (n_ways,)
        log f, f being how many times the reading what was meant is if its error is in proportion.
    usual : ndarray, shape (n_ways, 4)
        What other surveys say of the reading, the same in all its ways: see
        `oretally.recon.other_surveys.log_usual`, its first arguments; 0 where they say nothing.
    """

    mean: Floats
    added: Floats
    width: Floats
    log_prior: Floats
    side: Floats
    slip: Ints
    scale: Floats
    usual: Floats

    @classmethod
    def free(cls, widths: Sequence[float], log_prior: Floats, side: Floats | float = 0.0) -> Ways:
        """Return free sizes, ``log_prior`` of shape (n_ways,)."""
        w = np.array(widths, dtype=float)
        zero = np.zeros(w.size)
        return cls(zero, w**2, w, log_prior, zero + side, np.full(w.size, -1), zero,
                   np.zeros((w.size, 4)))  # fmt: skip

    @classmethod
    def slips(
        cls, mean: Floats, added: Floats, log_prior: Floats, *, slip: Ints, scale: Floats
    ) -> Ways:
        """Return slips, all of shape (n_ways,)."""
        zero = np.zeros(mean.size)
        return cls(mean, added, zero, log_prior, zero, slip, scale, np.zeros((mean.size, 4)))

    def at(self, chosen: Ints | slice) -> Ways:
        """Return some of the ways."""
        return Ways(*(getattr(self, name)[chosen] for name in _FIELDS))

    def log_usual(self, size: Floats | float, variance: Floats | float) -> Floats:
        """Return what the other surveys add to the log odds of each way, shape (n_ways,).

        ``size`` and ``variance``, as of `single_log_evidence`: a slip says itself what was meant.
        """
        if not self.usual[:, 3].any():
            return np.zeros(len(self))
        off, share, spread, dof = self.usual.T
        slipped = self.slip >= 0
        error = np.where(slipped, self.mean, size)
        v = np.where(slipped, self.added + 1.0, np.asarray(variance) - 1.0)
        sd = share * np.sqrt(np.maximum(v, 0.0))
        return log_usual(off, share, spread, dof, meant=1.0 - share * error, meant_sd=sd)

    def __len__(self) -> int:
        return self.mean.size


@dataclass(frozen=True, eq=False)
class Evidence:
    """Log odds against 'nothing is wrong', less (S_0 - S)/2; how likely each way of each error is.

    ``best`` has the likeliest way of each error.
    """

    log_odds: float
    ways: tuple[Floats, ...]
    best: tuple[int, ...]


def covariance_known(P: Floats, read: Floats, most: Floats) -> Floats:
    """Return the covariance of errors from the inner products of their signatures.

    Parameters
    ----------
    P : ndarray, shape (n, n)
    read : ndarray, shape (n,)
        1 for readings, 0 for losses.
    most : ndarray, shape (n,)
        The sd of what the others say where the data tell nothing of it; may be infinite for all.

    Notes
    -----
    P^-1 = D + V, V the covariance of what the others say and D = diag(read), so that V is
    P^-1 (I - P D), which keeps the digits of a small one. With what is known
    beforehand V becomes (V^-1 + diag(most^-2))^-1.
    """
    seen = P + SEEN * np.diag(np.maximum(np.diag(P), 1.0))
    V = np.linalg.solve(seen, np.eye(len(P)) - P * read)
    if np.isfinite(most).all() and len(V):
        V = V - V @ np.linalg.solve(V + np.diag(most**2), V)
    return np.asarray(0.5 * (V + V.T) + np.diag(read))


def single_variance_known(own: Floats, most: Floats) -> Floats:
    """Return the same for readings each by itself, ``own`` being P_ii; all of shape (n,)."""
    V = np.maximum(1.0 - own, 0.0) / np.maximum(own, SEEN)  # digits of a small V are kept
    return np.asarray(V - V**2 / (V + most**2) + 1.0)


def joined_ways(parts: Sequence[Ways]) -> Ways:
    """Return the ways of all parts."""
    return Ways(*(np.concatenate([getattr(p, name) for p in parts]) for name in _FIELDS))


def log_evidence(size: Floats, covariance: Floats, ways: Sequence[Ways]) -> Evidence:
    """Weigh errors that are there together.

    Parameters
    ----------
    size : ndarray, shape (n,)
        Errors found, in stated errors.
    covariance : ndarray, shape (n, n)
        Theirs if the readings are sound: of a reading minus what the others say.
    ways : sequence of Ways, n of them
    """
    n = len(ways)
    if np.linalg.slogdet(covariance)[0] <= 0.0:  # rounding left nothing to tell them apart by
        return Evidence(-np.inf, tuple(np.zeros(len(w)) for w in ways), (0,) * n)
    alone = [single_log_evidence(size[i], covariance[i, i], w) for i, w in enumerate(ways)]
    best = [int(np.argmax(a)) for a in alone]
    scores = [np.zeros(0)] * n
    for _ in range(_ROUNDS if n > 1 else 1):
        before = tuple(best)
        for i in range(n):
            scores[i] = _scores(size, covariance, ways, best, i)
            best[i] = int(np.argmax(scores[i]))
        if tuple(best) == before:
            break
    top = float(scores[-1][best[-1]])
    likely, total = [], top
    for i in range(n):
        if n > 1:
            scores[i] = _scores(size, covariance, ways, best, i)
        odds = np.exp(scores[i] - scores[i].max())
        likely.append(odds / odds.sum())
        total += float(np.log(odds.sum()))
    return Evidence(total, tuple(likely), tuple(best))


def single_log_evidence(size: Floats | float, variance: Floats | float, ways: Ways) -> Floats:
    """Return the log odds of each way of one error alone, less (S_0 - S)/2.

    ``size`` and ``variance`` are numbers or have shape (n_ways,), as what is returned.
    """
    # a slip by far more than the stated error: of its own error rounding leaves so much
    M, known = (
        np.maximum(variance + v, _ROUNDING * variance) for v in (ways.added, _moved(ways.scale))
    )
    gap = size - ways.mean
    return np.asarray(
        0.5 * np.log(known / M) - 0.5 * gap**2 / M + ways.log_prior - ways.scale
        + _size_factor(ways, ways.added * gap / M, ways.added * (1.0 - ways.added / M))
        + ways.log_usual(size, variance)
    )  # fmt: skip


def _moved(scale: Floats) -> Floats:
    """Return f^2 - 1: what a stated error in proportion adds to the variance."""
    return np.expm1(2.0 * scale)


def _size_factor(ways: Ways, mean: Floats, variance: Floats) -> Floats:
    """Return log E[b^2]/w^2 of a free size, b normal; of one sign only, if it can have no other."""
    free = ways.width > 0.0
    w2 = np.where(free, ways.width, 1.0) ** 2
    v = np.maximum(np.where(free, variance, 1.0), _LEAST)
    m = np.where(free, mean, 0.0)
    v = np.maximum(v, 1e-30 * m**2)  # what rounding leaves
    found = np.log((m**2 + v) / w2)
    sided = np.flatnonzero(free & (ways.side != 0.0))
    if sided.size:
        v = v[sided]
        t = ways.side[sided] * m[sided] / np.sqrt(v)
        # E[b^2; b > 0] of a normal b, twice: the density on one side only
        part = (t**2 + 1.0) * ndtr(t) + t * np.exp(-0.5 * t**2) / np.sqrt(2.0 * np.pi)
        # far out on the wrong side the terms cancel; there it falls as the tail does
        far = np.log(2.0) - np.log1p(t**2) + log_ndtr(np.minimum(t, 0.0))
        near = np.log(np.maximum(2.0 * part, _LEAST))
        found[sided] = np.log(v / w2[sided]) + np.where(t > -5.0, near, far)
    return np.where(free, found, 0.0)


def _scores(
    size: Floats, covariance: Floats, ways: Sequence[Ways], best: Sequence[int], i: int
) -> Floats:
    """Return the score of each way of error i, the others coming about in the ways given."""
    n, own = len(ways), ways[i]
    m = len(own)
    mean = np.empty((m, n))
    added, width, side, prior = np.empty((m, n)), np.empty((m, n)), np.empty((m, n)), np.zeros(m)
    moved = np.empty((m, n))
    for j, (w, b) in enumerate(zip(ways, best, strict=True)):
        at = slice(None) if j == i else b
        mean[:, j], added[:, j] = w.mean[at], w.added[at]
        width[:, j], side[:, j] = w.width[at], w.side[at]
        moved[:, j] = _moved(w.scale[at])
        prior += w.log_prior[at] - w.scale[at] + w.log_usual(size[j], covariance[j, j])[at]
    least = (_ROUNDING - 1.0) * np.diag(covariance)
    added, moved = np.maximum(added, least), np.maximum(moved, least)
    left = _ROUNDING * np.diag(covariance)  # slips may take away all but what nobody knows
    known, M = (covariance + (v + left)[:, :, None] * np.eye(n) for v in (moved, added))
    inverse = np.linalg.inv(M)
    gap = size - mean
    pulled = np.einsum("kij,kj->ki", inverse, gap)
    volume = np.linalg.slogdet(known)[1] - np.linalg.slogdet(M)[1]
    found = 0.5 * volume - 0.5 * (gap * pulled).sum(axis=1) + prior
    variance = added - added**2 * np.einsum("kii->ki", inverse)
    none = np.zeros(m)
    for j in range(n):
        one = Ways(none, none, width[:, j], none, side[:, j], np.zeros(m, dtype=np.intp), none,
                   np.zeros((m, 4)))  # fmt: skip
        found = found + _size_factor(one, added[:, j] * pulled[:, j], variance[:, j])
    return np.asarray(found)
