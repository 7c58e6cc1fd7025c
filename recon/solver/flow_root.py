"""Roots of the covariance of the flows: what is seen, and what bounds on grades leave open.

With the notation of `oretally.recon.solver.covariance`, the flows have a root R, R R' = Cov(F), as
long as every value at a bound stays there. A grade that its bound holds may as well be inside: of
the normal distribution that the stated errors leave of it without the bound, the part inside is
what is known. Let d be how far each such grade is inside, w how far it can be, p the push of its
bound (the derivative of half the objective), W_b the weights of those that were measured, C_b the
columns of C that d has. To first order, at the balance as it is, that part has the density, and all
else follows d as adjusted values follow a grade held elsewhere::

    exp(-p'd - d'K d / 2), 0 <= d <= w      K = W_b + C_b'N S^-1 N'C_b - A'A
    dF = -R A d                             A = R'E'N S^-1 N'C_b

The estimate stays at the bound, so that second moments about it count, E[d d']: the covariance of
the held, and what these add. Where the bound of one grade just begins to hold (p = 0) this is the
covariance without the bound. A flow at its bound stays there.

References
----------
JCGM 101:2008, 6.4.7 and 8: a known bound is part of the knowledge, as of
`oretally.recon.solver.bound_limits`. A normal distribution in parts, given some of its components:
T.W. Anderson, An Introduction to Multivariate Statistical Analysis, 3rd ed. (2003), 2.5. Cited from
memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import cut_second_moments
from oretally.recon.reduction import BestGrades
from oretally.recon.solution import Solution
from oretally.recon.solver.grade_response import GradeResponse

__all__ = ["bound_columns", "flow_root", "seen_root"]

_FAINT = 1e-10  # curvature of a direction that may be unseen, against the largest
_IDLE = 1e-6  # push of a bound that holds nothing
_ROUNDING = 1e-12  # of the largest: what no measurement sees
_UNSEEN = 1e-20  # squares below this share of the largest are rounding: of grades far out, too


def bound_columns(
    grades: Sequence[BestGrades], root: Floats
) -> tuple[Floats, Mapping[int, Floats]]:
    """Return what grades at their bounds, which may be inside, add to the roots of all values.

    Parameters
    ----------
    grades : sequence of BestGrades
        With the bounds that push a grade and no others.
    root : ndarray, shape (n_carriers, n_seen)
        Of the covariance of the flows with all of them held; all scaled.

    Returns
    -------
    ndarray, shape (n_carriers, n_bounds)
        Columns of the flows, each mostly of one such grade: those of the first analyte that has
        any go first, and so on, in the order of their groups.
    mapping of int to ndarray, shape (n_groups, n_bounds)
        Changes of the held grades that go with them, by analyte: those that have any.
    """
    at, pushes, widths = list[tuple[int, int, float]](), list[Floats](), list[Floats]()
    inner, along = list[Floats](), list[Floats]()
    for k, g in enumerate(grades):
        C = g.pattern.C
        wide = (g.problem.upper > g.problem.lower) & (C != 0.0).any(axis=0)
        held = np.flatnonzero((g.at_lower | g.at_upper) & wide)
        if not held.size:
            continue
        sign = np.where(g.at_lower[held], 1.0, -1.0)
        misfit = g.problem.weight * (g.x - g.problem.target)
        pushes.append(np.maximum(sign * (misfit + C.T @ g.lam)[held], 0.0))
        widths.append(g.problem.upper[held] - g.problem.lower[held])
        ours = g.S.root(g.pattern.reduced(C[:, held] * sign))
        inner.append(ours.T @ ours + np.diag(g.problem.weight[held]))
        along.append(g.S.root(g.pattern.reduced(g.problem.rows.of_flows(g.x, root))).T @ ours)
        at += [(k, int(j), float(s)) for j, s in zip(held, sign, strict=True)]
    if not at:
        return np.zeros((len(root), 0)), {}
    A, alone = np.hstack(along), scipy.linalg.block_diag(*inner)
    # the root leaves out what rounding made negative
    root_K = _symmetric_root(alone - A.T @ A, np.sqrt(np.diag(alone)))
    square = cut_second_moments(np.concatenate(pushes), root_K @ root_K.T, np.concatenate(widths))
    half = _symmetric_root(square, np.sqrt(np.diag(square)))
    changes = {k: np.zeros((grades[k].x.size, len(at))) for k, _, _ in at}
    for (k, j, s), row in zip(at, half, strict=True):
        changes[k][j] = s * row
    return -root @ (A @ half), changes


def _symmetric_root(square: Floats, unit: Floats) -> Floats:
    """Return R with R R' a semidefinite matrix, symmetric in these units: row i mostly column i."""
    unit = np.where(unit > 0.0, unit, 1.0)
    values, vectors = scipy.linalg.eigh(square / np.outer(unit, unit))
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    return np.asarray(unit[:, None] * root)


