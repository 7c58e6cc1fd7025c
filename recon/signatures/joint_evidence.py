"""How likely sets of errors are that are there together: many sets side by side.

The formula is that of `oretally.recon.signatures.evidence`. One error's ways are compared with the
others as they fit best, so that one diagonal number alone of M differs from way to way: with
A = M_oo of the others, c = M_oi and s = M_ii - c'A^-1 c (the Schur complement)::

    det M = s det A      b = (g_i - c'A^-1 g_o) / s      M^-1 g = (A^-1 g_o - b A^-1 c, b)
    diag M^-1 = (diag A^-1 + (A^-1 c)^2 / s, 1 / s)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.signatures.evidence import (
    ROUNDING,
    Ways,
    scale_variance,
    single_log_evidence,
    size_factor,
)

__all__ = ["Evidence", "log_evidence"]

_ROUNDS = 8  # in search of the ways that fit best together


@dataclass(frozen=True, eq=False)
class Evidence:
    """What was found of sets of as many errors each.

    Attributes
    ----------
    log_odds : ndarray, shape (n_sets,)
        Against 'nothing is wrong', less (S_0 - S)/2; -inf where nothing tells the errors apart.
    shares : ndarray, shape (n_sets, n, n_ways)
        How likely each way of each error is, the others as they fit best; 0 where ``log_odds`` is
        -inf.
    best : ndarray of int, shape (n_sets, n)
        The likeliest way of each error.
    """

    log_odds: Floats
    shares: Floats
    best: Ints


def log_evidence(size: Floats, covariance: Floats, ways: Ways) -> Evidence:
    """Weigh errors that are there together.

    Parameters
    ----------
    size : ndarray, shape (n_sets, n)
        Errors found, in stated errors.
    covariance : ndarray, shape (n_sets, n, n)
        Theirs if the readings are sound: of a reading minus what the others say.
    ways : Ways
        Of shape (n_sets, n, n_ways); an error of fewer ways has further ones of no chance.
    """
    shape = ways.mean.shape
    found = Evidence(np.full(shape[0], -np.inf), np.zeros(shape), np.zeros(shape[:2], np.intp))
    # else rounding left nothing to tell them apart by
    good = np.flatnonzero(np.linalg.slogdet(covariance)[0] > 0.0)
    if good.size:
        sets = _Sets(size[good], covariance[good], ways.at(good))
        found.log_odds[good], found.shares[good], found.best[good] = sets.weighed()
    return found


class _Sets:
    """Sets of errors that can be told apart."""

    def __init__(self, size: Floats, covariance: Floats, ways: Ways) -> None:
        self.size, self.C, self.ways = size, covariance, ways
        self.own = np.einsum("sii->si", covariance)
        # slips may take away all but what nobody knows
        least = ((ROUNDING - 1.0) * self.own)[:, :, None]
        self.added = np.maximum(ways.added, least)
        self.moved = np.maximum(scale_variance(ways.scale), least)
        usual = ways.log_usual(size[:, :, None], self.own[:, :, None])
        self.prior = ways.log_prior - ways.scale + usual

    def weighed(self) -> tuple[Floats, Floats, Ints]:
        """Return log odds, shares of the ways, and the likeliest ways."""
        alone = single_log_evidence(self.size[:, :, None], self.own[:, :, None], self.ways)
        best = alone.argmax(axis=2)
        scores, top = np.zeros(alone.shape), np.zeros(len(best))
        moving = np.arange(len(best))
        for _ in range(_ROUNDS):
            before = best[moving]
            for i in range(best.shape[1]):
                scores[moving, i] = self._scores(moving, best, i)
                best[moving, i] = scores[moving, i].argmax(axis=1)
            top[moving] = scores[moving, -1, best[moving, -1]]
            moving = moving[(best[moving] != before).any(axis=1)]
            if not moving.size:
                break
        for i in range(best.shape[1]) if moving.size else ():
            scores[moving, i] = self._scores(moving, best, i)
        odds = np.exp(scores - scores.max(axis=2, keepdims=True))
        total = odds.sum(axis=2)
        return top + np.log(total).sum(axis=1), odds / total[:, :, None], best

    def _scores(self, some: Ints, best: Ints, i: int) -> Floats:
        """Return the score of each way of error i in some sets, shape (n_some, n_ways).

        The others come about in the ways given.
        """
        n = best.shape[1]
        rest = np.array([j for j in range(n) if j != i], dtype=np.intp)
        at = some[:, None], rest, best[some[:, None], rest]
        size, own, C = self.size[some], self.own[some], self.C[some]
        left, across = ROUNDING * own, C[:, rest, i]
        added, among = self.added[at], C[:, rest[:, None], rest]
        gap, free = size[:, rest] - self.ways.mean[at], size[:, i, None] - self.ways.mean[some, i]
        inverse, along, log_rest = _inverse(among, added + left[:, rest], across)
        _, known, log_known = _inverse(among, self.moved[at] + left[:, rest], across)

        def alone(variance: Floats, explained: Floats) -> Floats:
            """Return the variance of error i that the others leave, way by way."""
            s = (own[:, i] + left[:, i])[:, None] + variance
            s = s - (across * explained).sum(axis=1)[:, None]
            return np.asarray(np.maximum(s, left[:, i, None]))

        s, t = alone(self.added[some, i], along), alone(self.moved[some, i], known)
        pulled = (inverse @ gap[:, :, None])[:, :, 0]
        error = free - (along * gap).sum(axis=1)[:, None]
        own_pull = error / s
        found = (
            0.5 * ((log_known - log_rest)[:, None] + np.log(t / s))
            - 0.5 * ((gap * pulled).sum(axis=1)[:, None] + error * own_pull)
            + self.prior[at].sum(axis=1)[:, None] + self.prior[some, i]
        )  # fmt: skip
        v = self.added[some, i]
        found += size_factor(
            self.ways.width[some, i], self.ways.side[some, i], v * own_pull, v - v**2 / s
        )
        v = added[:, :, None]
        spread = np.einsum("sjj->sj", inverse)[:, :, None] + along[:, :, None] ** 2 / s[:, None]
        found += size_factor(
            self.ways.width[at][:, :, None], self.ways.side[at][:, :, None],
            v * (pulled[:, :, None] - along[:, :, None] * own_pull[:, None]), v - v**2 * spread,
        ).sum(axis=1)  # fmt: skip
        return np.asarray(found)


def _inverse(among: Floats, more: Floats, across: Floats) -> tuple[Floats, Floats, Floats]:
    """Return A^-1, A^-1 c and log det A, ``more`` being added to the diagonal of A."""
    A = among + more[:, :, None] * np.eye(more.shape[1])
    inverse = np.asarray(np.linalg.inv(A), dtype=float)
    return inverse, (inverse @ across[:, :, None])[:, :, 0], np.asarray(np.linalg.slogdet(A)[1])
