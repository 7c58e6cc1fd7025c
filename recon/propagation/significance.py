"""Is the survey consistent: the global test, and levels of the largest of several statistics.

The objective at the balance is chi-square with as many degrees of freedom as there are independent
checks. The largest |z| of n independent statistics has::

    p_n = 1 - (1 - p)^n    p = 2 (1 - Phi(|z|))        limit: 1 - (1 - alpha)^(1/n) = p

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 7:
global test, Sidak's correction for the number of tests. Cited from memory.
"""

from __future__ import annotations

import numpy as np
from scipy.special import chdtrc, ndtr, ndtri

from oretally.recon.result import GlobalTest

__all__ = ["global_test", "sidak_limit", "sidak_p"]


def global_test(objective: float, dof: int, alpha: float) -> GlobalTest:
    """Return the chi-square test of the objective; no verdict without degrees of freedom."""
    if dof <= 0:
        return GlobalTest(objective, 0, None, alpha, None)
    p = float(chdtrc(dof, objective))
    return GlobalTest(objective, dof, p, alpha, p >= alpha)


def sidak_limit(alpha: float, n_tests: int) -> float:
    """Return the limit that the largest of n normal statistics exceeds with chance alpha.

    Examples
    --------
    >>> round(sidak_limit(0.05, 6), 3)
    2.631
    """
    single = -float(np.expm1(np.log1p(-alpha) / max(n_tests, 1)))
    return float(-ndtri(single / 2.0))


def sidak_p(statistic: float, n_tests: int) -> float:
    """Return the chance that the largest of n normal statistics is at least this large.

    Examples
    --------
    >>> round(sidak_p(1.959964, 1), 3)
    0.05
    """
    single = 2.0 * float(ndtr(-abs(statistic)))
    return float(-np.expm1(n_tests * np.log1p(-min(single, 1.0 - 1e-16))))
