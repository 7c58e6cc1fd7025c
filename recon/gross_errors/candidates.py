"""Errors of free size as candidates for the search among sets of them: one for each group."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.explanations import ErrorCandidate
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import LOSS_UNIT, Groups, Signatures

__all__ = ["candidates", "log_odds"]


def candidates(
    groups: Groups, rate: Callable[[Position], float], rates: ErrorRates
) -> list[ErrorCandidate]:
    """Return the ways in which each group can be in error: those of its members together."""
    signatures = groups.signatures
    size, costs = np.sqrt(signatures.redundancy), dict[float, Floats]()
    n = len(signatures.readings)
    widths = np.outer(size[:n], rates.widths)
    found = []
    for members in groups.members:
        i = int(members[0])
        if len(members) > 1 or i >= n:
            ways = [_ways_of(signatures, j, rate, rates) for j in members.tolist()]
            found.append(_merged(ways))
            continue
        chance = rate(signatures.readings[i])
        if chance not in costs:
            costs[chance] = -log_odds(chance, rates.shares)
        found.append(ErrorCandidate(widths[i], costs[chance]))
    return found


def _ways_of(
    signatures: Signatures, i: int, rate: Callable[[Position], float], rates: ErrorRates
) -> ErrorCandidate:
    """Return the ways in which one measurement or node can be in error."""
    size = float(np.sqrt(signatures.redundancy[i]))
    if i < len(signatures.readings):
        chance = rate(signatures.readings[i])
        return ErrorCandidate(np.array(rates.widths) * size, -log_odds(chance, rates.shares))
    width = np.array([rates.loss_width / LOSS_UNIT * size])
    return ErrorCandidate(width, -log_odds(rates.loss))


def log_odds(chance: float, shares: Sequence[float] = (1.0,)) -> Floats:
    """Return the log odds of each way, the chance shared among them, shape (n_ways,)."""
    with np.errstate(divide="ignore"):  # a chance of 0 costs more than anything
        return np.asarray(np.log(chance / (1.0 - chance) * np.array(shares) / sum(shares)))


def _merged(ways: Sequence[ErrorCandidate]) -> ErrorCandidate:
    """Return all ways together; those of the same width as one."""
    width = np.concatenate([w.width for w in ways])
    odds = np.exp(-np.concatenate([w.cost for w in ways]))
    _, first, inverse = np.unique(np.round(width, 9), return_index=True, return_inverse=True)
    with np.errstate(divide="ignore"):
        return ErrorCandidate(width[first], -np.log(np.bincount(inverse, odds)))
