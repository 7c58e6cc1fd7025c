"""Repeats of a test: how far equal tests scatter, and how many would tell a difference.

All tests of all arms together: y = X mu + b + e, one column of X an arm, b ~ N(0, tau^2) for each
test by itself, e ~ N(0, V) the stated errors, which tests may have in common. tau^2 is such that
the weighted squares within the arms are as large as expected, or 0 if they are smaller; then

    tau^2:  z'(K'VK + tau^2)^-1 z = n - p,    z = K'y,   K an orthonormal basis with K'X = 0

The mean of an arm weights its tests by 1 / (variance of their own + tau^2). A difference is judged
twice, and is real if it is so by both: by its stated errors, normal; and by the scatter that was
seen, with Student's t and n - p degrees of freedom. With equal tests the second is the two-sample t
test with a pooled variance. So limits are never narrower than the stated errors make them, and
where tests scatter more, the nominal rate is that of Student's t.

References
----------
R.C. Paule and J. Mandel, Consensus values and weighting factors, Journal of Research of the
National Bureau of Standards 87 (1982) 377-385 (the equation for tau^2). R. DerSimonian and
R. Kacker, Random-effects model for meta-analysis of clinical trials: an update, Contemporary
Clinical Trials 28 (2007) 105-114 (it is the DerSimonian-Laird estimate carried to its end).
G. Knapp and J. Hartung, Statistics in Medicine 22 (2003) 2693-2710 (Student's t). All cited from
memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.linalg
from scipy.special import chdtri, ndtr, ndtri, stdtr, stdtrit

from oretally.flowsheet.arrays import Floats

__all__ = [
    "MOST_TESTS", "RepeatPlan", "between_tests", "chance_to_decide", "quantile", "two_sided",
    "weights_of_arms",
]  # fmt: skip


MOST_TESTS = 1000
_ROUNDS = 200
_EXACT = 1e-13  # of the variances: what rounding leaves
_POINTS = 400  # of chi-square, over which the chance to tell is a mean


def between_tests(y: Floats, X: Floats, V: Floats) -> tuple[float, float]:
    """Return tau^2, the variance between equal tests beyond their stated errors.

    Beside it stands the share of the stated variance that the scatter shows: 1 unless tests agree
    better than their errors let expect.

    Parameters
    ----------
    y : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        1 where a test belongs to an arm; n above p.
    V : ndarray, shape (n, n)
        Covariance of the stated errors.

    Examples
    --------
    >>> one_arm = np.ones((3, 1))
    >>> y = np.array([1.0, 2.0, 3.0])
    >>> [[round(v, 6) for v in between_tests(y, one_arm, v * np.eye(3))] for v in (0.25, 4.0)]
    [[0.75, 1.0], [0.0, 0.25]]
    """
    K = scipy.linalg.null_space(X.T)
    values, vectors = np.linalg.eigh(K.T @ V @ K)
    squares, values = (vectors.T @ (K.T @ y)) ** 2, np.maximum(values, 0.0)
    dof = squares.size
    exact = values <= _EXACT * max(float(np.abs(V).max()), 1e-300)

    def weighted(tau2: float) -> float:
        below = np.where(exact, tau2, values + tau2)
        return float(np.sum(squares / below)) if below.all() else math.inf

    seen = float(np.sum(squares[~exact] / values[~exact])) / dof
    if squares[exact].sum() <= _EXACT * float(y @ y) and seen <= 1.0:
        return 0.0, seen
    low, high = 0.0, float(squares.sum()) / dof
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if weighted(middle) > dof else (low, middle)
    return high, 1.0


def weights_of_arms(X: Floats, own: Floats) -> Floats:
    """Return the weights of the tests in the means of their arms, shape (n, p).

    Parameters
    ----------
    X : ndarray, shape (n, p)
    own : ndarray, shape (n,)
        Variance that each test has by itself; where an arm has none, its tests count alike.
    """
    found = np.zeros(X.shape)
    for a in range(X.shape[1]):
        mine = X[:, a] > 0.0
        exact = mine & (own <= 0.0)
        weight = np.zeros(len(own))
        weight[exact if exact.any() else mine] = 1.0 if exact.any() else 1.0 / own[mine]
        found[:, a] = weight / weight.sum()
    return found


def two_sided(statistic: float, dof: float) -> float:
    """Return the chance of a statistic at least this far from 0: Student's t, or normal.

    Examples
    --------
    >>> round(two_sided(-1.959964, math.inf), 4), round(two_sided(4.302653, 2.0), 4)
    (0.05, 0.05)
    """
    away = -abs(statistic)
    return 2.0 * float(ndtr(away) if math.isinf(dof) else stdtr(dof, away))


def quantile(alpha: float, dof: float) -> float:
    """Return what the absolute statistic exceeds with chance alpha."""
    at = 1.0 - alpha / 2.0
    return float(ndtri(at) if math.isinf(dof) else stdtrit(dof, at))


@dataclass(frozen=True, slots=True)
class RepeatPlan:
    """What is known of the errors of tests to come.

    Attributes
    ----------
    own : float
        Variance of the difference of one test of each arm, without what stays the same in all
        their repeats; scatter between tests included.
    common : float
        Variance of the difference that no repeat lessens.
    stated : float
        Share of ``own`` that the stated errors explain.
    repeated : bool
        Whether the scatter between tests was seen; if not, a single test of each arm is judged by
        its stated errors.
    """

    own: float
    common: float = 0.0
    stated: float = 1.0
    repeated: bool = False

    def tests_needed(
        self, size: float, power: float, alpha: float, *, more_than: float = 0.0
    ) -> int | None:  # fmt: skip
        """Return the least number of tests in each arm; None if `MOST_TESTS` do not do.

        ``more_than`` are those that have just been made, and did not tell. ``alpha`` is the level
        of this one answer: where several are looked at together, what is left to each.
        """
        made = math.floor(more_than)
        if made < 1 and not self.repeated and chance_to_decide(self, size, 1, alpha=alpha) >= power:
            return 1
        low = max(1, made)
        high = low + 1
        while high > MOST_TESTS or chance_to_decide(self, size, high, alpha=alpha) < power:
            if high >= MOST_TESTS:
                return None
            low, high = high, min(2 * high, MOST_TESTS)
        while high - low > 1:
            middle = (low + high) // 2
            enough = chance_to_decide(self, size, middle, alpha=alpha) >= power
            low, high = (low, middle) if enough else (middle, high)
        return high


def chance_to_decide(plan: RepeatPlan, size: float, tests: int, *, alpha: float) -> float:
    """Return the chance that a difference of a given size is found real.

    Parameters
    ----------
    plan : RepeatPlan
    size : float
        True difference.
    tests : int
        In each arm. One is judged by its stated errors; two and more as this module judges
        repeats, whose scatter is estimated with 2 (tests - 1) degrees of freedom.
    alpha : float
        Two-sided level.

    Notes
    -----
    Given the pooled variance of the scatter s^2 = own X/d, X chi-square with d degrees of freedom,
    the chance is normal; it is a mean over X, at the midpoints of 400 equal probabilities.

    Examples
    --------
    >>> round(chance_to_decide(RepeatPlan(own=1.0), 1.959964 + 0.841621, 1, alpha=0.05), 3)
    0.8
    """
    d = 2.0 * (tests - 1)
    true = math.sqrt(plan.common + plan.own / tests)
    if true == 0.0:
        return 1.0 if size else 0.0
    stated = math.sqrt(plan.common + plan.own * plan.stated / tests)
    taken = np.full(1, quantile(alpha, math.inf) * stated / true)
    if tests > 1:
        seen = np.sqrt(plan.common + plan.own * _scatter(d) / tests)
        taken = np.maximum(taken, quantile(alpha, d) * seen / true)
    return float(np.mean(ndtr(size / true - taken) + ndtr(-size / true - taken)))


@lru_cache(maxsize=4096)
def _scatter(dof: float) -> Floats:
    """Return chi-square per degree of freedom, at the midpoints of equal probabilities."""
    found = chdtri(dof, (np.arange(_POINTS) + 0.5) / _POINTS) / dof
    found.flags.writeable = False
    return np.asarray(found)
