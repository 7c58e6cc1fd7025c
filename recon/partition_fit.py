"""A curve fitted to the shares of a partition curve, with a bypass: corrected and uncorrected d50.

y = R + (1 - R) c(d): the bypass R is the share of the finest sizes that goes to the coarse product
with the water, c the corrected curve, which runs from 0 to 1. Sizes are in um.

References
----------
L.R. Plitt, A mathematical model of the hydrocyclone classifier, CIM Bulletin 69 (1976) 114-123.
W.J. Whiten's equation as in T.J. Napier-Munn, S. Morrell, R.D. Morrison and T. Kojovic, Mineral
Comminution Circuits (1996), chapter 12. B.A. Wills and T.J. Napier-Munn, Mineral Processing
Technology, 7th ed. (2006), chapter 9: correction for the bypass. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from oretally.recon.partition import QUARTERS, PartitionCurve, Sharpness, sharpness_of
from oretally.recon.size_classes import (
    NoFit,
    SizeAt,
    chance_of_more,
    checked_level,
    misfit_in_words,
    parameter_covariance,
    spread_of,
    whitening,
)

__all__ = ["PartitionFit", "PartitionLaw", "fit_partition"]

Floats = NDArray[np.float64]

_EXACT = 1e-7  # sd of a share so small that it was stated, or stands at a bound, and has no weight
_VAGUE = 3.0  # sd of ln d50c or of ln exponent, beyond which the classes say nothing of it
_STARTS = (1.0, 2.0, 4.0, 8.0)  # exponents to look from
_FAR = 20.0  # ln exponent that is none: keeps the search from overflow


class PartitionLaw(StrEnum):
    """The corrected curve c, what reports to the coarse product without the bypass.

    Plitt, a Rosin-Rammler curve: c = 1 - exp(-ln 2 (d/d50c)^m); ln 2 is printed as 0.6931.
    Whiten: c = (exp(a x) - 1) / (exp(a x) + exp(a) - 2), x = d/d50c. Source: the module's
    references.
    """

    PLITT = "Plitt"
    WHITEN = "Whiten"


@dataclass(frozen=True, eq=False)
class PartitionFit:
    """A curve y = R + (1 - R) c(d) fitted to the shares: bypass R, corrected curve c.

    Attributes
    ----------
    law : PartitionLaw
    d50c_um, exponent, bypass : float
        Corrected cut size; Plitt's m or Whiten's a; R, the share of the finest sizes that goes
        with the water to the coarse product. [um], [1], [1]
    covariance : array (3, 3)
        Of (d50c_um, exponent, bypass); zeros for a bypass that is held. Not scaled by the fit.
    bypass_held : bool
        Whether the bypass is a stated number, or 0 because the free fit went below; see ``note``.
    size_um, residual : arrays
        Sizes of the classes used, and their shares less the curve's. [um], [1]
    left_out : tuple of int
        Classes not used, counted from 0: without feed, without a size, or of an exact share.
    chi_square : float
        Weighted sum of squares of the residuals, that of a measured bypass included.
    dof : int
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None without dof.
    note : str
        What the free fit found where it was not kept.
    """

    law: PartitionLaw
    d50c_um: float
    exponent: float
    bypass: float
    covariance: Floats
    bypass_held: bool
    size_um: Floats
    residual: Floats
    left_out: tuple[int, ...]
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
        """One standard deviation of ``d50c_um`` [um], ``exponent`` and ``bypass``."""
        a, b, c = np.sqrt(np.maximum(np.diag(self.covariance), 0.0)).tolist()
        return a, b, c

    def share(self, size_um: ArrayLike, *, corrected: bool = False) -> Floats:
        """Return the share to the coarse product at sizes in um, with or without the bypass."""
        R = 0.0 if corrected else self.bypass
        log_x = np.log(np.asarray(size_um, float) / self.d50c_um)
        return np.asarray(R + (1.0 - R) * _corrected(self.law, log_x, self.exponent)[0])

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
        return SizeAt(percent, size, spread_of(size * slopes, self.covariance), method, "", outside)

    def sharpness(self) -> Sharpness:
        """Return the sharpness of the corrected curve."""
        d = [self.cut_size(100.0 * q, corrected=True) for q in QUARTERS]
        found = [self._log_size(q, True) for q in QUARTERS]
        G = np.array([slopes for _, slopes in found])
        return sharpness_of(d, np.array([u for u, _ in found]), G @ self.covariance @ G.T)

    def _log_size(self, level: float, corrected: bool) -> tuple[float, Floats]:
        """Return ln of a size and its slopes by (d50c, exponent, bypass), by implicit function."""
        R = 0.0 if corrected else self.bypass
        log_x = _log_ratio(self.law, (level - R) / (1.0 - R), self.exponent)
        c, by_size, by_exponent = _corrected(self.law, np.array([log_x]), self.exponent)
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
        With a covariance. The curve is taken at the representative size of each class.
    law : PartitionLaw
    bypass : float, optional
        Measured bypass, for example the water split to the coarse product. [1] None fits it to
        the shares alone; a fitted one below 0 is held at 0, and ``PartitionFit.note`` says so.
    bypass_sd : float
        One standard deviation of a measured bypass, independent of the shares; 0 holds it.

    Raises
    ------
    ValueError
        Without a covariance, or for a bypass outside 0 to 1.

    Notes
    -----
    Minimises r V^-1 r, r the shares less the curve's and V their covariance, over ln d50c, ln
    exponent and R (Levenberg-Marquardt), from the best of a fixed set of starts.
    """
    at, u, y, V = curve.points()
    if V is None:
        raise ValueError("a fit to the shares needs the covariance of the flows. Give it.")
    if bypass is not None and not 0.0 <= bypass < 1.0:
        raise ValueError(f"the bypass is {bypass:g}: it must be at least 0 and below 1.")
    if not (bypass_sd >= 0.0 and np.isfinite(bypass_sd)):
        raise ValueError(f"the sd of the bypass is {bypass_sd:g}: it must be a finite number not "
                         "below 0.")  # fmt: skip
    some = np.sqrt(np.maximum(np.diag(V), 0.0)) > _EXACT
    at, u, y, V = at[some], u[some], y[some], V[np.ix_(some, some)]
    held = bypass if bypass is not None and bypass_sd == 0.0 else None
    stated = (bypass, bypass_sd) if bypass is not None and held is None else None
    found = _search(law, u, y, V, held, stated)
    note = ""
    if not isinstance(found, NoFit) and held is None and found[0][2] < 0.0:
        note = (f"the free fit gives a bypass of {100.0 * found[0][2]:.3g} % (sd "
                f"{100.0 * np.sqrt(found[1][2, 2]):.2g} %); none can be below 0, so 0 is "
                "held.")  # fmt: skip
        held = 0.0
        found = _search(law, u, y, V, held, stated)
    if isinstance(found, NoFit):
        return found
    theta, C, chi_square = found
    if theta[2] >= 1.0:
        return NoFit("the fitted bypass is 100 % or more: the shares do not rise with size.")
    d50c, exponent, R = float(np.exp(theta[0])), float(np.exp(theta[1])), float(theta[2])
    scale = np.array([d50c, exponent, 1.0])
    dof = len(y) + (stated is not None) - (2 if held is not None else 3)
    left_out = tuple(sorted(set(range(len(curve.share))) - set(at.tolist())))
    residual = y - R - (1.0 - R) * _corrected(law, u - theta[0], exponent)[0]
    return PartitionFit(law, d50c, exponent, R, C * np.outer(scale, scale), held is not None,
                        np.exp(u), residual, left_out, chi_square, dof,
                        chance_of_more(chi_square, dof), note)  # fmt: skip


