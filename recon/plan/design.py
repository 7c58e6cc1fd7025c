"""What a set of measurements tells of the answers, and what it costs: arrays only.

The free coordinates u of the linearised balances (`oretally.recon.plan.linearised`) and the shared
sources of error, each N(0, 1), are the unknowns. Measurement i, read n times, adds to the
information::

    M(n) = P'P + sum_i q_i(n_i) t_i t_i'       q_i(n) = n / (own_i^2 + n stays_i^2)

t_i are its derivatives along the unknowns, own the sd that repeats lessen, stays that of the
sources that they do not (sampling), P the rows of the shared sources. An answer with gradient g has
the variance g' M^-1 g; it has none where g is outside the range of M. The criterion is the mean of
the variances, each in units of a reference variance (A-optimality).

References
----------
F. Pukelsheim, Optimal Design of Experiments (SIAM, 2006), chapters 2 and 3 (information, criteria
of subsystems). Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lapack

from oretally.flowsheet.arrays import Bools, Floats, Ints

__all__ = ["BEYOND", "Decomposed", "Design", "Offers", "criterion_weights", "payable"]

_SEEN = 1e-11  # information below this share of that of everything measured is rounding
_CLEAR = 1e8  # trace of M^-1 up to which everything is clearly seen
BEYOND = 1e-5
"""Share of a gradient or row that may lie outside what is seen, by rounding."""
_MONEY = 1e-9  # relative slack of a budget
_KNOWN = 1e-18  # variance below this share of the gradient's is that of a value known exactly


@dataclass(frozen=True, eq=False)
class Offers:
    """Measurements that can be had, and their prices.

    Attributes
    ----------
    rows : ndarray, shape (n, n_unknowns)
        Derivatives of each measured value along the unknowns.
    prior : ndarray, shape (m, n_unknowns)
        What is known before, each row with an sd of 1.
    own, stays : ndarray, shape (n,)
        Sd of one reading, and what repeats of it do not lessen; in the units of ``rows``.
    given, most : ndarray of int, shape (n,)
        Readings that are there already and cost nothing; the most that can be had, with those.
    price : ndarray, shape (n,)
        Of each further reading.
    batch : ndarray of int, shape (n,)
        The batch in which it is charged.
    least_charge : ndarray, shape (n_batches,)
        Charged for a batch in any case, if something is in it.
    sample : ndarray of int, shape (n,)
        The sample that must be taken for it; -1 for none.
    sample_price : ndarray, shape (n_samples,)
    """

    rows: Floats
    prior: Floats
    own: Floats
    stays: Floats
    given: Ints
    most: Ints
    price: Floats
    batch: Ints
    least_charge: Floats
    sample: Ints
    sample_price: Floats

    @property
    def n(self) -> int:
        """Number of measurements that can be had."""
        return len(self.rows)

    def information(self, readings: Ints | Floats) -> Floats:
        """Return q of each measurement, shape (n,), for a number of readings of each."""
        n = np.asarray(readings, dtype=float)
        return np.where(n > 0.0, n / (self.own**2 + n * self.stays**2), 0.0)

    def sd(self, readings: Ints) -> Floats:
        """Return the sd of the mean of some readings of each, shape (n,); infinite for none."""
        with np.errstate(divide="ignore"):
            return np.asarray(self.information(readings) ** -0.5)

    @cached_property
    def open_samples(self) -> Bools:
        """Samples that must be paid, shape (n_samples,): nothing given was taken from them."""
        there = self.sample[(self.given > 0) & (self.sample >= 0)]
        free = np.zeros(len(self.sample_price), dtype=bool)
        free[there] = True
        return ~free

    @cached_property
    def _members(self) -> tuple[Floats, Floats]:
        """1 where a measurement is of a batch, and of a sample that must be paid: a row for each.

        Shapes (n, n_batches) and (n, n_samples).
        """
        open_ = (self.sample >= 0) & self.open_samples[self.sample]
        batch = self.batch[:, None] == np.arange(len(self.least_charge))
        sample = self.sample[:, None] == np.arange(len(self.sample_price))
        return batch.astype(float), (sample & open_[:, None]).astype(float)

    def costs(self, plans: Ints) -> Floats:
        """Return what plans, shape (n_plans, n), cost beyond the given ones, shape (n_plans,)."""
        new = plans - self.given
        bought = (new > 0).astype(float)
        of_batch, of_sample = self._members
        charge = (self.price * new) @ of_batch
        total = np.where(bought @ of_batch > 0.0, np.maximum(charge, self.least_charge), 0.0)
        taken = bought @ of_sample > 0.0
        return np.asarray(total.sum(axis=1) + taken @ self.sample_price)

    def cost(self, readings: Ints) -> float:
        """Return what readings, shape (n,), cost beyond the given ones."""
        return float(self.costs(np.asarray(readings)[None])[0])


def payable(budget: float) -> float:
    """Return what a plan may cost within a budget: rounding aside, no more than it."""
    return budget + _MONEY * max(budget, 1.0)


@dataclass(frozen=True, eq=False)
class Decomposed:
    """The information of a plan taken apart.

    Attributes
    ----------
    inverse : ndarray, shape (n_seen, n_seen)
        Pseudo-inverse of M.
    known : ndarray of bool, shape (n_answers,)
        Answers that it determines.
    unseen : ndarray, shape (n_seen, n_unseen)
        Unit vectors that M does not see.
    """

    inverse: Floats
    known: Bools
    unseen: Floats


@dataclass(frozen=True, eq=False)
class Design:
    """Offers and answers, in coordinates in which everything measured is the unit matrix.

    Attributes
    ----------
    offers : Offers
    gradients : ndarray, shape (n_answers, n_unknowns)
    weights : ndarray, shape (n_answers,)
        Of the variances in the criterion.
    """

    offers: Offers
    gradients: Floats
    weights: Floats

    @cached_property
    def _axes(self) -> Floats:
        """W with W'M W = 1 for everything measured, over what it sees."""
        o = self.offers
        M = o.prior.T @ o.prior + (o.rows.T * o.information(o.most)) @ o.rows
        d = np.where(np.diag(M) > 0.0, np.diag(M), 1.0) ** -0.5
        size, V = np.linalg.eigh(M * d[:, None] * d)
        seen = size > _SEEN * size.max(initial=0.0)
        return np.asarray(d[:, None] * V[:, seen] / np.sqrt(size[seen]))

    @cached_property
    def rows(self) -> Floats:
        """Rows of the measurements, shape (n, n_seen)."""
        return self.offers.rows @ self._axes

    @cached_property
    def prior(self) -> Floats:
        """Rows of what is known before, shape (m, n_seen)."""
        return self.offers.prior @ self._axes

    @cached_property
    def wanted(self) -> Floats:
        """Gradients of the answers, shape (n_answers, n_seen)."""
        return self.gradients @ self._axes

    @cached_property
    def _lengths(self) -> Floats:
        return np.asarray(np.linalg.norm(self.wanted, axis=1))

    @cached_property
    def unanswerable(self) -> Bools:
        """Answers that not even everything measured determines, shape (n_answers,)."""
        o = self.offers
        M = o.prior.T @ o.prior + (o.rows.T * o.information(o.most)) @ o.rows
        d = np.where(np.diag(M) > 0.0, np.diag(M), 1.0) ** -0.5
        size, V = np.linalg.eigh(M * d[:, None] * d)
        unseen = V[:, size <= _SEEN * size.max(initial=0.0)]
        scaled = self.gradients * d
        outside = np.abs(scaled @ unseen).max(axis=1, initial=0.0)
        return np.asarray(outside > BEYOND * np.linalg.norm(scaled, axis=1))

    @cached_property
    def _before(self) -> Floats:
        return self.prior.T @ self.prior

    def _seeing_all(self, information: Floats) -> tuple[Floats, Floats | None]:
        """Return M and L^-1 with M = L L'; no L^-1 where M does not clearly see everything.

        No direction has less information than 1 over the trace of M^-1.
        """
        M = self._before + (self.rows.T * information) @ self.rows
        if not len(M):
            return M, M
        root, failed = lapack.dpotrf(M, lower=1)
        if not failed:
            root, failed = lapack.dtrtri(root, lower=1)
        clear = not failed and float((root**2).sum()) < _CLEAR
        return M, root if clear else None

    def decomposed(self, information: Floats) -> Decomposed:
        """Return what M sees at some information of each measurement, shape (n,)."""
        M, half = self._seeing_all(information)
        if half is not None:
            everything = np.ones(len(self.wanted), dtype=bool)
            return Decomposed(half.T @ half, everything, np.zeros((len(M), 0)))
        size, V = np.linalg.eigh(M)
        seen = size > _SEEN
        outside = np.abs(self.wanted @ V[:, ~seen]).max(axis=1, initial=0.0)
        root = V[:, seen] / np.sqrt(size[seen])
        return Decomposed(root @ root.T, outside <= BEYOND * self._lengths, V[:, ~seen])

    def inverse(self, information: Floats) -> tuple[Floats, Bools]:
        """Return a pseudo-inverse of M, shape (n_seen, n_seen), and which answers it determines."""
        found = self.decomposed(information)
        return found.inverse, found.known

    def variances(self, readings: Ints | Floats) -> Floats:
        """Return the variance of each answer, shape (n_answers,); infinite if not determined."""
        inverse, known = self.inverse(self.offers.information(readings))
        spread = ((self.wanted @ inverse) * self.wanted).sum(axis=1)
        return np.where(known, np.maximum(spread, 0.0), np.inf)

    def criterion(self, readings: Ints | Floats) -> float:
        """Return the weighted sum of the variances at readings, shape (n,), or infinity."""
        variances = self.variances(readings)
        counts = self.weights > 0.0
        return float(self.weights[counts] @ variances[counts])

    def slope(self, information: Floats) -> tuple[float, Floats] | None:
        """Return the criterion and its derivatives along the information, both of shape (n,).

        None where an answer is not determined. The criterion is convex in the information, so
        that the tangent plane lies below it everywhere.
        """
        inverse, known = self.inverse(information)
        counts = self.weights > 0.0
        if not known[counts].all():
            return None
        estimate = inverse @ self.wanted[counts].T
        value = float(self.weights[counts] @ (self.wanted[counts] * estimate.T).sum(axis=1))
        return value, -((self.rows @ estimate) ** 2) @ self.weights[counts]

    def curvature(self, information: Floats) -> tuple[float, Floats, Floats] | None:
        """Return the criterion and its first and second derivatives along the information.

        Shapes (n,) and (n, n). None where the information does not clearly see everything.
        """
        _, half = self._seeing_all(information)
        if half is None:
            return None
        counts = self.weights > 0.0
        wanted = (self.wanted[counts] * np.sqrt(self.weights[counts])[:, None]) @ half.T
        rows = self.rows @ half.T
        moved = rows @ wanted.T
        K = moved @ moved.T
        return float((wanted**2).sum()), -np.diag(K), 2.0 * (rows @ rows.T) * K


def criterion_weights(design: Design, today: Ints | None) -> Floats:
    """Return weights, shape (n_answers,), of variances in units of a reference, over their number.

    The reference is today's plan, shape (n,), if it determines every answer, else everything
    measured once. An answer that is known without measuring has the weight 0.
    """
    once = np.maximum(np.minimum(design.offers.most, 1), design.offers.given)
    reference = design.variances(once)
    if today is not None:
        own = design.variances(today)
        reference = own if np.isfinite(own).all() else reference
    length = (design.wanted**2).sum(axis=1)
    moves = np.isfinite(reference) & (reference > _KNOWN * np.maximum(length, 1e-300))
    weights = np.where(moves, 1.0, 0.0)
    weights[moves] = 1.0 / reference[moves] / max(int(moves.sum()), 1)
    return weights
