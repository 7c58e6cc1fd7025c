"""Errors of free size as candidates for the search among sets of them: one for each group."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.explanations import ErrorCandidates, explain
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import (
    LOSS_UNIT,
    Groups,
    PossibleSlips,
    equivalent_sets,
    log_odds,
    signatures_of,
)
from oretally.recon.solution import Solution

__all__ = ["candidates", "further_errors"]


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


def further_errors(
    problem: BalanceProblem,
    solution: Solution,
    slips: PossibleSlips,
    rates: ErrorRates,
    n_nodes: int | None = None,
) -> float:
    """Return how much likelier a survey is with the errors that explain it best than with none.

    Logarithm of the odds, linear at its balance; 0 if nothing is likelier than no error. So two
    changes of one survey compare though both leave other errors in it.
    """
    signatures = signatures_of(problem, solution, n_nodes)
    same = equivalent_sets(signatures)
    if not same.first.size:
        return 0.0
    some = candidates(same, slips.rates(signatures.readings), rates)
    found = explain(same.correlations, same.statistic, some).explanations
    return max((e.log_odds for e in found), default=0.0)
