"""Size distributions: cumulative passing, size at a percentage (P80), two fitted laws.

Sizes are openings of sieves in um, coarsest first; C - 1 openings bound C classes. The coarsest
class has no upper bound and the last, the pan, no lower one: nothing here needs a size for them,
as every formula works on what passes an opening. Fractions are mass over mass, 1 is all of it.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 4: tables
of a sieve test, P80, the laws of Gates, Gaudin and Schuhmann and of Rosin and Rammler. JCGM
100:2008 (GUM), annex H.2 and eq. 13: first-order propagation with covariances. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import NoFit, SizeAt, SizeLaw
from oretally.recon.sizes.curves import (
    chance_of_more,
    checked_covariance,
    checked_level,
    checked_masses,
    checked_openings,
    crossing,
    misfit_in_words,
    parameter_covariance,
    spread_of,
    whitening,
)

__all__ = [
    "Interpolation",
    "SizeDistribution",
    "SizeFit",
    "fit_size_law",
    "passing_size",
    "passing_slopes",
    "size_distribution",
]


_ROUNDING = 1e-9  # passing closer to 0 or 1 than this is all or nothing, and no point of a law
_LEVEL = 0.01  # exponent below which passing does not change with size; laws of ores have 0.3 to 2
_FAR = 50.0  # ln of a size in um that is none
_NO_SLOPE = "the cumulative passing is all but the same at all openings used: no law has a slope."


class Interpolation(StrEnum):
    """The straight line between two neighbouring openings that gives a size."""

    SEMI_LOG = "straight line in log size against cumulative passing"
    LOG_LOG = "straight line in log size against log cumulative passing"


@dataclass(frozen=True, eq=False)
class SizeDistribution:
    """What passes each opening.

    Attributes
    ----------
    opening_um : ndarray, shape (C - 1,)
        Openings, descending. [um]
    share, share_covariance : ndarray, shape (C,), (C, C)
        Mass of each class over the whole mass, coarsest first; the shares sum to 1. [1]
    passing, passing_covariance : ndarray, shape (C - 1,), (C - 1, C - 1)
        Mass finer than each opening over the whole mass. [1]

    The covariances are None where none was given; then no result has an sd.
    """

    opening_um: Floats
    share: Floats
    share_covariance: Floats | None
    passing: Floats
    passing_covariance: Floats | None

    @property
    def retained(self) -> Floats:
        """Mass on all sieves down to each opening, shape (C - 1,), over the whole mass."""
        return np.asarray(1.0 - self.passing)

    @property
    def passing_sd(self) -> Floats | None:
        """One standard deviation of ``passing`` and ``retained``, shape (C - 1,), a fraction."""
        V = self.passing_covariance
        return None if V is None else np.sqrt(np.maximum(np.diag(V), 0.0))


@dataclass(frozen=True, eq=False)
class SizeFit:
    """A law fitted to the cumulative passing.

    Attributes
    ----------
    law : SizeLaw
    exponent, size_um : float
        m and k of Gates, Gaudin and Schuhmann; n and d' of Rosin and Rammler. [1], [um]
    covariance : ndarray, shape (2, 2), or None
        Of (exponent, size_um), from that of the shares; not scaled by the fit. None without it.
    weighted : bool
        Generalised least squares; otherwise a plain straight line in logarithms.
    opening_um, residual : arrays
        Openings used, and passing there less the law's. [um], [1]
    left_out_um : tuple of float
        Openings that all or nothing passes: a law has no finite logarithm there. [um]
    chi_square, p : float or None
        Weighted sum of squares of the residuals and the chance of more by the stated errors
        alone; of a weighted fit only, p only with degrees of freedom.
    dof : int
        Openings used less 2.
    """

    law: SizeLaw
    exponent: float
    size_um: float
    covariance: Floats | None
    weighted: bool
    opening_um: Floats
    residual: Floats
    left_out_um: tuple[float, ...]
    chi_square: float | None
    dof: int
    p: float | None

    @property
    def doubt(self) -> str:
        """Words on a law that misses the points by more than their errors explain, or empty."""
        return misfit_in_words(self.chi_square, self.dof, self.p)

    @property
    def exponent_sd(self) -> float | None:
        """One standard deviation of ``exponent``."""
        return spread_of(np.array([1.0, 0.0]), self.covariance)

    @property
    def size_sd_um(self) -> float | None:
        """One standard deviation of ``size_um``, in um."""
        return spread_of(np.array([0.0, 1.0]), self.covariance)

    def passing(self, size_um: ArrayLike) -> Floats:
        """Return the fraction that passes sizes in um, by the law."""
        size = np.asarray(size_um, float)
        line = self.exponent * np.log(size / self.size_um)
        return np.minimum(_law(self.law, line)[0], 1.0)

    def passing_size(self, percent: float) -> SizeAt:
        """Return the size that ``percent`` pass by the law; it says whether it extrapolates."""
        w = float(_straightened(self.law, np.array([checked_level(percent)]))[0][0])
        m = self.exponent
        size = float(self.size_um * np.exp(w / m))
        slopes = np.array([-size * w / m**2, size / self.size_um])
        outside = not self.opening_um[-1] <= size <= self.opening_um[0]
        sd = spread_of(slopes, self.covariance)
        kind = "weighted" if self.weighted else "unweighted"
        return SizeAt(percent, size, sd, f"{self.law} law, {kind} fit", "", outside)


def size_distribution(
    opening_um: ArrayLike, mass: ArrayLike, covariance: ArrayLike | None = None
) -> SizeDistribution:
    """Return the cumulative distribution of the masses of size classes, with covariances.

    Parameters
    ----------
    opening_um : ndarray, shape (C - 1,)
        Openings, descending. [um]
    mass : ndarray, shape (C,)
        Masses of the classes in any one unit, or shares, coarsest first, the pan last.
    covariance : ndarray, shape (C, C), optional
        Of ``mass``. Masses are divided by their sum, and the covariance follows to first order:
        nothing changes for shares that sum to 1 with a covariance that knows it.

    Raises
    ------
    ValueError
        For openings that do not descend, negative masses, no mass, or shapes that do not fit.

    Examples
    --------
    >>> sizes = size_distribution([125.0, 75.0], [20.0, 30.0, 50.0])
    >>> sizes.passing
    array([0.8, 0.5])
    """
    opening = checked_openings(opening_um)
    masses = checked_masses("mass", mass, len(opening) + 1)
    total_below = np.cumsum(masses[::-1])[::-1]
    total = float(total_below[0])
    if not total > 0.0:
        raise ValueError("the masses of the classes sum to 0. Give a stream that has mass.")
    share, passing = masses / total, total_below[1:] / total
    if covariance is None:
        return SizeDistribution(opening, share, None, passing, None)
    V = checked_covariance(covariance, len(masses))
    S = (np.eye(len(masses)) - share[:, None]) / total
    U = S @ V @ S.T
    A = np.triu(np.ones((len(opening), len(masses))), 1)
    A[passing > 0.5] -= 1.0  # less what is coarser: the same, as shares sum to 1, but a small sum
    return SizeDistribution(opening, share, U, passing, A @ U @ A.T)


def passing_size(
    sizes: SizeDistribution, percent: float, by: Interpolation = Interpolation.SEMI_LOG
) -> SizeAt:
    """Return the size that ``percent`` pass, 80 for P80, between two openings; none beyond them.

    By a straight line in log size against cumulative passing, or against its logarithm. At an
    opening itself the line has a corner: the sd is the mean of those of its two sides.

    Examples
    --------
    >>> sizes = size_distribution([200.0, 100.0, 50.0], [10.0, 20.0, 30.0, 40.0])
    >>> p80 = passing_size(sizes, 80.0)
    >>> print(f"{p80.size_um:.2f} um by a {p80.method}")
    141.42 um by a straight line in log size against cumulative passing
    >>> passing_size(sizes, 95.0).reason
    '95 % is not reached: the curve runs from 40 to 90 %, at 50 to 200 um.'
    """
    level = checked_level(percent)
    opening, P, V = sizes.opening_um, sizes.passing, sizes.passing_covariance
    if by is Interpolation.LOG_LOG and P[-1] <= 0.0:
        some = P > 0.0  # what nothing passes has no logarithm
        opening, P, V = opening[some], P[some], None if V is None else V[np.ix_(some, some)]
    log = np.log(P) if by is Interpolation.LOG_LOG else None
    found = crossing(np.log(opening), P, level, log_value=log)
    if found.log_size is None:
        return SizeAt(percent, None, None, str(by), found.reason)
    size = float(np.exp(found.log_size))
    return SizeAt(percent, size, spread_of(size * found.gradient, V), str(by))


def passing_slopes(sizes: SizeDistribution, percent: float) -> tuple[float, Floats] | None:
    """Return the size of `passing_size` and its slopes by the share of each class, shape (C,).

    None where the curve gives no size. [um]
    """
    found = crossing(np.log(sizes.opening_um), sizes.passing, checked_level(percent))
    if found.log_size is None:
        return None
    size, n = float(np.exp(found.log_size)), len(sizes.share)
    return size, size * found.gradient @ np.triu(np.ones((n - 1, n)), 1)


def fit_size_law(
    sizes: SizeDistribution, law: SizeLaw, *, weighted: bool = True
) -> SizeFit | NoFit:
    """Fit a law of two parameters to the cumulative passing.

    Parameters
    ----------
    sizes : SizeDistribution
    law : SizeLaw
    weighted : bool
        True: generalised least squares of the cumulative passing itself with its covariance,
        which shared classes correlate strongly; needs a covariance. False: the straight line of
        textbooks through the logarithms, all openings alike; its covariance, where there is one,
        is that of the data carried through, to first order.

    Notes
    -----
    The weighted fit minimises r V^-1 r, r the passing less the law's, V its covariance, with the
    logarithms straightened again at each step. If the law does not hold within the errors
    (``SizeFit.doubt``), the correlations can draw all of the curve to one side: then neither its
    sizes nor their sd mean much, and the plain line describes the points better.

    Raises
    ------
    ValueError
        If a weighted fit is asked for without a covariance.

    Examples
    --------
    >>> sizes = size_distribution([400.0, 200.0, 100.0], [0.0, 0.5, 0.25, 0.25])
    >>> fit = fit_size_law(sizes, SizeLaw.GATES_GAUDIN_SCHUHMANN, weighted=False)
    >>> f"m = {fit.exponent:.3f}, k = {fit.size_um:.1f} um, left out {fit.left_out_um}"
    'm = 1.000, k = 400.0 um, left out (400.0,)'
    """
    V = sizes.passing_covariance
    if weighted and V is None:
        raise ValueError("a weighted fit needs a covariance of the masses. Give it, or ask for "
                         "the unweighted line.")  # fmt: skip
    used = (sizes.passing > _ROUNDING) & (sizes.passing < 1.0 - _ROUNDING)
    x, P = np.log(sizes.opening_um[used]), sizes.passing[used]
    if len(P) < 2:
        return NoFit(f"a {law} law needs 2 openings that part of the mass passes: {len(P)} found.")
    V = None if V is None else V[np.ix_(used, used)]
    w, stretch = _straightened(law, P)
    L = np.linalg.pinv(np.column_stack([x, np.ones(len(x))]))
    m, a = (float(b) for b in L @ w)
    if m < _LEVEL:
        return NoFit(_NO_SLOPE)
    theta, chi_square, p = np.array([m, -a / m]), None, None
    dof = len(P) - 2
    if V is None or not weighted:
        to_theta = np.array([[1.0, 0.0], [a / m**2, -1.0 / m]]) @ L * stretch
        C = None if V is None else to_theta @ V @ to_theta.T
    else:
        solved = _weighted(law, x, P, V, theta)
        if isinstance(solved, NoFit):
            return solved
        theta, C, chi_square = solved
        p = chance_of_more(chi_square, dof)
    if theta[0] < _LEVEL or abs(theta[1]) > _FAR:
        return NoFit(_NO_SLOPE)
    k = float(np.exp(theta[1]))
    if C is not None:
        C = C * np.outer([1.0, k], [1.0, k])
    residual = P - _law(law, theta[0] * (x - theta[1]))[0]
    left_out = tuple(float(d) for d in sizes.opening_um[~used])
    return SizeFit(law, float(theta[0]), k, C, weighted, sizes.opening_um[used], residual,
                   left_out, chi_square, dof, p)  # fmt: skip


def _weighted(
    law: SizeLaw, x: Floats, P: Floats, V: Floats, start: Floats
) -> tuple[Floats, Floats, float] | NoFit:
    """Return (exponent, ln size), their covariance and chi-square; start at the plain line."""
    from scipy.optimize import least_squares

    W = whitening(V)
    if W is None:
        return NoFit("the covariance of the cumulative passing is singular: some values, or "
                     "differences of them, are stated as exact. Join such classes.")  # fmt: skip

    def misfit(theta: Floats) -> Floats:
        return np.asarray(W @ (P - _law(law, theta[0] * (x - theta[1]))[0]))

    def slopes(theta: Floats) -> Floats:
        u = x - theta[1]
        rise = _law(law, theta[0] * u)[1]
        return np.asarray(-W @ np.column_stack([rise * u, -rise * theta[0]]))

    found = least_squares(misfit, start, slopes, method="lm", xtol=1e-12, ftol=1e-14, gtol=1e-14)
    C = parameter_covariance(slopes(found.x))
    if C is None or not found.success:
        return NoFit(f"the weighted fit of the {law} law does not settle.")
    return found.x, C, float(2.0 * found.cost)


def _law(law: SizeLaw, line: Floats) -> tuple[Floats, Floats]:
    """Return passing and its slope for the straightened value, by the law."""
    grown = np.exp(np.minimum(line, 30.0))  # beyond, all passes; keeps the search from overflow
    if law is SizeLaw.GATES_GAUDIN_SCHUHMANN:
        return grown, grown
    return -np.expm1(-grown), grown * np.exp(-grown)


def _straightened(law: SizeLaw, P: Floats) -> tuple[Floats, Floats]:
    """Return the function of passing that is straight in ln size, and its slope."""
    if law is SizeLaw.GATES_GAUDIN_SCHUHMANN:
        return np.log(P), 1.0 / P
    rest = -np.log1p(-P)
    return np.log(rest), 1.0 / ((1.0 - P) * rest)
