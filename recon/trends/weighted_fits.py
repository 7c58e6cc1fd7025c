"""Values with errors of their own, fitted by a few terms; what they scatter beyond those errors.

y = X b + s + e, e_i ~ N(0, v_i) the stated errors, s_i ~ N(0, tau^2) scatter beyond them. tau^2 is
such that the weighted squares are as large as expected, sum (y - X b)_i^2 / (v_i + tau^2) = n - p
(Paule and Mandel), or 0 where they are smaller. Neighbours in time may be alike: with the
correlation r of one value with the next, the variance of a mean is larger by (1 + r)/(1 - r).

References
----------
R.C. Paule and J. Mandel, Journal of Research of the National Bureau of Standards 87 (1982) 377-385.
The factor for neighbours: G.E.P. Box, G.M. Jenkins and G.C. Reinsel, Time Series Analysis, chapter
2, of a first-order process. Correction of r for short series: F.H.C. Marriott and J.A. Pope,
Biometrika 41 (1954) 390-402. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Floats

__all__ = ["WeightedFit", "weighted_fit"]

_ROUNDS = 100
_MOST = 0.9  # correlation of neighbours that is believed


@dataclass(frozen=True, eq=False)
class WeightedFit:
    """A fit by weighted least squares.

    Attributes
    ----------
    b : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        With what neighbours have in common.
    fitted : ndarray, shape (n,)
    weight : ndarray, shape (n,)
        1 / (v + tau^2).
    scatter : float
        tau, one sd.
    neighbours : float
        Correlation of what is left with the next, in 0 .. 0.9.
    """

    b: Floats
    covariance: Floats
    fitted: Floats
    weight: Floats
    scatter: float
    neighbours: float


def weighted_fit(y: Floats, sd: Floats, X: Floats) -> WeightedFit:
    """Fit values over time.

    Parameters
    ----------
    y, sd : ndarray, shape (n,)
        In the order of time; sd above 0.
    X : ndarray, shape (n, p)
        Of full rank.

    Examples
    --------
    >>> fit = weighted_fit(np.array([1.0, 2.0, 3.0, 2.0]), np.full(4, 0.1), np.ones((4, 1)))
    >>> fit.b.tolist(), round(fit.scatter, 3)
    ([2.0], 0.81)
    """
    v, dof = sd**2, y.size - X.shape[1]

    def solved(tau2: float) -> tuple[Floats, float]:
        root = 1.0 / np.sqrt(v + tau2)
        b = np.asarray(np.linalg.lstsq(X * root[:, None], y * root, rcond=None)[0], float)
        return b, float((((y - X @ b) * root) ** 2).sum())

    tau2 = 0.0
    b, squares = solved(0.0)
    if dof > 0 and squares > dof:
        low, tau2 = 0.0, float(((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2).sum()) / dof
        for _ in range(_ROUNDS):
            middle = 0.5 * (low + tau2)
            low, tau2 = (middle, tau2) if solved(middle)[1] > dof else (low, middle)
        b, _ = solved(tau2)
    weight = 1.0 / (v + tau2)
    fitted = X @ b
    r = _neighbours((y - fitted) * np.sqrt(weight), dof)
    inverse = np.asarray(np.linalg.inv((X.T * weight) @ X), float)
    covariance = inverse * (1.0 + r) / (1.0 - r)
    return WeightedFit(b, covariance, fitted, weight, tau2**0.5, r)


def _neighbours(z: Floats, dof: int) -> float:
    """Return the correlation of neighbours in what is left, freed of what short series take off."""
    n, whole = z.size, float(z @ z)
    if dof < 8 or whole <= 0.0:
        return 0.0
    r = float(z[1:] @ z[:-1]) / whole
    r += (1.0 + 3.0 * r + 2.0 * (n - dof)) / n
    # below what chance makes of independent values it is taken as none
    return float(np.clip(r, 0.0, _MOST)) if r > 1.645 / n**0.5 else 0.0
