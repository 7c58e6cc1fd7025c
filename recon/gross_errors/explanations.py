"""Which errors explain the survey best: explanations compared by their posterior probability.

An explanation is a set of gross errors. Before looking, each error is there with a small
probability; its size is then symmetric about 0, but hardly ever small, with density proportional
to b^2 exp(-b^2 / (2 w^2)), for one of a few w: a biased scale and a slipped decimal point are both
expected. With C the correlations of the signatures, z the standardised statistics, and for a set T

    Q = C_TT + diag(w_T^-2)     m = Q^-1 z_T     v = diag(Q^-1)

the logarithm of its odds against 'nothing is wrong' is

    1/2 z_T'm - 1/2 log det(w Q w) + sum log((m_i^2 + v_i) / w_i^2) - sum cost_i

an error's cost being minus the logarithm of its odds before looking. The third term is the factor
b^2 of the density, the errors' sizes taken as independent given the survey: exact for one error,
and for several whose signatures do not overlap.

References
----------
A.C. Tamhane, C. Iordache and R.S.H. Mah, A Bayesian approach to gross error detection in chemical
process data, Chemometrics and Intelligent Laboratory Systems 4 (1988) 33-45 (posterior odds of
sets of gross errors); V.E. Johnson and D. Rossell, On the use of non-local prior densities in
Bayesian hypothesis tests, Journal of the Royal Statistical Society B 72 (2010) 143-170 (moment
priors). Cited from memory.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Protocol

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints

__all__ = ["ErrorCandidates", "Explanation", "Posterior", "Symmetric", "explain"]

_Set = frozenset[int]

_ALL = 130  # sets that are scored and extended without exception
_EXTENDED, _FEWEST = 100, 10  # sets that are extended after the best was found, most and least
_WORK = 40_000  # errors that are scored in those, as far as that allows the fewest
_WORTH = 8.0  # log odds below the best beyond which a set is not extended
_KEPT = 10.0  # log odds below the best beyond which a set is not counted
_MOST = 12  # errors in one set
_AHEAD, _NUMBERS = 16, 4_000  # sets that are scored together at most; errors scored in those: of
# few the calls take longer than the numbers


@dataclass(frozen=True, slots=True, eq=False)
class ErrorCandidates:
    """Errors, and the ways in which each can be there.

    Attributes
    ----------
    owner : ndarray of int, shape (n_ways,)
        The error of each way, in order.
    width : ndarray, shape (n_ways,)
        w: spread of the error's size before looking, over the sd of its estimate.
    cost : ndarray, shape (n_ways,)
        Minus the logarithm of the odds of each way before looking.
    """

    owner: Ints
    width: Floats
    cost: Floats

    def at(self, chosen: Ints | Bools) -> ErrorCandidates:
        """Return some of the ways."""
        return ErrorCandidates(self.owner[chosen], self.width[chosen], self.cost[chosen])

    @classmethod
    def joined(cls, parts: Sequence[ErrorCandidates]) -> ErrorCandidates:
        """Return the ways of all parts."""
        return cls(
            np.concatenate([p.owner for p in parts]),
            np.concatenate([p.width for p in parts]),
            np.concatenate([p.cost for p in parts]),
        )


class Symmetric(Protocol):
    """A symmetric matrix of which rows are asked for: an array is one."""

    def __getitem__(self, rows: Ints, /) -> Floats: ...

    def diagonal(self) -> Floats:
        """Return its diagonal, shape (n,)."""
        ...


@dataclass(frozen=True, slots=True)
class Explanation:
    """ErrorCandidates that are in error together, the probability that they and no others are.

    ``log_odds`` are those against 'nothing is wrong'.
    """

    chosen: tuple[int, ...]
    probability: float
    log_odds: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the search found.

    Attributes
    ----------
    probability : ndarray, shape (n,)
        That a candidate is in error.
    explanations : tuple of Explanation
        The likeliest first; the empty set is 'nothing is wrong'.
    all_up_to : int
        Every set of up to so many errors was scored.
    left_out : float
        Estimate of the share that sets hold which were not counted: those scored and found
        unlikely, and as much again as the sets hold that were not extended.
    """

    probability: Floats
    explanations: tuple[Explanation, ...]
    all_up_to: int
    left_out: float


