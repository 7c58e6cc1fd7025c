"""Partition curve of a separator by size: shares, representative sizes, cut sizes, sharpness.

The curve is the share of each class of the feed that reports to the coarse product. Class flows
are in any one unit; sizes in um; shares are fractions, 1 is all.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapters 9 and 11:
partition curve, Ecart probable, imperfection. JCGM 100:2008 (GUM), eq. 13: first-order propagation
with covariances. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.result import Sharpness, SizeAt
from oretally.recon.sizes.curves import (
    checked_covariance,
    checked_level,
    checked_masses,
    checked_openings,
    crossing,
    spread_of,
)

__all__ = [
    "QUARTERS",
    "PartitionCurve",
    "cut_size",
    "partition_curve",
    "representative_sizes",
    "sharpness",
    "sharpness_of",
]


_BEYOND = 1e-9  # product above its feed, or a feed above none, by rounding alone
_INTERPOLATED = "straight line in log size against share to the coarse product"
QUARTERS = (0.25, 0.5, 0.75)
"""Values of the curve of which sharpness is made."""


@dataclass(frozen=True, eq=False)
class PartitionCurve:
    """Share of each class of the feed that reports to the coarse product.

    Attributes
    ----------
    bound_um : ndarray, shape (C + 1,)
        Bounds of the classes, descending: infinity and 0 at the ends unless stated. [um]
    size_um : ndarray, shape (C,)
        Representative size of each class; nan of an open class without a stated bound. [um]
    feed : ndarray, shape (C,)
        Flow of each class, coarsest first, in the unit it was given in.
    share : ndarray, shape (C,)
        Share to the coarse product, coarsest class first; nan where the feed holds none, or less
        than rounding leaves. [1]
    covariance : ndarray, shape (C, C), or None
        Of ``share``, 0 where that is nan; None where no covariance was given.
    """

    bound_um: Floats
    size_um: Floats
    feed: Floats
    share: Floats
    covariance: Floats | None

    @property
    def share_sd(self) -> Floats | None:
        """One standard deviation of ``share``, shape (C,); nan where that is nan."""
        if self.covariance is None:
            return None
        sd = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return np.where(np.isnan(self.share), np.nan, sd)

    def points(self) -> tuple[Ints, Floats, Floats, Floats | None]:
        """Return places, ln sizes, shares and covariance of the classes with size and share."""
        at = np.flatnonzero(np.isfinite(self.size_um) & np.isfinite(self.share))
        V = None if self.covariance is None else self.covariance[np.ix_(at, at)]
        return at, np.log(self.size_um[at]), self.share[at], V


def representative_sizes(
    opening_um: ArrayLike, *, upper_um: float | None = None, lower_um: float | None = None
) -> Floats:
    """Return the geometric mean of each class's openings, coarsest first, shape (C,). [um].

    The coarsest class and the pan are open: nan, unless a bound is stated, for example the next
    coarser sieve of the series, or half the finest opening. Nothing is assumed otherwise: classes
    without a size stay out of cut sizes, and bound a fitted curve without being points of it.

    Examples
    --------
    >>> representative_sizes([200.0, 50.0], upper_um=800.0)
    array([400., 100.,  nan])
    """
    opening = checked_openings(opening_um)
    if upper_um is not None and not (np.isfinite(upper_um) and upper_um > opening[0]):
        raise ValueError(f"the upper bound of the coarsest class is {upper_um:g} um: it must be "
                         f"above its opening, {opening[0]:g} um.")  # fmt: skip
    if lower_um is not None and not 0.0 < lower_um < opening[-1]:
        raise ValueError(f"the lower bound of the pan is {lower_um:g} um: it must lie between 0 "
                         f"and the finest opening, {opening[-1]:g} um.")  # fmt: skip
    ends = [np.nan if end is None else end for end in (upper_um, lower_um)]
    bounds = np.log(np.concatenate([ends[:1], opening, ends[1:]]))
    return np.asarray(np.exp((bounds[:-1] + bounds[1:]) / 2.0))


def partition_curve(
    opening_um: ArrayLike, product: ArrayLike, feed: ArrayLike,
    *, covariance: ArrayLike | None = None, product_is_coarse: bool = True,
    upper_um: float | None = None, lower_um: float | None = None,
) -> PartitionCurve:  # fmt: skip
    """Return the share of each class of the feed that reports to the coarse product.

    Parameters
    ----------
    opening_um : ndarray, shape (C - 1,)
        Openings, descending. [um]
    product, feed : ndarray, shape (C,)
        Flows of the classes in one unit, coarsest first, the pan last.
    covariance : ndarray, shape (2C, 2C), optional
        Of product and feed, one behind the other.
    product_is_coarse : bool
        False for the fine product: the share to the coarse one is then 1 less its own.
    upper_um, lower_um : float, optional
        Bounds of the open classes, as in ``representative_sizes``. [um]

    Raises
    ------
    ValueError
        For openings that do not descend, negative flows, a product above its feed, or shapes that
        do not fit.

    Examples
    --------
    >>> curve = partition_curve([200.0, 100.0], [9.0, 5.0, 2.0], [10.0, 10.0, 10.0])
    >>> curve.share
    array([0.9, 0.5, 0.2])
    """
    opening = checked_openings(opening_um)
    size = representative_sizes(opening, upper_um=upper_um, lower_um=lower_um)
    n = len(size)
    p, f = (checked_masses(name, m, n) for name, m in (("product", product), ("feed", feed)))
    above = np.flatnonzero(p > f + _BEYOND * np.max(f))
    if len(above):
        i = int(above[0])
        raise ValueError(f"class {i + 1} has more in the product, {p[i]:.10g}, than in the feed, "
                         f"{f[i]:.10g}. Give balanced flows.")  # fmt: skip
    some = f > _BEYOND * np.max(f)
    rate = np.where(some, f, 1.0)
    share = np.where(some, p / rate, np.nan)
    V = None if covariance is None else checked_covariance(covariance, 2 * n)
    if V is not None:
        J = np.hstack([np.diag(some / rate), np.diag(-p * some / rate**2)])
        V = J @ V @ J.T
    bound = np.concatenate([[upper_um or np.inf], opening, [lower_um or 0.0]])
    return PartitionCurve(bound, size, f, share if product_is_coarse else 1.0 - share, V)


def cut_size(curve: PartitionCurve, percent: float = 50.0) -> SizeAt:
    """Return the size of which ``percent`` report to the coarse product, d50 by default.

    By a straight line in log size between the representative sizes of two classes; with a reason
    in words, and no size, where the curve does not meet the percentage or meets it several times.

    Examples
    --------
    >>> curve = partition_curve([400.0, 100.0, 25.0], [9.0, 7.0, 3.0, 2.0], [10.0] * 4)
    >>> round(cut_size(curve).size_um, 6)
    100.0
    """
    return _interpolated(curve, percent)[0]


def sharpness(curve: PartitionCurve) -> Sharpness:
    """Return Ecart probable, imperfection and kappa by interpolation, with sd."""
    found = [_interpolated(curve, 100.0 * q) for q in QUARTERS]
    G, V = np.array([slopes for _, _, slopes in found]), curve.points()[3]
    logs = np.array([np.nan if u is None else u for _, u, _ in found])
    spread = None if V is None else G @ V @ G.T
    return sharpness_of([d for d, _, _ in found], logs, lambda g: spread_of(g, spread))


def _interpolated(curve: PartitionCurve, percent: float) -> tuple[SizeAt, float | None, Floats]:
    _, log_size, share, V = curve.points()
    found = crossing(log_size, share, checked_level(percent))
    if found.log_size is None:
        return SizeAt(percent, None, None, _INTERPOLATED, found.reason), None, found.gradient
    size = float(np.exp(found.log_size))
    sd = spread_of(size * found.gradient, V)
    return SizeAt(percent, size, sd, _INTERPOLATED), found.log_size, found.gradient


def sharpness_of(
    sizes: list[SizeAt], logs: Floats, spread: Callable[[Floats], float | None]
) -> Sharpness:
    """Return the measures of d25, d50, d75 from ln of them, shape (3,).

    ``spread`` gives the sd for slopes by these, shape (3,).
    """
    three = (sizes[0], sizes[1], sizes[2])
    missing = [d for d in sizes if d.size_um is None]
    if missing:
        return Sharpness(*three, reason=" ".join(f"d{d.percent:g}: {d.reason}" for d in missing))
    d25, d50, d75 = np.exp(logs)
    ep, imperfection, kappa = (d75 - d25) / 2.0, (d75 - d25) / (2.0 * d50), d25 / d75
    slopes = ([-d25 / 2.0, 0.0, d75 / 2.0], [-d25 / (2.0 * d50), -imperfection, d75 / (2.0 * d50)],
              [kappa, 0.0, -kappa])  # fmt: skip
    sd = [spread(np.array(g)) for g in slopes]
    return Sharpness(*three, float(ep), sd[0], float(imperfection), sd[1], float(kappa), sd[2])