def _search(
    law: PartitionLaw, u: Floats, y: Floats, V: Floats,
    held: float | None, stated: tuple[float, float] | None,
) -> tuple[Floats, Floats, float] | NoFit:  # fmt: skip
    """Return (ln d50c, ln exponent, bypass), their covariance and chi-square."""
    from scipy.optimize import least_squares

    free = 2 if held is not None else 3
    if len(y) + (stated is not None) < free:
        classes = f"{len(y) or 'no'} {'class' if len(y) == 1 else 'classes'}"
        return NoFit(f"{free} unknown values, but {classes} to fit: those with feed, a size and a "
                     "share that is not exact.")  # fmt: skip
    W = whitening(V)
    if W is None:
        return NoFit("the covariance of the shares is singular: some of them depend on each other "
                     "exactly. Join such classes.")  # fmt: skip

    def curve(theta: Floats) -> tuple[Floats, Floats, Floats]:
        return _corrected(law, u - theta[0], float(np.exp(np.clip(theta[1], -_FAR, _FAR))))

    def misfit(theta: Floats) -> Floats:
        R = theta[2] if held is None else held
        c, _, _ = curve(theta)
        r = W @ (y - R - (1.0 - R) * c)
        return np.asarray(r if stated is None else np.append(r, (stated[0] - R) / stated[1]))

    def slopes(theta: Floats) -> Floats:
        R = theta[2] if held is None else held
        c, by_size, by_exponent = curve(theta)
        J = np.column_stack([(1.0 - R) * by_size, -(1.0 - R) * by_exponent, c - 1.0])
        J = (W @ J)[:, :free]
        return J if stated is None else np.vstack([J, [0.0, 0.0, -1.0 / stated[1]][:free]])

    low = float(np.clip(np.min(y), 0.0, 0.9))
    firsts = (held,) if held is not None else (0.0, low)
    middle = {R: u[np.argmin(np.abs(y - (1.0 + R) / 2.0))] for R in firsts}
    starts = [np.array([middle[R], np.log(a), R][:free]) for a, R in product(_STARTS, firsts)]
    start = min(starts, key=lambda theta: float(np.sum(misfit(theta) ** 2)))
    found = least_squares(misfit, start, slopes, method="lm", xtol=1e-12, ftol=1e-14, gtol=1e-14)
    vague = NoFit(f"the classes do not fix cut size and exponent of the {law} curve: too few of "
                  "them have shares between the bypass and 100 %.")  # fmt: skip
    fixed = parameter_covariance(slopes(found.x))
    if not found.success or fixed is None or abs(found.x[1]) >= _FAR:
        return vague
    if np.sqrt(max(fixed[0, 0], fixed[1, 1])) > _VAGUE:
        return vague
    C = np.zeros((3, 3))
    C[:free, :free] = fixed
    theta = found.x if held is None else np.append(found.x, held)
    return theta, C, float(2.0 * found.cost)


