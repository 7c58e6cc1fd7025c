"""Changes of a plan: their criterion, what they leave open, what may be added.

What one reading more or less, or one exchanged for another, does to the criterion of a plan.

With M the information of a plan, G its inverse along the rows t of the measurements, w the answers
(each times the root of its weight) and steps s_i, s_j of the information of two measurements::

    G_ij = t_i' M^-1 t_j     h_i = w M^-1 t_i     K_ij = h_i . h_j     b_i = 1 + s_i G_ii

the criterion c changes by the formula of Sherman and Morrison, and that of Woodbury, to::

    c_i  = c - s_i K_ii / b_i
    c_ij = c - (b_j s_i K_ii + b_i s_j K_jj - 2 s_i s_j G_ij K_ij) / (b_i b_j - s_i s_j G_ij^2)

so that one decomposition of M gives all exchanges of two readings. Where M does not see everything,
M^-1 is the pseudo-inverse: a further measurement of what it does not see tells nothing of the
answers that are known already. A measurement with b_i = 0 is the last that sees M^-1 t_i: without
it the answers that move along that direction are not known. Between "sees" and "does not see" the
criterion is worked out directly.

Let N span what a plan does not see, and p be a direction that matters, such as the gradient of an
answer: it is open as long as its part N'p is not 0. A further measurement with the row t takes
N't out of what is not seen. What leaves a part of some p is added, one after the other; the order
decides which of several such sets is found.

References
----------
G.H. Golub and C.F. Van Loan, Matrix Computations (Johns Hopkins, 4th ed. 2013), section 2.1.4.
V.V. Fedorov, Theory of Optimal Experiments (Academic Press, 1972), chapter 3 (exchanges). Both
cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.plan.design import BEYOND, Design

__all__ = ["Exchanges", "filled", "least_readings", "open_answers"]

_SAFE = 1e-6  # b down to which the formulas keep their digits
_LAST = 1e-9  # b up to which nothing else sees what a measurement sees


class Exchanges:
    """All changes of one or two measurements of a plan.

    Parameters
    ----------
    design : Design
    readings : ndarray of int, shape (n,)
    """

    def __init__(self, design: Design, readings: Ints) -> None:
        self.design, self.readings = design, readings
        self._q = design.offers.information(readings)
        self._state = design.decomposed(self._q)
        counts = design.weights > 0.0
        self.known = bool(self._state.known[counts].all())
        self.criterion = np.inf
        self._length = np.linalg.norm(design.rows, axis=1)
        if not self.known:
            return
        wanted, inverse = design.wanted[counts], self._state.inverse
        half = wanted @ inverse
        weighted = half * np.sqrt(design.weights[counts])[:, None]
        self.criterion = float(design.weights[counts] @ (half * wanted).sum(axis=1))
        self._reach = design.rows @ inverse
        self._h = design.rows @ weighted.T
        self._own_G = (self._reach * design.rows).sum(axis=1)
        self._own_K = (self._h**2).sum(axis=1)
        self._unseen = np.linalg.norm(design.rows @ self._state.unseen, axis=1) > (
            BEYOND * self._length
        )  # fmt: skip
        # answers that have a part along the direction that a measurement would take with it
        along = np.abs(design.rows @ half.T) / np.linalg.norm(wanted, axis=1)
        size = np.linalg.norm(self._reach, axis=1)
        self._moves = along.max(axis=1, initial=0.0) > BEYOND * size

    def changed(self, others: Ints) -> Floats:
        """Return the criterion if one measurement at a time has other readings, shape (n,)."""
        step = self.design.offers.information(others) - self._q
        if not self.known:
            return self._made_known(step, others)
        b = 1.0 + step * self._own_G
        with np.errstate(divide="ignore", invalid="ignore"):
            found = self.criterion - step * self._own_K / b
        last = b <= _LAST
        found[last] = np.where(self._moves[last], np.inf, self.criterion)
        further = self._unseen & (step >= 0.0)
        found[further | (step == 0.0)] = self.criterion
        open_ = (b > _LAST) & (b < _SAFE) & ~further
        for i in np.flatnonzero(open_ | (self._unseen & (step < 0.0))).tolist():
            found[i] = self._directly({i: int(others[i])})
        return np.asarray(found)

    def exchanged(self, fewer: Ints, more: Ints) -> Floats:
        """Return the criterion if one measurement has fewer readings and another more.

        Returns
        -------
        ndarray, shape (n, n)
            Row: the measurement with fewer; column: that with more. Infinite where nothing is
            exchanged.
        """
        o = self.design.offers
        less, gain = o.information(fewer) - self._q, o.information(more) - self._q
        pairs: Bools = (less < 0.0)[:, None] & (gain > 0.0)
        np.fill_diagonal(pairs, False)
        found = np.full(pairs.shape, np.inf)
        if not self.known:
            # no exchange tells what the further reading alone does not
            pairs &= np.isfinite(self.changed(more))
            for i in np.flatnonzero(pairs.any(axis=1)).tolist():
                base = self.readings.copy()
                base[i] = fewer[i]
                found[i] = Exchanges(self.design, base).changed(more)
            return np.where(pairs, found, np.inf)
        G, K = self._reach @ self.design.rows.T, self._h @ self._h.T
        b, c = 1.0 + less * self._own_G, 1.0 + gain * self._own_G
        drop = less * self._own_K
        rise = gain * self._own_K
        product = less[:, None] * gain * G
        left = b[:, None] - product * G / c  # b of the one, once the other is there
        with np.errstate(divide="ignore", invalid="ignore"):
            change = (drop[:, None] * c + b[:, None] * rise - 2.0 * product * K) / (left * c)
        found = self.criterion - change
        alone, added = self.changed(fewer), self.changed(more)
        last = left <= _LAST
        found = np.where(last, np.where(self._moves[:, None], np.inf, added), found)
        found = np.where(self._unseen, alone[:, None], found)
        doubtful = pairs & (left > _LAST) & (left < _SAFE) & ~self._unseen
        for i, j in np.argwhere(doubtful | (pairs & self._unseen[:, None])).tolist():
            found[i, j] = self._directly({i: int(fewer[i]), j: int(more[j])})
        return np.where(pairs, found, np.inf)

    def _made_known(self, step: Floats, others: Ints) -> Floats:
        """Return the criterion where a measurement more determines the answers that are open."""
        design, unseen = self.design, self._state.unseen
        counts = design.weights > 0.0
        open_ = design.wanted[counts & ~self._state.known]
        parts, rows = open_ @ unseen, design.rows @ unseen
        size = np.linalg.norm(rows, axis=1)
        new = (step > 0.0) & (size > BEYOND * self._length)
        found = np.full(design.offers.n, np.inf)
        toward = rows[new] / size[new, None]
        share = parts @ toward.T  # what of each open answer the measurement tells
        left = np.maximum((parts**2).sum(axis=1)[:, None] - share**2, 0.0)
        limit = (10.0 * BEYOND * np.linalg.norm(open_, axis=1)) ** 2
        for i in np.flatnonzero(new)[(left <= limit[:, None]).all(axis=0)].tolist():
            found[i] = self._directly({i: int(others[i])})
        return found

    def _directly(self, changes: dict[int, int]) -> float:
        trial = self.readings.copy()
        for i, n in changes.items():
            trial[i] = n
        return self.design.criterion(trial)


def open_answers(design: Design) -> Floats:
    """Return the gradients of the answers that count, each of length 1, shape (n, n_seen)."""
    wanted = design.wanted[design.weights > 0.0]
    return np.asarray(wanted / np.linalg.norm(wanted, axis=1, keepdims=True))


def least_readings(design: Design) -> int:
    """Return how many measurements beside the given ones it takes at least to know the answers.

    Each closes no more than one direction: as many as the open parts of the answers span.
    """
    unseen = design.decomposed(design.offers.information(design.offers.given)).unseen
    return int(np.linalg.matrix_rank(open_answers(design) @ unseen, tol=BEYOND))


def filled(
    design: Design, readings: Ints, most: Ints, *, order: Sequence[int], directions: Floats
) -> Ints:
    """Return a plan with the most readings of all that leave one of the directions open.

    Parameters
    ----------
    design : Design
    readings, most : ndarray of int, shape (n,)
    order : sequence of int
        Measurements that are tried.
    directions : ndarray, shape (m, n_seen)
        Unit vectors, of which the plan leaves one open.
    """
    unseen = design.decomposed(design.offers.information(readings)).unseen
    parts = directions @ unseen
    length = np.linalg.norm(design.rows, axis=1, keepdims=True)
    rows = design.rows / np.where(length > 0.0, length, 1.0) @ unseen
    full = readings.copy()
    for i in order:
        size = float(np.linalg.norm(rows[i]))
        if size > BEYOND:
            t = rows[i] / size
            left = parts - np.outer(parts @ t, t)
            if not (np.linalg.norm(left, axis=1) > BEYOND).any():
                continue
            parts, rows = left, rows - np.outer(rows @ t, t)
        full[i] = most[i]
    return full