def flow_root(
    solution: Solution, responses: Sequence[tuple[list[int], GradeResponse]]
) -> tuple[Floats, Floats]:
    """Return a root of Cov(F) = Z (Z'HZ)^-1 Z', scaled, over what is seen; and what is unseen."""
    Z = solution.reduced.basis.Z
    at_bound = _pushed(solution)
    held = Z[at_bound]
    unseen = solution.classes.unobservable_flows
    if len(held):
        Z = Z @ scipy.linalg.null_space(held, rcond=1e-12)
        unseen = -unseen  # a bound may hold what no measurement sees
    if not Z.shape[1]:
        return np.zeros((len(Z), 0)), np.zeros((len(Z), 0))
    if not solution.grades and not len(held):
        return _linear_root(Z, solution.reduced.flow_weight), np.zeros((len(Z), 0))
    Hu = Z.T @ (solution.reduced.flow_weight[:, None] * Z)
    for _, response in responses:
        Hu = Hu + response.gauss_newton(Z)
    root, blind = (np.asarray(Z @ part) for part in _seen_and_unseen(Hu, unseen))
    root[at_bound] = 0.0  # held: what is left there is rounding
    size = np.sqrt((blind**2).sum(axis=0))
    return root, blind / np.where(size > 0.0, size, 1.0)


def _linear_root(Z: Floats, weight: Floats) -> Floats:
    """Return a root of Z (Z'WZ)^-1 Z' over what is seen, without squares; units do not matter."""
    rows = np.sqrt(weight[weight > 0.0])[:, None] * Z[weight > 0.0]
    size = np.sqrt((rows**2).sum(axis=0))
    least = _ROUNDING * np.sqrt((Z**2).sum(axis=0)) * float(np.sqrt(weight.max(initial=0.0)))
    unit = 1.0 / np.where(size > least, size, np.inf)
    _, s, V = np.linalg.svd(rows * unit, full_matrices=False)
    seen = s > _ROUNDING * s.max(initial=0.0)
    return np.asarray(Z @ (unit[:, None] * V[seen].T / s[seen]))


def _pushed(solution: Solution) -> Bools:
    """Return the flows that a bound holds: one that nothing determines may lie there by itself."""
    at_bound = solution.flow_at_bound
    idle = at_bound & ~solution.classes.flow_determined
    if not idle.any():
        return at_bound
    reduced = solution.reduced
    slope = reduced.flow_weight * (solution.flow / reduced.flow_scale - reduced.flow)
    terms = np.abs(slope)
    for grades in solution.grades:
        own = grades.gradient()
        slope, terms = slope + own, terms + np.abs(own)
    Z = reduced.basis.Z
    push = np.linalg.lstsq(Z[at_bound].T, Z.T @ slope, rcond=1e-12)[0]
    held = at_bound.copy()
    held[at_bound] = push > _IDLE * (1.0 + terms.max(initial=0.0))
    return at_bound & (held | ~idle)


def seen_root(H: Floats, unobservable: int) -> Floats:
    """Return R with R R' = H^-1 over the directions that are seen, shape (n, n_seen).

    Parameters
    ----------
    H : ndarray, shape (n, n)
        Semidefinite.
    unobservable : int
        Directions known to be unseen, whatever the rounding of H; if negative, so many at most.
    """
    return _seen_and_unseen(H, unobservable)[0]


def _seen_and_unseen(H: Floats, unobservable: int) -> tuple[Floats, Floats]:
    """Return `seen_root`, and the directions that are not seen, shape (n, n_unseen)."""
    if not len(H):
        return np.zeros((0, 0)), np.zeros((0, 0))
    square = np.diag(H)
    least = _UNSEEN * float(square.max()) if unobservable else 0.0
    d = np.where(square > least, square, 1.0) ** -0.5
    values, vectors = scipy.linalg.eigh(H * d[:, None] * d)
    seen = values > 1e-13 * values.max()
    some = slice(0, min(abs(unobservable), seen.size))
    seen[some] = (values[some] > _FAINT * values.max()) if unobservable < 0 else False
    directions = d[:, None] * vectors
    return np.asarray(directions[:, seen] / np.sqrt(values[seen])), directions[:, ~seen]
