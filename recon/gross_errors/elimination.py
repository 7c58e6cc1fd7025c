"""Serial elimination: leave out the largest standardised adjustment until none is significant.

The classical way to more than one gross error, for comparison: it looks at one explanation only,
and cannot take back a wrong first choice.

References
----------
D. Ripps, Adjustment of experimental data, Chemical Engineering Progress Symposium Series 61 (1965)
8-13; S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000),
chapter 8. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from oretally.flowsheet.arrays import Floats

__all__ = ["eliminate"]


_GONE = 1e-7  # what is left of a trace that others explain


def eliminate(P: Floats, r: Floats, limit: Callable[[int], float], most: int = 20) -> list[int]:
    """Return the errors that are left out, in order.

    Parameters
    ----------
    P : ndarray, shape (n, n)
        Inner products of the traces.
    r : ndarray, shape (n,)
        Inner products of the traces with the checks.
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
