"""Second opinions: serial elimination and robust estimates of the errors, for comparison.

Serial elimination leaves out the largest standardised adjustment until none is significant. The
classical way to more than one gross error: it looks at one explanation only, and cannot take back a
wrong first choice.

Robust estimates leave nothing out, but trust less. The errors v of the measurements, in stated
errors, are not seen; the checks are: Q'v = t, where QQ' = P and Qt = r. Least squares takes the
smallest v; robust estimates minimise sum rho(v_i), where rho grows more slowly than v^2, so that
one wrong number is not spread over its neighbours. The balances are linearised at the balance.

References
----------
D. Ripps, Adjustment of experimental data, Chemical Engineering Progress Symposium Series 61 (1965)
8-13; S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000),
chapter 8. P.J. Huber, Robust Statistics (1981); tuning constants 1.345 (Huber) and 4.685 (Tukey's
biweight) for 95 % efficiency, R.A. Maronna, R.D. Martin and V.J. Yohai, Robust Statistics (2006),
section 2.2. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Floats, Ints

__all__ = ["Robust", "eliminate"]


_GONE = 1e-7  # what is left of a signature that others explain
HUBER, TUKEY = 1.345, 4.685
_ROUNDS = 3_000  # where signatures are nearly equal the weights settle slowly
_DONE = 1e-8
_LEAST = 1e-6  # weight below which a measurement counts as not there
_SMALL = 1e-3  # share of the largest up to which errors are alike for a first basis
_MOVED = 1e-9  # share of the largest
_SEED = 20_013  # of the errors' small moves: any will do
_STILL = 1e-9  # changes below this are rounding


def eliminate(P: Floats, r: Floats, limit: Callable[[int], float], *, most: int = 20) -> list[int]:
    """Return the errors that are left out, in order.

    Parameters
    ----------
    P : ndarray, shape (n, n)
        Inner products of the signatures.
    r : ndarray, shape (n,)
        Inner products of the signatures with the checks.
    limit : callable
        Limit of the largest absolute statistic, given the number of errors not left out yet.
    most : int
        Errors to leave out at most.

    Notes
    -----
    After leaving i out: P - p_i p_i' / P_ii, r - p_i r_i / P_ii.
    """
    P, r = P.copy(), r.copy()
    whole = np.diag(P).copy()
    found: list[int] = []
    while len(found) < most:
        left = np.diag(P)
        open_ = left > _GONE * np.maximum(whole, _GONE)
        if not open_.any():
            break
        statistic = np.where(open_, np.abs(r) / np.sqrt(np.where(open_, left, 1.0)), 0.0)
        # of those that differ by rounding alone, the first
        i = int(np.argmax(np.round(statistic, 9)))
        if statistic[i] < limit(int(open_.sum())):
            break
        found.append(i)
        p = P[:, i].copy()
        r -= p * (r[i] / p[i])
        P -= np.outer(p, p) / p[i]
    return found


@dataclass(frozen=True, eq=False)
class Robust:
    """Robust estimates of the errors, each of shape (n,).

    Attributes
    ----------
    P, r : ndarray, shape (n, n) and (n,)
        As in `eliminate`.
    """

    P: Floats
    r: Floats

    @cached_property
    def huber(self) -> Floats:
        """Errors by Huber's estimate: squares up to 1.345 stated errors, then linear."""
        return self._reweighted(lambda v: HUBER / np.maximum(np.abs(v), HUBER), self.r)

    @cached_property
    def biweight(self) -> Floats:
        """Errors by Tukey's biweight, begun at Huber's: far ones cost no more."""

        def weight(v: Floats) -> Floats:
            inside = np.clip(1.0 - (v / TUKEY) ** 2, 0.0, None) ** 2
            return np.asarray(np.maximum(inside, _LEAST))

        return self._reweighted(weight, self.huber)

    @cached_property
    def least_absolute(self) -> Floats:
        """Errors with the least sum of absolute values, in stated errors.

        Not more of them than there are checks differ from zero; where several sets have one sum,
        one of these sets is returned.

        Raises
        ------
        ArithmeticError
            If no least sum is found.

        Notes
        -----
        The simplex method. Where errors of the basis are zero, steps could go round for ever: the
        basis is that for errors moved a little, by far less than any digit that is shown.
        """
        Q, r = self._root, self.r
        if not r.any():
            return np.zeros_like(r)
        most = np.abs(r).max()
        # a first basis: errors that are large in least squares
        weight = np.maximum(np.abs(r), _SMALL * most)
        basis = np.sort(scipy.linalg.qr(weight * Q.T, mode="r", pivoting=True)[1][: Q.shape[1]])
        moved = r + _MOVED * most * np.random.default_rng(_SEED).uniform(-1.0, 1.0, r.size)
        basis = _least_basis(Q, Q.T @ moved, basis)
        errors = np.zeros_like(r)
        errors[basis] = np.linalg.solve(Q[basis].T, Q.T @ r)
        return errors

    @cached_property
    def _root(self) -> Floats:
        """Q with orthonormal columns and QQ' = P."""
        values, vectors = scipy.linalg.eigh(self.P)
        return np.asarray(vectors[:, values > 0.5])

    def _reweighted(self, weight: Callable[[Floats], Floats], v: Floats) -> Floats:
        """Return the errors by iterated weights, from the errors v on."""
        Q = self._root
        t = Q.T @ self.r
        for _ in range(_ROUNDS):
            trust = 1.0 / weight(v)
            new = trust * (Q @ np.linalg.solve(Q.T @ (trust[:, None] * Q), t))
            moved = float(np.abs(new - v).max(initial=0.0))
            v = new
            if moved <= _DONE * (1.0 + float(np.abs(v).max(initial=0.0))):
                break
        return v


def _least_basis(Q: Floats, t: Floats, basis: Ints) -> Ints:
    """Return the basis B, as many errors as checks, whose v_B with Q_B'v_B = t have the least sum.

    With Q_B y = sign(v_B) the sum is least if no abs(q_j'y) is above 1. Otherwise error j enters,
    and grows past errors that change their sign on the way, for as long as the sum falls
    (I. Barrodale and F.D.K. Roberts, SIAM J. Numer. Anal. 10 (1973) 839-848, cited from memory).
    """
    basis = basis.copy()
    sign = np.sign(np.linalg.solve(Q[basis].T, t))
    sign[sign == 0.0] = 1.0
    for _ in range(_ROUNDS):
        factor = scipy.linalg.lu_factor(Q[basis])
        worth = Q @ scipy.linalg.lu_solve(factor, sign)
        worth[basis] = 0.0
        # of those that differ by rounding alone, the first
        j = int(np.argmax(np.round(np.abs(worth), 9)))
        gain = abs(float(worth[j])) - 1.0
        if gain <= _DONE:
            return basis
        size = np.maximum(sign * scipy.linalg.lu_solve(factor, t, trans=1), 0.0)
        way = np.sign(worth[j])
        falls = way * sign * scipy.linalg.lu_solve(factor, Q[j], trans=1)
        # the errors that shrink, in the order in which they come to nothing
        order = np.flatnonzero(falls > _STILL)
        order = order[np.argsort(size[order] / falls[order], kind="stable")]
        past = int(np.searchsorted(2.0 * np.cumsum(falls[order]), gain))
        sign[order[:past]] *= -1.0
        basis[order[past]], sign[order[past]] = j, way
    raise ArithmeticError("least absolute errors: no least sum is found")
