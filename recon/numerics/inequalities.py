"""A convex quadratic problem with many more inequalities than unknowns.

`oretally.recon.numerics.bounded_quadratic` takes each inequality as an unknown with a bound and a
row of its own;
here they are eliminated, so that what is factorised is as large as the unknowns are many.
"""

from __future__ import annotations

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Floats

__all__ = ["minimum_within"]


_MAX_STEPS = 80
_GAP = 1e-10  # complementarity, relative to the size of the objective's gradient
_STUCK = 0.9  # share of the complementarity that may be left by a step
_SLOPE = 1e-6  # of the rest of the gradient, relative to its size: first guesses need no more
_SHIFT = 1e-14  # of a diagonal of 1: at the end z/s span more decades than numbers have
_TO_BOUNDARY = 0.995  # share of the longest step that keeps the iterate inside its bounds


def minimum_within(H: Floats, g: Floats, B: Floats, c: Floats) -> Floats | None:
    """Minimise 1/2 u'Hu + g'u subject to B u >= c.

    Parameters
    ----------
    H : ndarray, shape (n, n)
        Positive definite, but for rounding.
    g : ndarray, shape (n,)
    B : ndarray, shape (m, n)
    c : ndarray, shape (m,)

    Returns
    -------
    ndarray, shape (n,), or None
        None if the iteration did not end well.

    Notes
    -----
    Primal-dual interior point with Mehrotra's predictor and corrector, on slacks s = B u - c and
    multipliers z. With both eliminated a step solves::

        (H + B' diag(z/s) B) du = -r_dual + B' ((target - z r_primal) / s)

    Examples
    --------
    >>> u = minimum_within(np.eye(2), np.array([1.0, -1.0]), np.eye(2), np.zeros(2))
    >>> u.round(6) + 0.0
    array([0., 1.])

    References
    ----------
    S. Mehrotra, On the implementation of a primal-dual interior point method, SIAM Journal on
    Optimization 2 (1992) 575-601; J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed.
    (2006), section 16.6.
    """
    with np.errstate(all="ignore"):  # what is not finite ends the iteration
        return _iterate(H, g, B, c)


def _iterate(H: Floats, g: Floats, B: Floats, c: Floats) -> Floats | None:
    m, u = len(c), np.zeros(len(g))
    size = max(1.0, float(np.abs(g).max(initial=0.0)), float(np.abs(H).max(initial=0.0)))
    s, z, before = np.ones(m), np.full(m, size), np.inf
    for _ in range(_MAX_STEPS):
        dual, primal = H @ u + g - B.T @ z, B @ u - c - s
        mu = float(s @ z) / m
        near = np.abs(primal).max() <= 1e-12 * (1.0 + float(np.abs(c).max()))
        if mu <= _GAP * size and near and np.abs(dual).max() <= _SLOPE * size:
            return u
        try:
            newton = _Newton(H, B, s, z, (dual, primal))
        except (np.linalg.LinAlgError, ValueError):  # no factor: not definite, or not finite
            return None
        _, ds, dz = newton.step(-s * z)
        reach = min(_longest(s, ds), _longest(z, dz), 1.0)
        ahead = float((s + reach * ds) @ (z + reach * dz)) / m
        target = mu * (ahead / mu) ** 3 - ds * dz
        if mu > _STUCK * before:  # the second-order term makes it go in circles
            target = np.full(m, 0.5 * mu)
        before = mu
        du, ds, dz = newton.step(target - s * z)
        length = min(1.0, _TO_BOUNDARY * min(_longest(s, ds), _longest(z, dz)))
        if not np.isfinite(du).all() or length < 1e-14:
            return None
        u, s, z = u + length * du, s + length * ds, z + length * dz
    return None


class _Newton:
    """One round: the factor that predictor and corrector share."""

    def __init__(
        self, H: Floats, B: Floats, s: Floats, z: Floats, residuals: tuple[Floats, Floats]
    ) -> None:
        self.B, self.s, self.z = B, s, z
        self.dual, self.primal = residuals
        M = H + (B.T * (z / s)) @ B
        self.d = np.diag(M) ** -0.5
        scaled = M * self.d[:, None] * self.d
        scaled[np.diag_indices(len(scaled))] += _SHIFT
        self.factor = scipy.linalg.cho_factor(scaled)

    def step(self, target: Floats) -> tuple[Floats, Floats, Floats]:
        """Return du, ds, dz that bring each slack times its multiplier to it plus ``target``."""
        right = self.B.T @ ((target - self.z * self.primal) / self.s) - self.dual
        du = self.d * scipy.linalg.cho_solve(self.factor, self.d * right)
        ds = self.B @ du + self.primal
        return du, ds, (target - self.z * ds) / self.s


def _longest(value: Floats, change: Floats) -> float:
    """Return the longest step, 1 / 0.995 at most, that keeps value + step * change >= 0."""
    falling = change < 0.0
    if not falling.any():
        return 1.0 / _TO_BOUNDARY
    return min(1.0 / _TO_BOUNDARY, float((-value[falling] / change[falling]).min()))
