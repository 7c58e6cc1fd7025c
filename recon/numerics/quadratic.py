"""A small convex quadratic problem with equations and inequalities, solved by Clarabel.

Used where a plain linear solve meets a bound: a flow or a grade that would turn negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Bools, Floats

if TYPE_CHECKING:
    import clarabel

__all__ = ["QuadraticMinimum", "quadratic_minimum"]


_TOLERANCE = 1e-12  # gap and residuals, relative


@dataclass(frozen=True, slots=True, eq=False)
class QuadraticMinimum:
    """Minimum of a quadratic problem.

    Attributes
    ----------
    x : ndarray, shape (n,)
    multiplier : ndarray, shape (m,)
        y in  H x + g + A'y - B'z = 0.
    held : ndarray of bool, shape (p,)
        Inequalities that hold x: the multiplier z outweighs the distance.
    """

    x: Floats
    multiplier: Floats
    held: Bools


def quadratic_minimum(
    H: Floats, g: Floats, above: tuple[Floats, Floats], *,
    equal: tuple[Floats, Floats] | None = None,
) -> QuadraticMinimum | None:  # fmt: skip
    """Minimise 1/2 x'Hx + g'x subject to B x >= c and A x = b.

    Parameters
    ----------
    H : ndarray, shape (n, n)
        Positive semidefinite.
    g : ndarray, shape (n,)
    above : pair of ndarray, shape (p, n) and (p,)
        B and c.
    equal : pair of ndarray, shape (m, n) and (m,), optional
        A and b; rows may depend on one another if they agree.

    Returns
    -------
    QuadraticMinimum, or None
        None if no point meets the constraints, or none was found that is good to 1e-12.

    Notes
    -----
    Primal-dual interior point. Where several points are equally good it ends near the analytic
    centre of them.

    Examples
    --------
    >>> B, c = np.eye(2), np.zeros(2)
    >>> found = quadratic_minimum(np.eye(2), np.array([1.0, -1.0]), (B, c))
    >>> found.x.round(6) + 0.0, found.held
    (array([0., 1.]), array([ True, False]))
    >>> quadratic_minimum(np.eye(1), np.zeros(1), (np.array([[1.0], [-1.0]]), np.ones(2))) is None
    True

    References
    ----------
    P.J. Goulart and Y. Chen, Clarabel: an interior-point solver for conic programs with quadratic
    objectives, arXiv:2405.12762 (2024).
    """
    import clarabel

    (B, c), (A, b) = above, equal if equal is not None else (np.zeros((0, g.size)), np.zeros(0))
    cones = [clarabel.ZeroConeT(b.size), clarabel.NonnegativeConeT(c.size)]
    found = clarabel.DefaultSolver(
        sparse.csc_matrix(np.triu(H)), g, sparse.csc_matrix(np.vstack([A, -B])), np.r_[b, -c],
        cones, _settings(),
    ).solve()  # fmt: skip
    if found.status != clarabel.SolverStatus.Solved:
        return None
    x, multiplier = np.array(found.x), np.array(found.z)
    size = max(1.0, float(np.abs(g).max(initial=0.0)), float(np.abs(H).max(initial=0.0)))
    return QuadraticMinimum(x, multiplier[: b.size], multiplier[b.size :] / size > B @ x - c)


def _settings() -> clarabel.DefaultSettings:
    """Return settings for dense little problems: no shift but for rounding, all digits."""
    import clarabel

    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.direct_solve_method = "qdldl"  # one thread
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = _TOLERANCE
    # as it comes it shifts by 1e-8 and refines to 1e-13: one problem in twenty then ends short
    settings.static_regularization_constant = 1e-13
    settings.iterative_refinement_reltol = settings.iterative_refinement_abstol = 1e-15
    settings.iterative_refinement_max_iter = 30
    return settings
