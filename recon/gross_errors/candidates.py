"""Errors of free size as candidates for the search among sets of them: one for each group."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.explanations import ErrorCandidates
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import LOSS_UNIT, Groups, log_odds

__all__ = ["candidates"]


def candidates(groups: Groups, rate: Floats, rates: ErrorRates) -> ErrorCandidates:
    """Return the ways in which each group can be in error: those of its members together.

    ``rate`` is that of gross errors of each measurement, shape (n_readings,).
    """
    signatures = groups.signatures
    n, rows = len(signatures.readings), np.flatnonzero(groups.of_row >= 0)
    read, lost = rows[rows < n], rows[rows >= n]
    size = np.sqrt(signatures.redundancy)
    every = ErrorCandidates.joined([
        ErrorCandidates(
            np.repeat(groups.of_row[read], len(rates.widths)),
            np.outer(size[read], rates.widths).ravel(),
            -log_odds(rate[read], rates.shares).ravel(),
        ),
        ErrorCandidates(
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
    found = ErrorCandidates.joined([
        every.at(~several),
        ErrorCandidates(keys[:, 0].astype(np.intp), every.width[several][first], merged),
    ])  # fmt: skip
    return found.at(np.argsort(found.owner, kind="stable"))
