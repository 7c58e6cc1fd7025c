"""A curve fitted to the shares of a partition curve, with a bypass: corrected and uncorrected d50.

y = R + (1 - R) c(d): the bypass R is the share of the finest sizes that goes to the coarse product
with the water, c the corrected curve, which runs from 0 to 1. Sizes are in um.

References
----------
The laws: `oretally.recon.sizes.partition_law`. B.A. Wills and T.J. Napier-Munn, Mineral Processing
Technology, 7th ed. (2006), chapter 9: correction for the bypass. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import (
    Meets,
    NoFit,
    OpenClass,
    PartitionLaw,
    Sharpness,
    SizeAt,
    UnusedClass,
)
from oretally.recon.sizes.bounded_range import BoundedRange
from oretally.recon.sizes.class_averages import average_sizes
from oretally.recon.sizes.curves import chance_of_more, checked_level, misfit_in_words, whitening
from oretally.recon.sizes.partition import QUARTERS, PartitionCurve, sharpness_of
from oretally.recon.sizes.partition_law import corrected_share, log_size_ratio
from oretally.recon.sizes.partition_search import BestCurve, Readings, best_curve, unknowns

__all__ = ["PartitionFit", "fit_partition"]


_EXACT = 1e-7  # sd of a share so small that it was stated, or stands at a bound, and has no weight


@dataclass(frozen=True, eq=False)
class PartitionFit:
    """A curve y = R + (1 - R) c(d) fitted to the shares: bypass R, corrected curve c.

    Attributes
    ----------
    law : PartitionLaw
    d50c_um, exponent, bypass : float
        Corrected cut size; Plitt's m or Whiten's a; R, the share of the finest sizes that goes
        with the water to the coarse product. [um], [1], [1]
    region : BoundedRange
        Of ln d50c_um, ln exponent, bypass (unless it is a stated number) and the shares of the open
        classes. Not scaled by the fit.
    bypass_held : bool
        Whether the bypass is a stated number, or rests at a bound: 0, or the share of the pan.
    size_um, residual : arrays
        Mean sizes of the classes between two bounds, and their shares less the curve's average over
        them. [um], [1]
    open_classes : tuple of OpenClass
    left_out : tuple of UnusedClass
    chi_square : float
        Weighted sum of squares of the residuals, those of a measured bypass and of open classes at
        an end of what the curve lets them have included.
    dof : int
        An open class within what the curve lets it have counts nothing.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None without dof.
    note : str
        What the free fit found where it was not kept.
    """

    law: PartitionLaw
    d50c_um: float
    exponent: float
    bypass: float
    region: BoundedRange
    bypass_held: bool
    size_um: Floats
    residual: Floats
    open_classes: tuple[OpenClass, ...]
    left_out: tuple[UnusedClass, ...]
    chi_square: float
    dof: int
    p: float | None
    note: str

    @property
    def doubt(self) -> str:
        """Words on a curve that misses the points by more than their errors explain, or empty."""
        return misfit_in_words(self.chi_square, self.dof, self.p)

    @property
    def sds(self) -> tuple[float, float, float]:
        """One standard deviation of ``d50c_um`` [um], ``exponent`` and ``bypass``.

        Where a bound is near, half the range in which chi-square rises by 1 or less within it.
        """
        a, b, c = (self._spread(g) for g in np.eye(3))
        return a, b, c

    @property
    def bypass_range(self) -> tuple[float, float]:
        """The bypass from where to where chi-square rises by 1 or less within the bounds. [1]."""
        down, up = self.region.reach(self._gradient(np.eye(3)[2]))
        return self.bypass - down, self.bypass + up

    def share(self, size_um: ArrayLike, *, corrected: bool = False) -> Floats:
        """Return the share to the coarse product at sizes in um, with or without the bypass."""
        R = 0.0 if corrected else self.bypass
        log_x = np.log(np.asarray(size_um, float) / self.d50c_um)
        return np.asarray(R + (1.0 - R) * corrected_share(self.law, log_x, self.exponent)[0])

    def cut_size(self, percent: float = 50.0, *, corrected: bool = False) -> SizeAt:
        """Return the size of which ``percent`` report to the coarse product, by the fitted curve.

        d50 by default; ``corrected`` takes the bypass away first: d50c. There is no size where
        the bypass alone carries as much.
        """
        kind = "corrected" if corrected else "uncorrected"
        method = f"{self.law} curve, weighted fit, {kind}"
        level = checked_level(percent)
        if not corrected and level <= self.bypass:
            carried = f"the bypass alone carries {100.0 * self.bypass:.4g} %"
            why = f"{carried}: no size has {percent:g} %."
            return SizeAt(percent, None, None, method, why)
        log_size, slopes = self._log_size(level, corrected)
        size = float(np.exp(log_size))
        outside = not self.size_um[-1] <= size <= self.size_um[0]
        return SizeAt(percent, size, size * self._spread(slopes), method, "", outside)

    def sharpness(self) -> Sharpness:
        """Return the sharpness of the corrected curve."""
        d = [self.cut_size(100.0 * q, corrected=True) for q in QUARTERS]
        found = [self._log_size(q, True) for q in QUARTERS]
        G = np.array([slopes for _, slopes in found])
        return sharpness_of(d, np.array([u for u, _ in found]), lambda g: self._spread(g @ G))

    def _gradient(self, slopes: Floats) -> Floats:
        """Return slopes by (d50c_um, exponent, bypass) as slopes by the unknowns of the fit."""
        known = np.zeros(len(self.region.shift))
        p = len(known) - len(self.open_classes)
        known[:p] = (slopes * [self.d50c_um, self.exponent, 1.0])[:p]
        return known

    def _spread(self, slopes: Floats) -> float:
        return self.region.spread(self._gradient(slopes))

    def _log_size(self, level: float, corrected: bool) -> tuple[float, Floats]:
        """Return ln of a size and its slopes by (d50c, exponent, bypass), by implicit function."""
        R = 0.0 if corrected else self.bypass
        log_x = log_size_ratio(self.law, (level - R) / (1.0 - R), self.exponent)
        c, by_size, by_exponent = corrected_share(self.law, np.array([log_x]), self.exponent)
        by_bypass = 0.0 if corrected else -(1.0 - c[0]) / ((1.0 - R) * by_size[0])
        slopes = [1.0 / self.d50c_um, -by_exponent[0] / (by_size[0] * self.exponent), by_bypass]
        return float(np.log(self.d50c_um)) + log_x, np.array(slopes)


def fit_partition(
    curve: PartitionCurve,
    law: PartitionLaw = PartitionLaw.PLITT,
    *,
    bypass: float | None = None,
    bypass_sd: float = 0.0,
) -> PartitionFit | NoFit:
    """Fit a curve with a bypass to the shares, by least squares weighted with their covariance.

    Parameters
    ----------
    curve : PartitionCurve
        With a covariance. A class counts with the average of the fitted curve over its feed.
    law : PartitionLaw
    bypass : float, optional
        Measured bypass, for example the water split to the coarse product. [1] None fits it to
        the shares alone.
    bypass_sd : float
        One standard deviation of a measured bypass, independent of the shares; 0 holds it.

    Raises
    ------
    ValueError
        Without a covariance, or for a bypass outside 0 to 1.

    Notes
    -----
    Minimises r V^-1 r, r the shares less the curve's averages and V their covariance, over
    ln d50c, ln exponent and R, within bounds: 0 <= R < 1, and an open class lets the curve be only
    where some size of it has its share, see `oretally.recon.sizes.partition_search`.
    """
    if curve.covariance is None:
        raise ValueError("a fit to the shares needs the covariance of the flows. Give it.")
    if bypass is not None and not 0.0 <= bypass < 1.0:
        raise ValueError(f"the bypass is {bypass:g}: it must be at least 0 and below 1.")
    if not (bypass_sd >= 0.0 and np.isfinite(bypass_sd)):
        raise ValueError(f"the sd of the bypass is {bypass_sd:g}: it must be a finite number not "
                         "below 0.")  # fmt: skip
    held = bypass if bypass_sd == 0.0 else None
    stated = None if bypass is None or held is not None else (bypass, bypass_sd)
    closed, ends, left_out = _used(curve, curve.covariance)
    at = [*closed, *ends]
    log_size, weight = average_sizes(curve.bound_um, curve.feed)
    readings = Readings(
        log_size[closed], weight[closed],
        np.array([_ends(curve, c) for c in ends]).reshape(-1, 2),
        curve.share[at], curve.covariance[np.ix_(at, at)], held, stated,
    )  # fmt: skip
    count = len(closed)
    if count + (stated is not None) < unknowns(readings):
        classes = f"{count or 'no'} {'class' if count == 1 else 'classes'}"
        return NoFit(f"{unknowns(readings)} unknown values, but {classes} to fit: those with feed, "
                     "a size and a share that is not exact.")  # fmt: skip
    if whitening(readings.covariance) is None:
        return NoFit("the covariance of the shares is singular: some of them depend on each other "
                     "exactly. Join such classes.")  # fmt: skip
    best = best_curve(law, readings)
    if isinstance(best, NoFit):
        return best
    d50c, exponent, R = (float(v) for v in (*np.exp(best.values[:2]), best.values[2]))
    opened = tuple(OpenClass(c, float(low), float(high), meets) for c, (low, high), meets
                   in zip(ends, best.limits, best.meets, strict=True))  # fmt: skip
    pan_holds = any(o.meets is Meets.LEAST and o.place == len(curve.share) - 1 for o in opened)
    return PartitionFit(
        law, d50c, exponent, R, best.region, held is not None or best.at_zero or pan_holds,
        curve.size_um[closed], (readings.share - best.fitted)[:count], opened, left_out,
        best.chi_square, best.dof, chance_of_more(best.chi_square, best.dof),
        _note(best, pan_holds),
    )  # fmt: skip


def _used(curve: PartitionCurve, V: Floats) -> tuple[list[int], list[int], tuple[UnusedClass, ...]]:
    """Return the classes between two bounds, the open ones, and those left out, coarsest first."""
    closed, ends, why = list[int](), list[int](), dict[int, str]()
    for c, (share, size) in enumerate(zip(curve.share, curve.size_um, strict=True)):
        if np.isnan(share):
            why[c] = "it has no feed"
        elif not V[c, c] > _EXACT**2:
            why[c] = "its share is exact"
        else:
            (closed if np.isfinite(size) else ends).append(c)
    # an open class must not keep the others from being fitted
    known = bool(closed) and whitening(V[np.ix_(closed, closed)]) is not None
    for c in list(ends):
        at = [*closed, *(e for e in ends if e <= c)]
        if known and whitening(V[np.ix_(at, at)]) is None:
            ends.remove(c)
            why[c] = "its share follows from the others"
    return closed, ends, tuple(UnusedClass(c, why[c]) for c in sorted(why))


def _ends(curve: PartitionCurve, c: int) -> Sequence[float]:
    """Return ln of the fine and the coarse end of an open class; infinite where it is open."""
    with np.errstate(divide="ignore"):
        return [float(np.log(curve.bound_um[c + 1])), float(np.log(curve.bound_um[c]))]


def _note(best: BestCurve, pan_holds: bool) -> str:
    """Return what the fit without bounds found, where it was not kept."""
    if best.free_bypass is None:
        return ""
    R, sd = (100.0 * each for each in best.free_bypass)
    found = f"the free fit gives a bypass of {R:#.3g} % (sd {sd:.2g} %)"
    if best.at_zero and R < 0.0:
        return f"{found}; none can be below 0, so 0 is held."
    return f"{found}, above the share of the pan." if pan_holds else ""
