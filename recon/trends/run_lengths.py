"""How many surveys pass, in the mean, until a chart signals: exact, for independent normal values.

A CUSUM of one side that stands at s signals after L(s) values in the mean. Its next sum is s + x -
k, or 0 if that is below, x ~ N(shift, 1)::

    L(s) = 1 + L(0) P(s + x - k <= 0) + integral over u in (0, h) of L(u) phi(u - s + k - shift) du

solved at Gauss-Legendre points; of both sides together 1/L = 1/L_up + 1/L_down, exact for k > 0 and
a start at 0. Rules of single values: the mean of a chain whose states are runs.

References
----------
E.S. Page, Biometrika 41 (1954) 100-115 (integral equation). K.W. Kemp, Journal of the Royal
Statistical Society B 23 (1961) 149-153 (both sides). C.W. Champ and W.H. Woodall, Technometrics 29
(1987) 393-399 (rules as a chain). Cited from memory.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy.special import ndtr

from oretally.flowsheet.arrays import Floats
from oretally.recon.trends.control_charts import DECISION, REFERENCE, RUN

__all__ = ["cusum_run_length", "rules_run_length"]

_POINTS = 120
_ACTION = 3.0


def cusum_run_length(
    shift: float = 0.0, *, reference: float = REFERENCE, decision: float = DECISION,
    both_sides: bool = True,
) -> float:  # fmt: skip
    """Return the mean number of values up to a signal of a CUSUM that starts at 0.

    Parameters
    ----------
    shift : float
        Mean of the values, in sd.
    reference, decision : float
        k and h, in sd.
    both_sides : bool
        Whether sums go up and down, or only up.

    Examples
    --------
    >>> round(cusum_run_length()), round(cusum_run_length(1.0), 1)
    (465, 10.4)
    """
    up = _one_side(shift, reference, decision)
    if not both_sides:
        return up
    return 1.0 / (1.0 / up + 1.0 / _one_side(-shift, reference, decision))


def _one_side(shift: float, k: float, h: float) -> float:
    points, weights = _nodes()
    u, w = 0.5 * h * (points + 1.0), 0.5 * h * weights
    s = np.r_[0.0, u]
    away = u - s[:, None] + k - shift
    kernel = w * np.exp(-0.5 * away**2) / math.sqrt(2.0 * math.pi)
    A = np.eye(s.size) - np.column_stack([ndtr(k - shift - s), kernel])
    return float(np.linalg.solve(A, np.ones(s.size))[0])


@cache
def _nodes() -> tuple[Floats, Floats]:
    """Return points and weights of Gauss's formula on (-1, 1)."""
    points, weights = np.polynomial.legendre.leggauss(_POINTS)
    return points, weights


def rules_run_length(shift: float = 0.0, *, run: int | None = RUN) -> float:
    """Return the mean number of values up to one beyond 3 sd, or ``run`` in a row on one side.

    ``shift`` is the mean of the values, in sd; without a run the rule of 3 sd stands alone.

    Examples
    --------
    >>> round(rules_run_length(run=None), 1), round(rules_run_length(), 1)
    (370.4, 152.7)
    """
    above = float(ndtr(_ACTION - shift) - ndtr(-shift))
    below = float(ndtr(-shift) - ndtr(-_ACTION - shift))
    if run is None:
        return 1.0 / (1.0 - above - below)
    # states: none yet, then 1 .. run - 1 in a row above, then below
    n = run - 1
    step = np.zeros((2 * n + 1, 2 * n + 1))
    step[:, 1], step[:, n + 1] = above, below
    step[1 : n + 1, 1], step[n + 1 :, n + 1] = 0.0, 0.0
    for i in range(1, n):
        step[i, i + 1], step[n + i, n + i + 1] = above, below
    return float(np.linalg.solve(np.eye(2 * n + 1) - step, np.ones(2 * n + 1))[0])
