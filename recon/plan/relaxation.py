"""The best plan if readings could be had in parts: a convex problem, and a bound for every plan.

An answer's variance is that of its best linear unbiased estimate, so that the best design is the
least, over weights Y and shares z of the levels, of a sum of squares over linear functions::

    minimise    sum_i |W^1/2 Y_i|^2 / q_i(z) + |W^1/2 Y_0|^2     subject to  T'Y + P'Y_0 = G'

with q_i(z) the information of measurement i, linear in the shares of its levels; costs are linear
in them. One second-order cone a measurement.

References
----------
G. Sagnol, Computing optimal designs of multiresponse experiments reduces to second-order cone
programming, Journal of Statistical Planning and Inference 141 (2011) 1684-1708. Cited from memory.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.plan.design import Design

__all__ = ["Levels", "Relaxation"]


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


class Relaxation:
    """The convex problem of a design, made once for any number of budgets.

    Solved by Clarabel through cvxpy.

    Parameters
    ----------
    design : Design
        Its weights must not all be 0.
    """

    def __init__(self, design: Design) -> None:
        import cvxpy

        cp: Any = cvxpy
        o = design.offers
        self.design, self.levels = design, Levels.of_design(design)
        counts = design.weights > 0.0
        wanted = design.wanted[counts].T * np.sqrt(design.weights[counts])  # one column an answer
        top = np.maximum(o.information(o.most), 1e-300)
        z = cp.Variable(len(self.levels.of), nonneg=True)
        share = self.levels.base / top + (self.levels.gain / top[:, None]) @ z
        Y = cp.Variable((o.n, wanted.shape[1]))
        left = (design.rows * np.sqrt(top)[:, None]).T @ Y
        total: Any = sum(cp.quad_over_lin(Y[i], share[i]) for i in range(o.n))
        if len(design.prior):
            Y0 = cp.Variable((len(design.prior), wanted.shape[1]))
            left = left + design.prior.T @ Y0
            total = total + cp.sum_squares(Y0)
        charge = cp.Variable(len(o.least_charge), nonneg=True)
        taken = cp.Variable(len(o.sample_price), nonneg=True)
        rules = self.levels
        cost = cp.sum(charge) + np.where(o.open_samples, o.sample_price, 0.0) @ taken
        limits = [
            left == wanted,
            rules.chosen @ z <= 1.0,
            rules.charge @ z <= charge,
            rules.least @ z <= charge[rules.least_batch],
            cost <= (budget := cp.Parameter(nonneg=True)),
        ]
        if len(rules.drawn):
            limits.append(rules.drawn @ z <= taken[rules.drawn_sample])
        self._z, self._budget = z, budget
        self._problem: Any = cp.Problem(cp.Minimize(total), limits)

    def solve(self, budget: float) -> tuple[float, Floats] | None:
        """Return the least criterion within a budget and the shares, shape (n_levels,).

        None if no plan within the budget determines every answer, or the solver fails.
        """
        import cvxpy as cp

        self._budget.value = budget
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # an inaccurate result is told by its status
            try:
                self._problem.solve(solver=cp.CLARABEL)
            except cp.error.SolverError:
                return None
        if self._problem.status not in (cp.OPTIMAL, cp.OPTIMAL_INACCURATE):
            return None
        z = np.clip(np.asarray(self._z.value, dtype=float), 0.0, 1.0)
        return float(self._problem.value), z
