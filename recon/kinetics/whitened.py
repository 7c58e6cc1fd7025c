"""Values against time as independent numbers of sd 1; the least chi-square over a grid of rates.

A plateau, and the share of a component, enters a curve linearly: for given rates the best is known
at once, so that a grid of rates finds every valley. What the values cannot tell are two limits:
a rate of 0, where the curve is a straight line, and an infinite one, where it is a constant.

References
----------
G.A.F. Seber and C.J. Wild, Nonlinear Regression (1989), chapter 2: generalised least squares, and
section 14.7: parameters that enter linearly. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from oretally.flowsheet.arrays import Floats
from oretally.recon.kinetics.rate_models import shape_of
from oretally.recon.result import RateModel

__all__ = ["Whitened", "best_linear", "rate_grid", "single_starts", "two_starts", "whitened"]

_RANK = 1e-10  # eigenvalue of the correlations, over the largest, below which there is no error
_ROUNDING = 1e-9  # of the largest covariance: asymmetry by rounding alone
_SLOWEST = 1e-4  # rate times last time at which every curve is a straight line
_FASTEST = 40.0  # rate times first time at which the plateau is reached
_SINGLE, _PAIRS = 200, 40  # rates of a grid; of a grid of two
_STARTS = 3  # valleys to go down into


@dataclass(frozen=True, eq=False)
class Whitened:
    """Values, n of them, and what makes r independent numbers of sd 1 of them.

    Attributes
    ----------
    time, value : ndarray, shape (n,)
    root : ndarray, shape (r, n)
        W with W V W' = 1: chi-square of residuals e is |W e|^2.
    """

    time: Floats
    value: Floats
    root: Floats

    @property
    def rank(self) -> int:
        """Independent values."""
        return len(self.root)


def whitened(time: ArrayLike, value: ArrayLike, covariance: ArrayLike) -> Whitened:
    """Return values against time with a root of their weights; what has no error has no weight.

    Raises
    ------
    ValueError
        For wrong shapes, numbers that are not finite, times that do not rise from above 0, a
        covariance that is not symmetric, or holds no variance.
    """
    t, y, V = (np.asarray(a, float) for a in (time, value, covariance))
    n = len(t)
    if t.shape != (n,) or y.shape != (n,) or V.shape != (n, n):
        raise ValueError(f"times, values and covariance must have the shapes (n,), (n,) and "
                         f"(n, n), not {t.shape}, {y.shape} and {V.shape}.")  # fmt: skip
    if not all(np.all(np.isfinite(a)) for a in (t, y, V)):
        raise ValueError("every time, value and covariance must be a finite number.")
    if n == 0 or t[0] <= 0.0 or np.any(np.diff(t) <= 0.0):
        raise ValueError("the times must rise, from above 0.")
    largest = float(np.max(np.abs(V)))
    if np.any(np.abs(V - V.T) > _ROUNDING * largest):
        raise ValueError("the covariance is not symmetric.")
    sd = np.sqrt(np.maximum(np.diag(V), 0.0))
    if not np.any(sd > 0.0):
        raise ValueError("no value has an error: a fit needs one.")
    scale = np.where(sd > 0.0, sd, 1.0)
    size, vectors = np.linalg.eigh((V + V.T) / 2.0 / np.outer(scale, scale))
    kept = size > _RANK * size[-1]
    return Whitened(t, y, (vectors[:, kept] / np.sqrt(size[kept])).T / scale)


def rate_grid(time: Floats, count: int = _SINGLE) -> Floats:
    """Return rates from where a curve is a straight line to where it is a constant."""
    return np.asarray(np.geomspace(_SLOWEST / time[-1], _FASTEST / time[0], count))


def best_linear(
    data: Whitened, shapes: Floats, base: Floats | float = 0.0
) -> tuple[Floats, Floats]:
    """Return factors c that bring base + c shape nearest to the values, and the chi-squares.

    ``shapes`` (..., n); ``base`` is added to each. Factors and chi-squares have the shape (...).
    """
    y = (data.value - base) @ data.root.T
    g = shapes @ data.root.T
    square = np.maximum((g * g).sum(axis=-1), np.finfo(float).tiny)
    factor = (g * y).sum(axis=-1) / square
    miss = y - factor[..., None] * g
    return factor, (miss * miss).sum(axis=-1)


def single_starts(data: Whitened, model: RateModel) -> Floats:
    """Return (plateau, rate) at the bottom of the valleys of the grid, best first, shape (m, 2)."""
    rates = rate_grid(data.time)
    plateau, chi_square = best_linear(data, shape_of(model, rates, data.time)[0])
    padded = np.concatenate(([np.inf], chi_square, [np.inf]))
    bottoms = np.flatnonzero((chi_square <= padded[:-2]) & (chi_square <= padded[2:]))
    best = bottoms[np.argsort(chi_square[bottoms], kind="stable")][:_STARTS]
    return np.column_stack((plateau[best], rates[best]))


def two_starts(data: Whitened, whole: float) -> Floats:
    """Return (fast share, fast rate, slow rate) to go down from, best first, shape (m, 3)."""
    rates = rate_grid(data.time, _PAIRS)
    i, j = np.triu_indices(_PAIRS, 1)
    shape = whole * shape_of(RateModel.FIRST_ORDER, rates, data.time)[0]
    share, chi_square = best_linear(data, shape[j] - shape[i], shape[i])
    chi_square = np.where((share >= 0.0) & (share <= 1.0), chi_square, np.inf)
    best = np.argsort(chi_square, kind="stable")[:_STARTS]
    best = best[np.isfinite(chi_square[best])]
    return np.column_stack((share[best], rates[j[best]], rates[i[best]]))
