"""A small convex quadratic problem with equality constraints and bounds.

Used where a plain linear solve meets a bound: a flow or a grade that would turn negative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Bools, Floats

__all__ = ["BoundedMinimum", "bounded_minimum"]


_MAX_STEPS = 80
_GAP = 1e-13  # complementarity, relative to the size of the objective's gradient
_TINY = 1e-200  # keeps a distance that rounding made zero from dividing
_TO_BOUNDARY = 0.995  # share of the longest step that keeps the iterate inside its bounds


@dataclass(frozen=True, slots=True)
class BoundedMinimum:
    """Minimum of a bounded quadratic problem.

    Attributes
    ----------
    x : ndarray, shape (n,)
    multiplier : ndarray, shape (m,)
        y in  H x + g + A'y - z_lower + z_upper = 0.
    at_lower, at_upper : ndarray of bool, shape (n,)
        Bounds that hold x: the multiplier outweighs the distance.
    converged : bool
    """

    x: Floats
    multiplier: Floats
    at_lower: Bools
    at_upper: Bools
    converged: bool


def bounded_minimum(
    H: Floats, g: Floats, A: Floats, b: Floats, *, lower: Floats, upper: Floats
) -> BoundedMinimum:
    """Minimise 1/2 x'Hx + g'x subject to A x = b, lower <= x <= upper.

    Parameters
    ----------
    H : ndarray, shape (n, n)
        Positive semidefinite on the null space of A.
    g : ndarray, shape (n,)
    A : ndarray, shape (m, n)
        Rows may depend on one another if they agree.
    b : ndarray, shape (m,)
    lower, upper : ndarray, shape (n,)
        Bounds, -inf or inf where there is none.

    Returns
    -------
    BoundedMinimum

    Notes
    -----
    Primal-dual interior point with Mehrotra's predictor and corrector. Where several points are
    equally good it ends near the analytic centre of them.

    References
    ----------
    S. Mehrotra, On the implementation of a primal-dual interior point method, SIAM Journal on
    Optimization 2 (1992) 575-601; J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed.
    (2006), section 16.6.
    """
    with np.errstate(all="ignore"):  # what is not finite ends the iteration
        return _iterate(H, g, A, b, lower, upper)


def _iterate(
    H: Floats, g: Floats, A: Floats, b: Floats, lower: Floats, upper: Floats
) -> BoundedMinimum:
    has_lower, has_upper = np.isfinite(lower), np.isfinite(upper)
    x = _inside(lower, upper)
    y = np.zeros(len(b))
    size = max(1.0, float(np.abs(g).max(initial=0.0)), float(np.abs(H).max(initial=0.0)))
    z_lower = np.where(has_lower, size, 0.0)
    z_upper = np.where(has_upper, size, 0.0)
    pairs = max(int(has_lower.sum() + has_upper.sum()), 1)
    converged = False
    for _ in range(_MAX_STEPS):
        gap_lower = np.where(has_lower, np.maximum(x - lower, _TINY), 1.0)
        gap_upper = np.where(has_upper, np.maximum(upper - x, _TINY), 1.0)
        residual_dual = H @ x + g + A.T @ y - z_lower + z_upper
        residual_primal = A @ x - b
        mu = float(z_lower @ gap_lower + z_upper @ gap_upper) / pairs
        scale_primal = 1.0 + float(np.abs(A * x).sum(axis=1).max(initial=0.0))
        if (
            mu <= _GAP * size
            and np.abs(residual_dual).max(initial=0.0) <= 1e-11 * size
            and np.abs(residual_primal).max(initial=0.0) <= 1e-12 * scale_primal
        ):
            converged = True
            break
        state = _State(
            _Newton(H + np.diag(z_lower / gap_lower + z_upper / gap_upper), A),
            (has_lower, has_upper), (gap_lower, gap_upper), (z_lower, z_upper),
            (residual_dual, residual_primal),
        )  # fmt: skip
        none = np.zeros_like(x)
        dx, dy, dz_lower, dz_upper = state.direction(none, none)
        reach = min(
            _longest(gap_lower, dx, has_lower), _longest(gap_upper, -dx, has_upper),
            _longest(z_lower, dz_lower, has_lower), _longest(z_upper, dz_upper, has_upper),
        )  # fmt: skip
        ahead = float(
            ((gap_lower + reach * dx) * (z_lower + reach * dz_lower))[has_lower].sum()
            + ((gap_upper - reach * dx) * (z_upper + reach * dz_upper))[has_upper].sum()
        )
        centre = mu * (ahead / pairs / mu) ** 3 if mu > 0.0 else 0.0
        dx, dy, dz_lower, dz_upper = state.direction(centre - dx * dz_lower, centre + dx * dz_upper)
        step = min(
            _longest(gap_lower, dx, has_lower), _longest(gap_upper, -dx, has_upper),
            _longest(z_lower, dz_lower, has_lower), _longest(z_upper, dz_upper, has_upper),
        )  # fmt: skip
        step = min(1.0, _TO_BOUNDARY * step)
        if not np.isfinite(dx).all() or step < 1e-14:
            break
        x, y = x + step * dx, y + step * dy
        z_lower, z_upper = z_lower + step * dz_lower, z_upper + step * dz_upper
    return BoundedMinimum(
        x=x,
        multiplier=y,
        at_lower=has_lower & (z_lower / size > x - lower),
        at_upper=has_upper & (z_upper / size > upper - x),
        converged=converged,
    )


def _inside(lower: Floats, upper: Floats) -> Floats:
    """Return a point well inside the bounds."""
    both = np.isfinite(lower) & np.isfinite(upper)
    middle = np.where(both, 0.5 * (lower + upper), 0.0)
    above = np.where(np.isfinite(lower), lower + 1.0, 0.0)
    below = np.where(np.isfinite(upper), upper - 1.0, 0.0)
    return np.where(both, middle, np.where(np.isfinite(lower), above, below))


def _longest(value: Floats, change: Floats, mask: Bools) -> float:
    """Return the longest step at most 1/0.995 that keeps value + step * change >= 0."""
    falling = mask & (change < 0.0)
    if not falling.any():
        return 1.0 / _TO_BOUNDARY
    return min(1.0 / _TO_BOUNDARY, float((-value[falling] / change[falling]).min()))


class _Newton:
    """Factor of [[H, A'], [A, -delta]]; delta keeps dependent rows from making it singular."""

    def __init__(self, H: Floats, A: Floats) -> None:
        n, m = len(H), len(A)
        K = np.zeros((n + m, n + m))
        K[:n, :n], K[:n, n:], K[n:, :n] = H, A.T, A
        # Ruiz scaling, three passes: barrier terms span many decades
        self.scale = np.ones(n + m)
        for _ in range(3):
            largest = np.abs(K * self.scale[:, None] * self.scale).max(axis=1)
            self.scale /= np.sqrt(np.where(largest > 0.0, largest, 1.0))
        self.n = n
        self.exact = K * self.scale[:, None] * self.scale
        shifted = self.exact.copy()
        shift = np.r_[np.full(n, 1e-13), np.full(m, -1e-13)]
        shifted[np.diag_indices(n + m)] += shift
        self.factor = scipy.linalg.lu_factor(shifted, check_finite=False)

    def __call__(self, top: Floats, bottom: Floats) -> tuple[Floats, Floats]:
        """Solve, with two steps of iterative refinement against the unshifted matrix."""
        right = np.r_[top, bottom] * self.scale
        solution = scipy.linalg.lu_solve(self.factor, right, check_finite=False)
        for _ in range(2):
            rest = right - self.exact @ solution
            solution = solution + scipy.linalg.lu_solve(self.factor, rest, check_finite=False)
        solution = solution * self.scale
        return solution[: self.n], solution[self.n :]


@dataclass(frozen=True, slots=True)
class _State:
    """One iterate: what a step is computed from; pairs are (lower, upper)."""

    newton: _Newton
    has: tuple[Bools, Bools]
    gaps: tuple[Floats, Floats]
    duals: tuple[Floats, Floats]
    residuals: tuple[Floats, Floats]

    def direction(
        self, target_lower: Floats, target_upper: Floats
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Return dx, dy, dz_lower, dz_upper that make each gap * multiplier equal to its target."""
        push_lower = np.where(self.has[0], target_lower / self.gaps[0], 0.0) - self.duals[0]
        push_upper = np.where(self.has[1], target_upper / self.gaps[1], 0.0) - self.duals[1]
        dual, primal = self.residuals
        dx, dy = self.newton(-dual + push_lower - push_upper, -primal)
        return (
            dx,
            dy,
            np.where(self.has[0], push_lower - self.duals[0] / self.gaps[0] * dx, 0.0),
            np.where(self.has[1], push_upper + self.duals[1] / self.gaps[1] * dx, 0.0),
        )