def explain(C: Symmetric, z: Floats, candidates: ErrorCandidates) -> Posterior:
    """Score sets of errors.

    Parameters
    ----------
    C : symmetric, shape (n, n)
        Correlations of the signatures of the candidates.
    z : ndarray, shape (n,)
        Standardised statistics.
    candidates : ErrorCandidates

    Notes
    -----
    All sets are scored up to the size that a fixed number of them allows. Then the likeliest set
    found so far is extended by every further error, until what is left is far less likely than
    the best, or no better set has come for a while.
    """
    search = _Search(C, z, candidates)
    whole, ways = 0, range(search.cost.size)
    while whole < min(_MOST, len(z)) and comb(len(ways), whole) <= _ALL:
        search.extend_all(list(combinations(ways, whole)))
        whole += 1
    left = patience = min(_EXTENDED, max(_FEWEST, _WORK // max(len(ways), 1)))
    best = search.best
    while left and search.extend_likeliest():
        left = left - 1 if search.best <= best else patience
        best = search.best
    return search.posterior(whole)


class _Search:
    """Sets that were scored; errors are numbered way by way."""

    def __init__(self, C: Symmetric, z: Floats, candidates: ErrorCandidates) -> None:
        self.owner, self.cost = candidates.owner, candidates.cost
        self.w2 = candidates.width**2
        self.C, self.z, self.d = C, z, C.diagonal()
        nothing: _Set = frozenset()
        self.score: dict[_Set, float] = {nothing: 0.0}
        self.extended: set[_Set] = set()
        self.best, self.dropped = 0.0, 0.0  # dropped: odds relative to e^best
        self._ahead: dict[_Set, Floats] = {}  # sets with each further error, before they are due
        self._waiting: list[tuple[float, int, _Set]] = [(0.0, 0, nothing)]

    def extend_all(self, sets: Sequence[tuple[int, ...]]) -> None:
        """Score sets of one size with each further error."""
        once = [T for T in sets if np.unique(self.owner[list(T)]).size == len(T)]
        if not once:
            return  # one error in two ways at once
        for chosen, score in zip(once, self.extensions(np.array(once, dtype=np.intp)), strict=True):
            self._extended_by(frozenset(chosen), score)

    def _extended_by(self, chosen: _Set, score: Floats) -> None:
        self.extended.add(chosen)
        # a set has the score that was found first: in another order it is rounded otherwise
        for i in np.flatnonzero(score >= self.best - _KEPT).tolist():
            score[i] = self.score.get(chosen | {i}, score[i])
        best = max(self.best, float(score.max(initial=-np.inf)))
        self.dropped *= float(np.exp(self.best - best))
        self.best = best
        keep = score >= best - _KEPT
        self.dropped += float(np.exp(score[~keep] - best).sum())
        for i in np.flatnonzero(keep).tolist():
            grown = chosen | {i}
            if grown not in self.score:
                self.score[grown] = float(score[i])
                heapq.heappush(self._waiting, (-self.score[grown], len(self.score), grown))

    def extend_likeliest(self) -> bool:
        """Extend the likeliest set that was not; False if none is worth it."""
        while self._waiting:
            minus, _, chosen = heapq.heappop(self._waiting)
            if chosen in self.extended or len(chosen) >= _MOST:
                continue
            if -minus < self.best - _WORTH:
                return False
            if chosen not in self._ahead:
                self._look_ahead(chosen)
            self._extended_by(chosen, self._ahead.pop(chosen))
            return True
        return False

    def _look_ahead(self, chosen: _Set) -> None:
        """Score a set with each further error, and those with it that are likely to be next."""
        size, some = len(chosen), [chosen]
        ahead = min(_AHEAD, _NUMBERS // max(self.cost.size, 1))
        for minus, _, other in heapq.nsmallest(ahead, self._waiting):
            known = other in self.extended or other in self._ahead or other in some
            if len(other) == size and not known and -minus >= self.best - _WORTH:
                some.append(other)
        scores = self.extensions(np.array([sorted(each) for each in some], dtype=np.intp))
        self._ahead.update(zip(some, scores, strict=True))

    def extensions(self, sets: Ints) -> Floats:
        """Return the score of sets T with each further error, shape (n_sets, n_ways).

        ``sets`` has shape (n_sets, size of T). -inf for ways of the same candidates.
        """
        owner, w2 = self.owner, self.w2
        if not sets.shape[1]:
            s = self.d[owner] + 1.0 / w2
            m = self.z[owner] / s
            score = (
                0.5 * self.z[owner] * m - 0.5 * np.log(w2 * s) + np.log((m**2 + 1.0 / s) / w2)
                - self.cost
            )  # fmt: skip
            return np.asarray(score[None])
        n, size = sets.shape
        of_T = owner[sets]
        rows, z_T = self.C[of_T.ravel()].reshape(n, size, -1), self.z[of_T]
        Q = np.take_along_axis(rows, of_T[:, None, :], axis=2)
        Q[:, range(size), range(size)] += 1.0 / w2[sets]
        inverse = np.linalg.inv(Q)
        along, m_T = inverse @ rows, (inverse @ z_T[:, :, None])[:, :, 0]
        left = np.maximum(self.d - (along * rows).sum(axis=1), 0.0)
        s = left[:, owner] + 1.0 / w2
        m = (self.z - (m_T[:, None] @ rows)[:, 0])[:, owner] / s
        along = along[:, :, owner]
        sizes = (m_T[:, :, None] - along * m[:, None]) ** 2 + along**2 / s[:, None]
        sizes += np.einsum("tii->ti", inverse)[:, :, None]
        volume = np.linalg.slogdet(Q)[1] + np.log(w2[sets]).sum(axis=1)
        score = (
            0.5 * ((z_T * m_T).sum(axis=1)[:, None] + m**2 * s)
            - 0.5 * (volume[:, None] + np.log(w2 * s))
            + np.log((m**2 + 1.0 / s) / w2)
            + np.log(np.maximum(sizes, 1e-300) / w2[sets][:, :, None]).sum(axis=1)
            - self.cost[sets].sum(axis=1)[:, None]
            - self.cost
        )
        score[(owner == of_T[:, :, None]).any(axis=1)] = -np.inf
        return np.asarray(score)

    def posterior(self, whole: int) -> Posterior:
        """Return what was found."""
        odds = {s: float(np.exp(v - self.best)) for s, v in self.score.items()}
        total = sum(odds.values())
        not_extended = sum(
            v for s, v in odds.items() if s not in self.extended and len(s) < len(self.z)
        )
        probability = np.zeros(int(self.owner.max(initial=-1)) + 1)
        joined: dict[tuple[int, ...], float] = {}
        owner = self.owner.tolist()
        for chosen, share in odds.items():
            owners = tuple(sorted(owner[i] for i in chosen))
            joined[owners] = joined.get(owners, 0.0) + share / total
        for owners, share in joined.items():
            probability[list(owners)] += share
        ordered = sorted(joined.items(), key=lambda pair: (-pair[1], pair[0]))
        left_out = (self.dropped + not_extended) / total
        return Posterior(
            probability,
            tuple(
                Explanation(chosen, share, float(np.log(max(share * total, 1e-300))) + self.best)
                for chosen, share in ordered
            ),
            whole,
            min(left_out, 1.0),
        )
