"""Probabilities of explanations corrected by what balancing again has shown.

The search scores explanations where the balances are linearised. Those that were balanced again
are scored by the objective they really leave: a reading that would have to be below zero, or a
grade beyond that of the mineral, explains nothing, whatever its trace.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oretally.recon.diagnosis import Diagnosis, Explained
from oretally.recon.equivalence import Groups

__all__ = ["Weighed"]

Floats = NDArray[np.float64]

_FARTHEST = 50.0  # log odds by which balancing again can lower a probability


@dataclass(frozen=True, eq=False)
class Weighed:
    """Corrected probabilities.

    Attributes
    ----------
    explained : tuple of float
        Of each explanation that was balanced again, in the order of ``Diagnosis.likely``.
    probability : ndarray, shape (n_groups,)
        That one of a group is in error.
    odds : mapping of int to ndarray
        For groups that were balanced again or asked for: odds of their members.
    """

    explained: tuple[float, ...]
    probability: Floats
    odds: Mapping[int, Floats]

    @classmethod
    def of(
        cls, found: Diagnosis, slips: Mapping[int, Sequence[float]], alone: Callable[[int], float]
    ) -> Weighed:
        """Weigh the explanations of a diagnosis.

        Parameters
        ----------
        found : Diagnosis
        slips : mapping of int to sequence of float
            Log odds of the slips behind each row, against an error of any size.
        alone : callable
            Log odds of a row's error alone, before and with the survey.
        """
        groups = found.at_best
        prior = {g: _shares(groups, g, slips, alone) for g in range(len(groups.members))}
        before, after = [], []
        for e in found.likely:
            p = e.probability
            for g, i in zip(e.groups, e.rows, strict=True):
                p *= float(prior[g][groups.members[g].tolist().index(i)])
            before.append(p)
            after.append(p * _correction(groups, e))
        total = 1.0 - sum(before) + sum(after)
        probability, odds = found.posterior.probability.copy(), dict(prior)
        for e, old, new in zip(found.likely, before, after, strict=True):
            for g in e.groups:
                probability[g] += new - old
        for g in {g for e in found.likely for g in e.groups}:
            members = groups.members[g].tolist()
            # what was not balanced again keeps its share
            own = prior[g] * found.posterior.probability[g]
            for e, old, new in zip(found.likely, before, after, strict=True):
                if g in e.groups:
                    own[members.index(e.rows[e.groups.index(g)])] += new - old
            odds[g] = np.maximum(own, 0.0)
        scale = 1.0 / max(total, 1e-300)
        return cls(tuple(p * scale for p in after), np.clip(probability * scale, 0.0, 1.0), odds)

    def shares(self, g: int) -> Floats:
        """Return how likely each member of a group is the one, if one of them is."""
        total = float(self.odds[g].sum())
        if total <= 0.0:
            return np.full(self.odds[g].size, 1.0 / self.odds[g].size)
        return np.asarray(self.odds[g] / total)


def _shares(
    groups: Groups, g: int, slips: Mapping[int, Sequence[float]], alone: Callable[[int], float]
) -> Floats:
    """Return what was expected of each member of a group, and slips that fit, as shares of 1.

    No data tell the members apart.
    """
    if len(groups.members[g]) == 1:
        return np.ones(1)
    log_odds = []
    for i in groups.members[g].tolist():
        one = alone(i)
        log_odds.append(np.logaddexp.reduce([one, *(one + s for s in slips.get(i, ()))]))
    return np.asarray(np.exp(np.array(log_odds) - np.logaddexp.reduce(log_odds)))


def _correction(groups: Groups, e: Explained) -> float:
    """Return the odds of the objective that was really left, against the linear one."""
    if e.solution is None:
        return 1.0
    n = len(groups.traces.readings)
    _, r = groups.traces.without(list(e.rows))
    linear = float(r[:n] @ r[:n])
    return float(np.exp(np.clip(0.5 * (linear - e.solution.objective), -_FARTHEST, 0.0)))
