"""Limits of one variance, and the chance of a stated one, by the ratio of likelihoods.

Twice what the log likelihood loses when one component is held is chi-square with one degree of
freedom if the value is true; at 0, the end of what is possible, half of that chance.

References
----------
S.G. Self and K.-Y. Liang, Asymptotic properties of maximum likelihood estimators and likelihood
ratio tests under nonstandard conditions, Journal of the American Statistical Association 82 (1987)
605-610. Cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtrc, ndtri

from oretally.recon.variance_components.restricted_likelihood import (
    Components,
    Contrasts,
    fitted_components,
)

__all__ = ["VarianceLimits", "chance_of_value", "variance_limits"]

_STEP = 1.0  # of the logarithm of a variance
_FAR = 16.0  # of that: beyond it there is no limit
_CLOSE = 1e-3


@dataclass(frozen=True, slots=True)
class VarianceLimits:
    """A variance with its limits; ``high`` may be infinite."""

    value: float
    low: float
    high: float
    confidence: float


def chance_of_value(sets: Sequence[Contrasts], best: Components, k: int, value: float) -> float:
    """Return the chance of what was seen, or stranger, if component k has this variance, above 0.

    ``best`` are the components as they fit best.
    """
    return float(chdtrc(1.0, _loss(sets, best, k, value)))


def variance_limits(
    sets: Sequence[Contrasts], best: Components, k: int, *, confidence: float = 0.95
) -> VarianceLimits:
    """Return the variances of component k that the likelihood ratio does not refuse."""
    limit = float(ndtri(0.5 + confidence / 2.0)) ** 2
    value = float(best.theta[k])

    def beyond(log_value: float) -> float:
        return _loss(sets, best, k, math.exp(log_value)) - limit

    if value > 0.0:
        at = math.log(value)
        low, high = _end(beyond, at, -_STEP), _end(beyond, at, _STEP)
    else:
        at = math.log(float(best.theta.max())) - _FAR
        low, high = 0.0, _end(beyond, at, _STEP)
    return VarianceLimits(value, low, high, confidence)


def _end(beyond: Callable[[float], float], at: float, step: float) -> float:
    """Return where the ratio begins to refuse, going from ``at`` by steps of the logarithm."""
    inside = at
    while abs(inside - at) < _FAR:
        if beyond(inside + step) > 0.0:
            return math.exp(brentq(beyond, inside, inside + step, xtol=_CLOSE))
        inside += step
    return 0.0 if step < 0.0 else math.inf


def _loss(sets: Sequence[Contrasts], best: Components, k: int, value: float) -> float:
    """Return twice what the log likelihood loses with component k held.

    0 where there is a likelier point still: a likelihood of few sets may have several summits, and
    what is likelier than the one given is not refused.
    """
    start = np.where(best.held, best.theta, np.maximum(best.theta, 1e-6 * best.theta.max()))
    start[k] = value
    fixed = best.held | (np.arange(start.size) == k)
    found = fitted_components(sets, start, held=fixed)
    return max(2.0 * (best.log_likelihood - found.log_likelihood), 0.0)
