"""Every number of readings that can be bought, as columns: what each tells and what it costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.plan.design import Design

__all__ = ["Levels"]


@dataclass(frozen=True, eq=False)
class Levels:
    """Every number of readings that can be bought, one a column, and what the columns cost.

    Attributes
    ----------
    of, count : ndarray of int, shape (n_levels,)
        Measurement and readings of each level.
    base : ndarray, shape (n,)
        Information of the readings given.
    gain : ndarray, shape (n, n_levels)
        What each level adds to it.
    chosen : ndarray, shape (n, n_levels)
        Levels of each measurement, of which one may be taken.
    charge : ndarray, shape (n_batches, n_levels)
        Prices.
    least : ndarray, shape (n_least, n_levels)
        Least charges, a row for each measurement of each batch that has one.
    least_batch : ndarray of int, shape (n_least,)
    drawn : ndarray, shape (n_drawn, n_levels)
        A row for each measurement that needs a sample that must be paid.
    drawn_sample : ndarray of int, shape (n_drawn,)
    """

    of: Ints
    count: Ints
    base: Floats
    gain: Floats
    chosen: Floats
    charge: Floats
    least: Floats
    least_batch: Ints
    drawn: Floats
    drawn_sample: Ints

    @classmethod
    def of_design(cls, design: Design) -> Levels:
        """Return the levels of a design."""
        o = design.offers
        pairs = [(i, n) for i in range(o.n) for n in range(o.given[i] + 1, o.most[i] + 1)]
        of, count = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
        column = np.arange(len(of))
        base = o.information(o.given)
        gain, chosen = np.zeros((2, o.n, len(of)))
        charge = np.zeros((len(o.least_charge), len(of)))
        at_level = count / (o.own[of] ** 2 + count * o.stays[of] ** 2)
        gain[of, column], chosen[of, column] = at_level - base[of], 1.0
        charge[o.batch[of], column] = o.price[of] * (count - o.given[of])
        some = chosen.any(axis=1)
        dear = np.flatnonzero(some & (o.least_charge[o.batch] > 0.0))
        sampled = np.flatnonzero(some & (o.sample >= 0))
        sampled = sampled[o.open_samples[o.sample[sampled]]]
        return cls(
            of, count, base, gain, chosen, charge,
            chosen[dear] * o.least_charge[o.batch[dear], None], o.batch[dear],
            chosen[sampled], o.sample[sampled],
        )  # fmt: skip

    def readings(self, design: Design, shares: Floats) -> Ints:
        """Return the readings, shape (n,), from whole shares of the levels, shape (n_levels,)."""
        found = design.offers.given.copy()
        taken = shares > 0.5
        found[self.of[taken]] = self.count[taken]
        return found
