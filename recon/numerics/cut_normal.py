"""A normal distribution cut by bounds: second moments about the corner that it is pushed into.

Of what is left of a normal distribution where all 0 <= d <= w, with the density

    exp(-p'd - d'K d / 2)      p the push towards the corner, K the curvature

K may be semidefinite, even 0. One d alone by quadrature over where the density is not all but 0,
which loses no digits however far out the corner lies. Several by expectation propagation: each cut
is replaced by a normal factor such that, with all other factors as they are, mean and variance are
those of the cut itself. Of one d this is exact; of several, sd along any direction came out within
three parts in a hundred of drawn ones, mostly within one, and within a tenth where K sees nothing
of some direction.

References
----------
T.P. Minka, Expectation propagation for approximate Bayesian inference, UAI (2001); J.P. Cunningham,
P. Hennig and S. Lacoste-Julien, arXiv:1111.6832 (2011): of normal distributions cut by planes.
Cited from memory.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Floats

__all__ = ["cut_moments", "cut_second_moments"]

_DEPTH = 40.0  # a density of exp(-40) of the largest is none

_LEAST = 1e-12  # curvature that is rounding, in units in which push and curvature are about 1
_SWEEPS = 100  # a handful will do
_SETTLED = 1e-6  # change of a mean that is none, relative


def cut_moments(push: float, curvature: float, width: float = math.inf) -> tuple[float, float]:
    """Return mean and variance of one d, of density exp(-push d - curvature d^2/2) up to ``width``.

    ``curvature`` is not negative; one of ``push`` and ``curvature`` is positive, or the width
    finite.

    Examples
    --------
    >>> mean, variance = cut_moments(0.0, 4.0)  # half of N(0, 1/2)
    >>> round(mean, 4), round(variance + mean**2, 4)
    (0.3989, 0.25)
    >>> mean, variance = cut_moments(5.0, 0.0)  # an exponential distribution
    >>> round(mean, 9), round(variance, 9)
    (0.2, 0.04)
    >>> mean, variance = cut_moments(0.0, 0.0, 3.0)  # anything up to 3
    >>> round(mean, 9), round(variance, 9)
    (1.5, 0.75)
    """
    if push + curvature * width < 0.0:  # as seen from the other end
        mean, variance = cut_moments(-push - curvature * width, curvature, width)
        return width - mean, variance
    first, last = 0.0, math.inf
    if push < 0.0:
        peak, reach = -push / curvature, (2.0 * _DEPTH / curvature) ** 0.5
        first, last = max(peak - reach, 0.0), peak + reach
    elif push > 0.0 or curvature > 0.0:
        last = 2.0 * _DEPTH / (push + (push**2 + 2.0 * _DEPTH * curvature) ** 0.5)
    last = min(last, width)
    node, share = _legendre()
    d = first + (last - first) * node
    level = -d * (push + 0.5 * curvature * d)
    density = share * np.exp(level - level.max())
    density /= density.sum()
    mean = float(density @ d)
    return mean, float(density @ (d - mean) ** 2)


def cut_second_moments(push: Floats, curvature: Floats, width: Floats) -> Floats:
    """Return E[d d'] of all d, shape (n, n).

    Parameters
    ----------
    push : ndarray, shape (n,)
    curvature : ndarray, shape (n, n)
        Semidefinite.
    width : ndarray, shape (n,)
        Infinite where there is no other end; there d has curvature, or is pushed.
    """
    unit = (np.diag(curvature) + push**2 + width**-2.0) ** -0.5
    p, K, w = push * unit, curvature * np.outer(unit, unit), (width / unit).tolist()
    cut = [_factor(*each) for each in zip(p.tolist(), np.diag(K).tolist(), w, strict=True)]
    sharp, pull = (np.array(part) for part in zip(*cut, strict=True))
    mean = np.zeros(p.size)
    for _ in range(_SWEEPS):
        before = mean
        V = scipy.linalg.inv(K + np.diag(sharp))
        for i, end in enumerate(w):
            own = float(V[i, i])
            left = max(1.0 / own - float(sharp[i]), _LEAST)
            other = float(pull[i]) - float(V[i] @ (pull - p)) / own
            new, pull[i] = _factor(other, left, end)
            more = new - float(sharp[i])
            V -= np.outer(V[i], V[i]) * (more / (1.0 + more * own))
            sharp[i] = new
        mean = V @ (pull - p)
        if np.abs(mean - before).max() <= _SETTLED * np.abs(mean).max():
            break
    return np.asarray((V + np.outer(mean, mean)) * np.outer(unit, unit))


@cache
def _legendre() -> tuple[Floats, Floats]:
    """Return nodes from 0 to 1, as many as make rounding the only error here, and their shares."""
    node, share = np.polynomial.legendre.leggauss(64)
    return 0.5 * (1.0 + node), 0.5 * share


def _factor(push: float, curvature: float, width: float) -> tuple[float, float]:
    """Return curvature and pull of the normal factor that does what cuts do to one d."""
    mean, variance = cut_moments(push, curvature, width)
    sharp = 1.0 / variance
    return max(sharp - curvature, 0.0), mean * sharp + push
