"""Robust estimates of the errors: a second opinion that leaves nothing out, but trusts less.

The errors v of the measurements, in stated errors, are not seen; the checks are: Q'v = t, where
QQ' = P and Qt = r. Least squares takes the smallest v; robust estimates minimise sum rho(v_i),
where rho grows more slowly than v^2, so that one wrong number is not spread over its neighbours.
The balances are linearised at the balance.

References
----------
P.J. Huber, Robust Statistics (1981); tuning constants 1.345 (Huber) and 4.685 (Tukey's biweight)
for 95 % efficiency, R.A. Maronna, R.D. Martin and V.J. Yohai, Robust Statistics (2006), section
2.2. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.linalg
from scipy.optimize import linprog

from oretally.flowsheet.arrays import Floats

__all__ = ["biweight", "huber", "least_absolute"]


HUBER, TUKEY = 1.345, 4.685
_ROUNDS = 3_000  # where traces are nearly equal the weights settle slowly
_DONE = 1e-8
_LEAST = 1e-6  # weight below which a measurement counts as not there


def huber(P: Floats, r: Floats) -> Floats:
    """Return errors by Huber's estimate: squares up to 1.345 stated errors, then linear."""
    return _reweighted(P, r, lambda v: HUBER / np.maximum(np.abs(v), HUBER), r)


def biweight(P: Floats, r: Floats) -> Floats:
    """Return errors by Tukey's biweight, from Huber's estimate on: far errors cost no more."""

    def weight(v: Floats) -> Floats:
        inside = np.clip(1.0 - (v / TUKEY) ** 2, 0.0, None) ** 2
        return np.asarray(np.maximum(inside, _LEAST))

    return _reweighted(P, r, weight, huber(P, r))


def least_absolute(P: Floats, r: Floats) -> Floats:
    """Return the errors with the least sum of absolute values, in stated errors.

    A linear programme, solved by HiGHS through scipy.

    Raises
    ------
    ArithmeticError
        If HiGHS finds no optimum.
    """
    Q = _root(P)
    n = len(r)
    found = linprog(
        np.ones(2 * n), A_eq=np.hstack([Q.T, -Q.T]), b_eq=Q.T @ r, bounds=(0.0, None),
        method="highs",
    )  # fmt: skip
    if found.x is None:
        raise ArithmeticError(f"least absolute errors: {found.message}")
    return np.asarray(found.x[:n] - found.x[n:])


def _root(P: Floats) -> Floats:
    """Return Q with orthonormal columns and QQ' = P."""
    values, vectors = scipy.linalg.eigh(P)
    return np.asarray(vectors[:, values > 0.5])


def _reweighted(P: Floats, r: Floats, weight: Callable[[Floats], Floats], v: Floats) -> Floats:
    """Return the errors by iterated weights, from the errors v on."""
    Q = _root(P)
    t = Q.T @ r
    for _ in range(_ROUNDS):
        trust = 1.0 / weight(v)
        new = trust * (Q @ np.linalg.solve(Q.T @ (trust[:, None] * Q), t))
        moved = float(np.abs(new - v).max(initial=0.0))
        v = new
        if moved <= _DONE * (1.0 + float(np.abs(v).max(initial=0.0))):
            break
    return v