def _corrected(law: PartitionLaw, log_x: Floats, exponent: float) -> tuple[Floats, Floats, Floats]:
    """Return c at ln(d/d50c), its slope by that and by ln exponent."""
    with np.errstate(over="ignore"):
        if law is PartitionLaw.PLITT:
            u = np.log(2.0) * np.exp(np.minimum(exponent * log_x, 30.0))
            rise = u * np.exp(-u)
            return -np.expm1(-u), exponent * rise, exponent * log_x * rise
        x = np.exp(np.clip(log_x, -300.0, 30.0))
        own, half = -np.expm1(-exponent * x), -np.expm1(-exponent)
        c = 1.0 / (1.0 + np.exp(np.minimum(exponent * (1.0 - x), 700.0)) * half / own)
        steep = exponent * x / own
        return c, c * (1.0 - c) * steep, c * (1.0 - c) * (steep - exponent / half)


def _log_ratio(law: PartitionLaw, c: float, exponent: float) -> float:
    """Return ln(d/d50c) at which the corrected curve takes the value c."""
    if law is PartitionLaw.PLITT:
        return float(np.log(-np.log1p(-c) / np.log(2.0)) / exponent)
    # exp(a x) - 1 = c (exp(a) - 1) / (1 - c), with exp(a) taken out so that it cannot overflow
    odds = c / (1.0 - c)
    grown = odds + (1.0 - odds) * np.exp(-exponent)
    return float(np.log((exponent + np.log(grown)) / exponent))
