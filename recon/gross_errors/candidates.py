"""Errors of free size as candidates for the search among sets of them: one for each group."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.explanations import Candidate
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import LOSS_UNIT, Groups, Traces

__all__ = ["candidates"]


def candidates(
    groups: Groups, rate: Callable[[Position], float], rates: ErrorRates
) -> list[Candidate]:
    """Return the ways in which each group can be in error: those of its members together."""
    traces = groups.traces
    size, costs = np.sqrt(traces.redundancy), dict[float, Floats]()
    n = len(traces.readings)
    widths = np.outer(size[:n], rates.widths)
    found = []
    for members in groups.members:
        i = int(members[0])
        if len(members) > 1 or i >= n:
            ways = [_ways_of(traces, j, rate, rates) for j in members.tolist()]
            found.append(_merged(ways))
            continue
        chance = rate(traces.readings[i])
        if chance not in costs:
            costs[chance] = _costs(chance, rates.shares)
        found.append(Candidate(widths[i], costs[chance]))
    return found


def _ways_of(
    traces: Traces, i: int, rate: Callable[[Position], float], rates: ErrorRates
) -> Candidate:
    """Return the ways in which one measurement or node can be in error."""
    size = float(np.sqrt(traces.redundancy[i]))
    if i < len(traces.readings):
        chance = rate(traces.readings[i])
        return Candidate(np.array(rates.widths) * size, _costs(chance, rates.shares))
    width = np.array([rates.loss_width / LOSS_UNIT * size])
    return Candidate(width, _costs(rates.loss, (1.0,)))


def _costs(chance: float, shares: Sequence[float]) -> Floats:
    """Return minus the log odds of each way, the chance shared among them."""
    with np.errstate(divide="ignore"):  # a chance of 0 costs more than anything
        return np.asarray(-np.log(chance / (1.0 - chance) * np.array(shares) / sum(shares)))


def _merged(ways: Sequence[Candidate]) -> Candidate:
    """Return all ways together; those of the same width as one."""
    width = np.concatenate([w.width for w in ways])
    odds = np.exp(-np.concatenate([w.cost for w in ways]))
    _, first, inverse = np.unique(np.round(width, 9), return_index=True, return_inverse=True)
    with np.errstate(divide="ignore"):
        return Candidate(width[first], -np.log(np.bincount(inverse, odds)))
