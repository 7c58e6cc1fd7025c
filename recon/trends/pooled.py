"""Several estimates of one quantity, each with its sd, pooled; they may differ beyond their errors.

y_i = mu + b_i + e_i, e_i ~ N(0, v_i) the stated errors, b_i ~ N(0, tau^2) what one survey truly
differs from the next. With weights w_i = 1 / (v_i + tau^2)::

    mu = sum w_i y_i / sum w_i        variance of mu: 1 / sum w_i
    Paule and Mandel:       sum w_i (y_i - mu)^2 = n - 1
    DerSimonian and Laird:  its first step, from tau^2 = 0
    restricted likelihood:  sum w_i^2 ((y_i - mu)^2 - 1/w_i) + 1 = 0, by Fisher's scoring

References
----------
R.C. Paule and J. Mandel, Journal of Research of the National Bureau of Standards 87 (1982) 377-385.
R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177-188. W. Viechtbauer, Journal of
Educational and Behavioral Statistics 30 (2005) 261-293. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.variance_components import Contrasts, fitted_components

__all__ = ["Between", "Pooled", "pooled"]

_ROUNDS = 200


class Between(StrEnum):
    """How the variance between the estimates is estimated."""

    NONE = "none"
    PAULE_MANDEL = "Paule-Mandel"
    DERSIMONIAN_LAIRD = "DerSimonian-Laird"
    REML = "restricted likelihood"


@dataclass(frozen=True, slots=True)
class Pooled:
    """A mean of estimates.

    Attributes
    ----------
    mean, sd : float
    between : float
        tau, one sd, of what the estimates differ beyond their errors; 0 if they need not.
    heterogeneity : float
        Q: weighted squares about the mean with tau = 0, chi-square with n - 1 degrees of freedom if
        they differ by their errors alone.
    n : int
    """

    mean: float
    sd: float
    between: float
    heterogeneity: float
    n: int


def pooled(y: Floats, sd: Floats, between: Between = Between.PAULE_MANDEL) -> Pooled:
    """Return the mean of estimates of one quantity.

    Parameters
    ----------
    y, sd : ndarray, shape (n,)
        n at least 1; sd above 0.
    between : Between

    Examples
    --------
    >>> found = pooled(np.array([1.0, 2.0, 3.0]), np.full(3, 0.5))
    >>> found.mean, round(found.between**2, 6), round(found.sd**2, 6)
    (2.0, 0.75, 0.333333)
    """
    v = sd**2
    w = 1.0 / v
    mu = float(w @ y / w.sum())
    Q, n = float(w @ (y - mu) ** 2), y.size
    tau2 = 0.0
    if n > 1 and between is Between.PAULE_MANDEL:
        tau2 = _paule_mandel(y, v)
    elif n > 1 and between is Between.DERSIMONIAN_LAIRD:
        tau2 = max(0.0, (Q - (n - 1)) / float(w.sum() - (w**2).sum() / w.sum()))
    elif n > 1 and between is Between.REML:
        tau2 = _restricted(y, sd)
    w = 1.0 / (v + tau2)
    return Pooled(float(w @ y / w.sum()), float(w.sum()) ** -0.5, tau2**0.5, Q, n)


def _paule_mandel(y: Floats, v: Floats) -> float:
    def squares(tau2: float) -> float:
        w = 1.0 / (v + tau2)
        return float(w @ (y - w @ y / w.sum()) ** 2)

    dof = y.size - 1
    if squares(0.0) <= dof:
        return 0.0
    low, high = 0.0, float(((y - y.mean()) ** 2).sum()) / dof
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if squares(middle) > dof else (low, middle)
    return high


def _restricted(y: Floats, sd: Floats) -> float:
    n = y.size
    R = np.hstack((np.diag(sd), np.eye(n)))
    component = np.repeat([0, 1], n)
    start = np.array([1.0, max(float(y.var(ddof=1)), float((sd**2).min()))])
    found = fitted_components(
        [Contrasts(y, R, component, np.ones((n, 1)))], start, held=np.array([True, False])
    )
    return float(found.theta[1])
