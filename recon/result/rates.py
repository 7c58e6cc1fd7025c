"""Rows of curves fitted against time: rate, plateau, how well they are known, which curve holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.result.estimate import Estimate

__all__ = ["DOUBTED", "RateFit", "RateModel", "RateParameter"]

DOUBTED = 0.05
"""Chance of a larger chi-square below which a curve is said not to hold."""


class RateModel(StrEnum):
    """A curve of what was recovered, or extracted, against time.

    First order with a plateau: R = P (1 - exp(-k t)). Rectangular distribution of rates, all from
    0 to k alike: R = P (1 - (1 - exp(-k t)) / (k t)). Two components, the fast share f of the
    whole W: R = W (f (1 - exp(-a t)) + (1 - f) (1 - exp(-b t))). Sources:
    `oretally.recon.kinetics.rate_models`.
    """

    FIRST_ORDER = "first order with a plateau"
    RECTANGULAR = "rectangular distribution of rates"
    TWO_COMPONENTS = "two components, fast and slow"

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its parameters, in the order of all arrays."""
        if self is RateModel.TWO_COMPONENTS:
            return ("fast share", "fast rate", "slow rate")
        return ("plateau", "rate")


@dataclass(frozen=True, slots=True)
class RateParameter:
    """One parameter of a curve.

    Attributes
    ----------
    value : float
        A rate per unit of the times that were given, a plateau in the unit of the values, a share
        of 1.
    sd : float or None
        One standard deviation by the stated errors, to first order. None where the parameter
        stands at a bound, or the values do not determine it.
    low, high : float or None
        Between which the parameter lies with 95 %: where chi-square rises by 3.84 at most. None
        where that was not asked for, where there is no such end, or the end is a bound.
    """

    value: float
    sd: float | None
    low: float | None = None
    high: float | None = None

    @property
    def estimate(self) -> Estimate | None:
        """Value and sd, if both are known."""
        return None if self.sd is None else (self.value, self.sd)


@dataclass(frozen=True, eq=False)
class RateFit:
    """A curve fitted to values against time, n of them.

    Attributes
    ----------
    model : RateModel
    time, value : ndarray, shape (n,)
        As they were given, in order of time.
    whole : float
        Above which no plateau is; inf without such a bound.
    parameters : mapping of str to RateParameter
        By the names of the model. Where ``reason`` is not empty, read it before any of them.
    covariance : ndarray, shape (p, p)
        Of the parameters; NaN for one without an sd.
    slopes : ndarray, shape (p, n)
        Change of each parameter with each value, to first order; NaN for one without an sd.
    fitted : ndarray, shape (n,)
        The curve at the times.
    chi_square : float
        Weighted sum of squares of the residuals.
    dof : int
        Independent values less parameters fitted.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None without dof.
    aicc : float or None
        Akaike's criterion for few values: the smaller, the better. None where the values are too
        few for it, at most two more than there are parameters less one.
    reason : str
        Why a parameter is not known, or empty; in words, a whole sentence.
    determined : bool
        Whether plateau and rate, or the three parameters, may be read at all.
    """

    model: RateModel
    time: Floats
    value: Floats
    whole: float
    parameters: Mapping[str, RateParameter]
    covariance: Floats
    slopes: Floats
    fitted: Floats
    chi_square: float
    dof: int
    p: float | None
    aicc: float | None
    reason: str = ""
    determined: bool = True

    @property
    def residual(self) -> Floats:
        """Values less the curve, shape (n,)."""
        return np.asarray(self.value - self.fitted)

    @property
    def correlation(self) -> Floats:
        """Correlations of the parameters, shape (p, p); NaN for one without an sd."""
        sd = np.sqrt(np.diag(self.covariance))
        return np.asarray(self.covariance / np.outer(sd, sd))

    @property
    def holds(self) -> bool | None:
        """Whether chance explains the residuals at 5 %; None where nothing can tell."""
        return None if self.p is None else self.p >= DOUBTED
