"""Several readings of one quantity: spread, readings that lie apart, robust means, laboratories.

Readings may be in any one unit; means and sd come back in it. Nothing is ever dropped: a reading
that lies apart is named, and the robust means give it less weight.

References
----------
F.E. Grubbs, Sample criteria for testing outlying observations, Annals of Mathematical Statistics
21 (1950) 27-58. W.J. Dixon, Analysis of extreme values, ibid. 488-506; critical values of
D.B. Rorabacher, Analytical Chemistry 63 (1991) 139-146 (r10, two-sided), looked up in an open
textbook that reprints them. P.J. Huber, Robust Statistics (1981), section 6.4 (proposal 2);
ISO 13528:2015, annex C (algorithm A); ISO 5725-2:1994, section 7.4. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import fsum
from statistics import fmean

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, stdtrit

from oretally.flowsheet.arrays import Floats

__all__ = [
    "HUBER_K", "Interlaboratory", "LevelMean", "Outlier", "PooledSd", "RobustMean", "Spread",
    "algorithm_a", "consistency_factor", "dixon", "dixon_limit", "finite_values", "grubbs",
    "grubbs_limit", "huber_proposal_2", "interlaboratory", "mean_at_level", "pooled_sd", "spread",
]  # fmt: skip


HUBER_K = 1.5  # sd beyond which the robust means bring a reading in

# by alpha, for n = 3 to 10
_DIXON = {
    0.10: (0.941, 0.765, 0.642, 0.560, 0.507, 0.468, 0.437, 0.412),
    0.05: (0.970, 0.829, 0.710, 0.625, 0.568, 0.526, 0.493, 0.466),
    0.04: (0.976, 0.846, 0.729, 0.644, 0.586, 0.543, 0.510, 0.483),
    0.02: (0.988, 0.889, 0.780, 0.698, 0.637, 0.590, 0.555, 0.527),
    0.01: (0.994, 0.926, 0.821, 0.740, 0.680, 0.634, 0.598, 0.568),
}
_SAME = 1e-12  # readings closer than that, relative to the largest, differ by rounding alone
_ROUNDS = 1_000
_DONE = 1e-12
_EQUAL = 1e-9  # weights closer than that, relative, are one: sd come from converted units


@dataclass(frozen=True, slots=True)
class Spread:
    """Mean of n readings, sd of one reading (None for a single one), n - 1."""

    mean: float
    sd: float | None
    dof: int


@dataclass(frozen=True, slots=True)
class LevelMean:
    """Weighted mean of readings whose errors depend on the level.

    Attributes
    ----------
    mean, sd : float
    sds : tuple of float
        Those of the readings, at the mean.
    plain : bool
        Whether all weigh the same.
    """

    mean: float
    sd: float
    sds: tuple[float, ...]
    plain: bool


@dataclass(frozen=True, slots=True)
class PooledSd:
    """The sd of one reading from several groups that share it, and its degrees of freedom."""

    sd: float
    dof: int


@dataclass(frozen=True, slots=True)
class Outlier:
    """The reading that lies farthest apart, the first of several: its place and value.

    ``statistic`` is Grubbs' G or Dixon's Q, ``critical`` what it exceeds by chance ``alpha``.
    """

    index: int
    value: float
    statistic: float
    critical: float
    alpha: float

    @property
    def flagged(self) -> bool:
        """Whether it lies farther apart than chance explains."""
        return self.statistic > self.critical


@dataclass(frozen=True, slots=True)
class RobustMean:
    """A mean and sd that far readings move little.

    ``standard_error`` is 1.25 sd / sqrt(n) (ISO 13528): that of a median, so never too small.
    ``moved`` counts the readings that were brought in.
    """

    mean: float
    sd: float
    n: int
    moved: int

    @property
    def standard_error(self) -> float:
        """The sd of the robust mean."""
        return float(1.25 * self.sd / self.n**0.5)


@dataclass(frozen=True, slots=True)
class Interlaboratory:
    """Precision of a method from several laboratories that measured one material.

    Attributes
    ----------
    mean : float
        General mean, weighted by the number of results.
    repeatability_sd, reproducibility_sd : float
        s_r within a laboratory; s_R, root of s_r^2 + s_L^2.
    between_variance : float
        s_L^2 of the laboratories' biases as estimated; below 0 it counts as 0 in s_R.
    dof : int
        Of ``repeatability_sd``.
    n_laboratories, n_results : int
    """

    mean: float
    repeatability_sd: float
    reproducibility_sd: float
    between_variance: float
    dof: int
    n_laboratories: int
    n_results: int


def finite_values(values: ArrayLike, least: int, what: str = "readings") -> Floats:
    """Return the values as an array; ValueError if not all are finite or there are too few."""
    found = np.asarray(values, dtype=float)
    if found.ndim != 1 or not np.isfinite(found).all():
        raise ValueError(f"{what} are a list of finite numbers")
    if found.size < least:
        raise ValueError(f"{found.size} {what}, at least {least} are needed")
    return found


def spread(values: ArrayLike) -> Spread:
    """Return mean, sd and degrees of freedom. ValueError without a reading.

    Examples
    --------
    >>> spread([2.0, 4.0, 6.0])
    Spread(mean=4.0, sd=2.0, dof=2)
    """
    x = finite_values(values, 1)
    return Spread(float(x.mean()), float(x.std(ddof=1)) if x.size > 1 else None, x.size - 1)


def mean_at_level(values: Sequence[float], sds_at: Callable[[float], Sequence[float]]) -> LevelMean:
    """Return the mean of readings, each weighted by 1/sd^2 with its sd at that mean.

    Parameters
    ----------
    values : sequence of float
    sds_at : callable
        Returns the sds of all readings at a level, above 0, in the unit of the values.

    Notes
    -----
    All readings are of one true value, so that their errors are those at one level:

        mean = sum v_i / s_i(mean)^2 / sum 1 / s_i(mean)^2,  sd = 1 / sqrt(sum 1 / s_i(mean)^2)

    Relative errors taken at each reading would give the low ones more weight, and a mean below the
    true value. A solution lies between the lowest and the highest reading. It is sought from the
    plain mean: the right side put in for the left, or half of where it must lie if that gains
    less.

    Examples
    --------
    >>> found = mean_at_level([8.28, 6.44, 7.28], lambda level: [0.05 * level] * 3)
    >>> round(found.mean, 3), round(found.sd, 3), found.plain
    (7.333, 0.212, True)
    >>> round(mean_at_level([8.0, 6.0], lambda level: [0.05 * level, 0.10 * level]).mean, 3)
    7.6
    """
    low, high, level = min(values), max(values), fmean(values)
    before = high - low
    for _ in range(_ROUNDS):
        sds = tuple(sds_at(level))
        least = min(sds)
        # the largest is 1: no sd is too small or too large to be squared
        weights = [(least / sd) ** 2 if sd > least else 1.0 for sd in sds]
        total = fsum(weights)
        found = fsum(w * v for w, v in zip(weights, values, strict=True)) / total
        step = found - level
        low, high = (level, high) if step > 0.0 else (low, level)
        if min(abs(step), high - low) <= _DONE * abs(level):
            break
        gains = low < found < high and abs(step) <= before / 2.0
        level = found if gains else (low + high) / 2.0
        before = abs(step)
    return LevelMean(level, least / total**0.5, sds, max(sds) <= least * (1.0 + _EQUAL))


def pooled_sd(groups: Sequence[ArrayLike]) -> PooledSd:
    """Return the root of sum (n_i - 1) s_i^2 / sum (n_i - 1); groups of one reading add nothing.

    ValueError if no group has two readings.
    """
    arrays = [finite_values(group, 1) for group in groups]
    dof = sum(x.size - 1 for x in arrays)
    if dof == 0:
        raise ValueError("no group has two readings: nothing says how far they scatter")
    squares = sum(float(((x - x.mean()) ** 2).sum()) for x in arrays)
    return PooledSd((squares / dof) ** 0.5, dof)


def grubbs_limit(n: int, alpha: float = 0.05) -> float:
    """Return what the largest |x_i - mean| / sd of n readings exceeds with chance alpha.

    Notes
    -----
    (n - 1) / sqrt(n) sqrt(t^2 / (n - 2 + t^2)), t the two-sided point of Student's t with n - 2
    degrees of freedom at alpha / n. Bonferroni's bound: the chance is at most alpha, and alpha to
    within a few parts in a hundred at 0.05.

    Examples
    --------
    >>> round(grubbs_limit(10), 3)
    2.29
    """
    if n < 3 or not 0.0 < alpha < 1.0:
        raise ValueError("Grubbs' test needs 3 readings and an alpha between 0 and 1")
    square = float(stdtrit(n - 2, alpha / (2 * n))) ** 2
    return float((n - 1) / n**0.5 * (square / (n - 2 + square)) ** 0.5)


def grubbs(values: ArrayLike, alpha: float = 0.05) -> Outlier:
    """Return the reading farthest from the mean, by Grubbs' two-sided test.

    ValueError below 3 readings.

    Notes
    -----
       Supposes normal errors with more digits than matter. Of three readings two that agree to the
       last digit flag the third however near it is; that is the rounding and no error.
    """
    x = finite_values(values, 3)
    critical = grubbs_limit(x.size, alpha)
    if _all_same(x):
        return Outlier(0, float(x[0]), 0.0, critical, alpha)
    G = np.abs(x - x.mean()) / x.std(ddof=1)
    i = int(np.argmax(np.round(G, 9)))  # of those that differ by rounding alone, the first
    return Outlier(i, float(x[i]), float(G[i]), critical, alpha)


def dixon_limit(n: int, alpha: float = 0.05) -> float:
    """Return the tabulated critical value of Dixon's Q (r10), two-sided.

    ValueError unless n is 3 to 10 and alpha 0.10, 0.05, 0.04, 0.02 or 0.01.
    """
    if alpha not in _DIXON or not 3 <= n <= 10:
        allowed = ", ".join(f"{a:g}" for a in _DIXON)
        raise ValueError(f"Dixon's Q is tabulated for 3 to 10 readings and alpha {allowed}")
    return _DIXON[alpha][n - 3]


def dixon(values: ArrayLike, alpha: float = 0.05) -> Outlier:
    """Return the end reading with the larger gap, by Dixon's Q: gap to its neighbour over range.

    Raises as `dixon_limit` does; on readings with few digits see `grubbs`.
    """
    x = finite_values(values, 3)
    critical = dixon_limit(x.size, alpha)
    if _all_same(x):
        return Outlier(0, float(x[0]), 0.0, critical, alpha)
    order = np.argsort(x, kind="stable")
    gaps = np.diff(x[order])
    low, high = float(gaps[0]), float(gaps[-1])
    end = int(order[-1]) if high - low > _SAME * float(np.ptp(x)) else int(order[0])
    return Outlier(end, float(x[end]), max(low, high) / float(np.ptp(x)), critical, alpha)


def consistency_factor(k: float) -> float:
    """Return the mean of min(z^2, k^2) for normal z: what bringing in takes from a variance."""
    inside = 2.0 * float(ndtr(k)) - 1.0
    density = float(np.exp(-0.5 * k * k) / np.sqrt(2.0 * np.pi))
    return inside + k * k * (1.0 - inside) - 2.0 * k * density


def huber_proposal_2(values: ArrayLike, k: float = HUBER_K) -> RobustMean:
    """Return Huber's proposal 2: readings beyond k sd are brought in to there, until it settles.

    ValueError with fewer than 2 readings, or k not above 0; ArithmeticError if it does not settle.

    Notes
    -----
    sd^2 = sum (x*_i - mean)^2 / ((n - 1) beta), beta = `consistency_factor`. With k = 1.5 and four
    readings or fewer none can lie so far out, and the mean is the plain one. An sd of 0 means that
    most readings are equal.
    """
    if not k > 0.0:
        raise ValueError("k is above 0")
    return _brought_in(values, k, 1.0 / 0.6744897501960817, consistency_factor(k) ** -0.5)


def algorithm_a(values: ArrayLike) -> RobustMean:
    """Return algorithm A of ISO 13528: proposal 2 with k = 1.5 and the standard's 1.483 and 1.134.

    Raises as `huber_proposal_2` does.
    """
    return _brought_in(values, HUBER_K, 1.483, 1.134)


def interlaboratory(table: Sequence[ArrayLike]) -> Interlaboratory:
    """Return repeatability and reproducibility from the results of each laboratory.

    ValueError with fewer than 2 laboratories, or if none has two results.

    Notes
    -----
    s_L^2 = (s_d^2 - s_r^2) / n0, s_d^2 = sum n_i (mean_i - mean)^2 / (p - 1),
    n0 = (N - sum n_i^2 / N) / (p - 1).
    """
    labs = [finite_values(row, 1, "results") for row in table]
    p = len(labs)
    if p < 2:
        raise ValueError("an interlaboratory table has at least 2 laboratories")
    within = pooled_sd(labs)
    n = np.array([x.size for x in labs], dtype=float)
    means = np.array([x.mean() for x in labs])
    N = float(n.sum())
    mean = float(n @ means) / N
    s_d2 = float(n @ (means - mean) ** 2) / (p - 1)
    n0 = (N - float(n @ n) / N) / (p - 1)
    s_L2 = (s_d2 - within.sd**2) / n0
    s_R = (within.sd**2 + max(s_L2, 0.0)) ** 0.5
    return Interlaboratory(mean, within.sd, s_R, s_L2, within.dof, p, int(N))


def _all_same(x: Floats) -> bool:
    return float(np.ptp(x)) <= _SAME * float(np.abs(x).max())


def _brought_in(values: ArrayLike, k: float, mad_factor: float, sd_factor: float) -> RobustMean:
    x = finite_values(values, 2)
    mean = float(np.median(x))
    sd = mad_factor * float(np.median(np.abs(x - mean)))
    if sd == 0.0:  # more than half are equal: the median deviation says nothing about the others
        sd = float(x.std(ddof=1))
    if _all_same(x):
        return RobustMean(mean, 0.0, x.size, 0)
    first = sd
    for _ in range(_ROUNDS):
        near = np.minimum(np.maximum(x, mean - k * sd), mean + k * sd)
        new_mean = float(near.sum()) / x.size
        away = near - new_mean
        new_sd = sd_factor * (float(away @ away) / (x.size - 1)) ** 0.5
        moved = abs(new_mean - mean) + abs(new_sd - sd)
        mean, sd = new_mean, new_sd
        if moved <= _DONE * first + 4.0 * float(np.spacing(np.abs(x).max())):
            break
    else:
        raise ArithmeticError(f"robust mean: not settled after {_ROUNDS} rounds")
    if sd <= 1e-9 * first:
        mean, sd = float(np.median(x)), 0.0
    bend = k * sd + 1e-9 * first
    return RobustMean(mean, sd, x.size, int((np.abs(x - mean) > bend).sum()))
