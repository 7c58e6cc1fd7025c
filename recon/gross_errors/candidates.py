"""Errors of free size as candidates for the search among sets of them: one for each group."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.explanations import Candidates, joined
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import LOSS_UNIT, Groups

__all__ = ["candidates", "log_odds"]


def candidates(groups: Groups, rate: Floats, rates: ErrorRates) -> Candidates:
    """Return the ways in which each group can be in error: those of its members together.

    ``rate`` is that of gross errors of each measurement, shape (n_readings,).
    """
    signatures = groups.signatures
    n, rows = len(signatures.readings), np.flatnonzero(groups.of_row >= 0)
    read, lost = rows[rows < n], rows[rows >= n]
    size = np.sqrt(signatures.redundancy)
    every = joined([
        Candidates(
            np.repeat(groups.of_row[read], len(rates.widths)),
            np.outer(size[read], rates.widths).ravel(),
            -log_odds(rate[read], rates.shares).ravel(),
        ),
        Candidates(
            groups.of_row[lost],
            rates.loss_width / LOSS_UNIT * size[lost],
            np.full(lost.size, -float(log_odds(rates.loss))),
        ),
    ])  # fmt: skip
    several = (groups.sizes > 1)[every.owner]
    # ways of the same width of one group are one
    width, cost = np.round(every.width[several], 9), every.cost[several]
    keys, first, same = np.unique(
        np.column_stack([every.owner[several], width]), axis=0,
        return_index=True, return_inverse=True,
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        merged = -np.log(np.bincount(same.ravel(), np.exp(-cost), len(keys)))
    found = joined([
        every.at(~several),
        Candidates(keys[:, 0].astype(np.intp), every.width[several][first], merged),
    ])  # fmt: skip
    return found.at(np.argsort(found.owner, kind="stable"))


def log_odds(chance: Floats | float, shares: Sequence[float] | None = None) -> Floats:
    """Return log odds; with ``shares`` those of ways among which each chance is shared.

    Of the shape of ``chance``, with one more axis for the shares.
    """
    odds = np.asarray(chance) / (1.0 - np.asarray(chance))
    with np.errstate(divide="ignore"):  # a chance of 0 costs more than anything
        if shares is None:
            return np.asarray(np.log(odds))
        return np.asarray(np.log(odds[..., None] * np.array(shares) / sum(shares)))
