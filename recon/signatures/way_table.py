"""In which ways each error of a survey can come about: free sizes, and slips of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.result import ErrorRates
from oretally.recon.signatures.evidence import Ways, joined_ways, single_log_evidence
from oretally.recon.signatures.possible_slips import PossibleSlips, SlipTable
from oretally.recon.signatures.signatures import LOSS_UNIT, Signatures
from oretally.recon.signatures.slips import ANY_SIZE

__all__ = ["WayTable", "log_odds", "log_size_shares"]

_GAIN = 0.1  # of the rate of losses: that something comes in unseen


@dataclass(frozen=True, eq=False)
class WayTable:
    """The ways of all rows of the signatures, one below the other.

    Attributes
    ----------
    every : Ways
        All ways, those of one row together.
    starts : ndarray of int, shape (n_rows + 1,)
        Where the ways of each row begin.
    """

    every: Ways
    starts: Ints

    @classmethod
    def of_survey(
        cls, signatures: Signatures, slips: PossibleSlips, meant: SlipTable, *,
        rate: Floats, rates: ErrorRates,
    ) -> WayTable:  # fmt: skip
        """Return the ways of measurements and losses.

        ``meant`` are the slips of the measurements, ``rate`` how often each is wrong, of shape
        (n_readings,).
        """
        readings, unit = signatures.readings, signatures.unit
        n, n_losses, n_free = len(readings), len(signatures.nodes), len(rates.widths)
        odds = log_odds(rate)
        written = np.array([p in slips.written for p in readings], dtype=bool)
        own = odds[:, None] + log_size_shares(rates, written[:, None])
        free = Ways.free(rates.widths * n, own.ravel())
        slipped = meant.reading
        slip = Ways.slips(
            (meant.read - meant.value) / unit[slipped],
            (meant.sd / unit[slipped]) ** 2 - 1.0,
            odds[slipped] + meant.log_chance, slip=meant.number, scale=meant.scale,
        )  # fmt: skip
        loss, gain = log_odds(np.array([rates.loss, _GAIN * rates.loss]))
        width = [rates.loss_width / LOSS_UNIT] * (2 * n_losses)
        lost = Ways.free(width, np.tile([loss, gain], n_losses), np.tile([1.0, -1.0], n_losses))
        row = np.concatenate([
            np.repeat(np.arange(n), n_free), slipped, np.repeat(n + np.arange(n_losses), 2),
        ])  # fmt: skip
        order = np.argsort(row, kind="stable")
        every = joined_ways([free, slip, lost]).at(order)
        if slips.usual:
            usual = np.zeros((n + n_losses, 4))
            usual[:n] = [slips.usual_of(place) for place in readings]
            every = replace(every, usual=usual[row[order]])
        return cls(every, np.searchsorted(row[order], np.arange(n + n_losses + 1)))

    def __len__(self) -> int:
        return len(self.starts) - 1

    def __getitem__(self, row: int) -> Ways:
        """Return the ways of one row."""
        return self.every.at(slice(self.starts[row], self.starts[row + 1]))

    def of_sets(self, rows: Ints) -> Ways:
        """Return the ways of sets of rows, of shape (n_sets, n), each as `log_evidence` takes them.

        Shape (n_sets, n, n_ways), n_ways being the most of any of these rows.
        """
        most = int(np.diff(self.starts)[rows].max(initial=1))
        return self._and_none.at(self._place[rows, :most])

    @cached_property
    def _and_none(self) -> Ways:
        """All ways, and one of no chance after them."""
        return joined_ways([self.every, Ways.free((0.0,), np.array([-np.inf]))])

    @cached_property
    def _place(self) -> Ints:
        """Where each way of each row stands, shape (n_rows, most ways of a row)."""
        n = np.diff(self.starts)[:, None]
        own = np.arange(int(n.max(initial=0)))
        return np.where(own < n, self.starts[:-1, None] + own, len(self.every))

    def log_evidence(self, size: Floats, variance: Floats) -> tuple[Floats, Floats]:
        """Return the evidence of each row alone, less what leaves the objective.

        ``size`` and ``variance`` have one value a row; rows of infinite variance have none. Of all
        ways, and of errors of free size alone by this survey alone, shape (n_rows,) each.
        """
        known = np.isfinite(variance)
        filled = np.where(known, variance, 1.0)
        scores = _scores(size[self._row], filled[self._row], self.every)
        both = (np.logaddexp.reduceat(s, self.starts[:-1]) for s in scores)
        every, freely = (np.where(known, s, -np.inf) for s in both)
        return every, freely

    def log_evidence_of(self, rows: Ints, size: Floats, variance: Floats) -> tuple[Floats, Floats]:
        """Return the same of chosen rows, shape (n_chosen,) each."""
        if not rows.size:
            return np.zeros(0), np.zeros(0)
        n = np.diff(self.starts)[rows]
        first = np.cumsum(n) - n
        at = np.arange(int(n.sum())) + np.repeat(self.starts[rows] - first, n)
        ways = self.every.at(at)
        scores, free = _scores(np.repeat(size, n), np.repeat(variance, n), ways)
        return np.logaddexp.reduceat(scores, first), np.logaddexp.reduceat(free, first)

    @cached_property
    def _row(self) -> Ints:
        return np.repeat(np.arange(len(self)), np.diff(self.starts))


def _scores(size: Floats, variance: Floats, ways: Ways) -> tuple[Floats, Floats]:
    """Return the scores of ways, and of free sizes without what other surveys say of them."""
    scores = single_log_evidence(size, variance, ways)
    free = np.where(ways.slip < 0, scores - ways.log_usual(size, variance), -np.inf)
    return scores, free


def log_size_shares(rates: ErrorRates, written: Bools | bool = True) -> Floats:
    """Return the logarithm of the share of each free size among the ways of a reading.

    ``written``, of shape () or (n, 1), says whether somebody wrote the number, so that slips have a
    share too.
    """
    shares = np.array(rates.shares) / sum(rates.shares)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(shares) + np.where(written, np.log(ANY_SIZE), 0.0))


def log_odds(chance: Floats | float, shares: Sequence[float] | None = None) -> Floats:
    """Return log odds; with ``shares`` those of ways among which each chance is shared.

    Of the shape of ``chance``, with one more axis for the shares.
    """
    odds = np.asarray(chance) / (1.0 - np.asarray(chance))
    with np.errstate(divide="ignore"):  # a chance of 0 costs more than anything
        if shares is None:
            return np.asarray(np.log(odds))
        return np.asarray(np.log(odds[..., None] * np.array(shares) / sum(shares)))
