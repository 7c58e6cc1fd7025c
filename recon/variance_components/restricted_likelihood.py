"""Variance components by restricted maximum likelihood, from many sets of contrasts.

What was seen in set s, independent of the other sets, is y_s = X_s b + R_s u_s: b common to all
sets and of any size, the entries of u_s independent, entry i with the variance theta of its
component. With V_s = R_s diag(theta) R_s', everything stacked, and

    Q = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1      G_k = dV/dtheta_k

twice the restricted log likelihood, its slopes and its expected curvature (Fisher) are

    2 l = -log det V - log det X'V^-1 X - y'Q y
    dl/dtheta_k = -1/2 (tr Q G_k - y'Q G_k Q y)         F_jk = 1/2 tr(Q G_j Q G_k)

The largest l over theta >= 0 is found by Fisher's scoring, each step the best within the bounds.

References
----------
H.D. Patterson and R. Thompson, Recovery of inter-block information when block sizes are unequal,
Biometrika 58 (1971) 545-554. D.A. Harville, Maximum likelihood approaches to variance component
estimation and to related problems, Journal of the American Statistical Association 72 (1977)
320-338. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy.linalg
from scipy.optimize import nnls

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.numerics import one_thread

__all__ = ["Components", "Contrasts", "fitted_components"]

_ROUNDS = 500
_HALVINGS = 40
_STILL = 1e-13  # gain of the log likelihood that a step still promises
_UNSEEN = 1e-9  # of the curvature: holds directions in place that the likelihood does not see
_CHUNK = 2_000_000  # numbers worked on at once


@dataclass(frozen=True, eq=False)
class Contrasts:
    """What was seen in one set.

    Attributes
    ----------
    y : ndarray, shape (n,)
        No more of them than V_s has rank for.
    R : ndarray, shape (n, m)
        What each error does to them.
    component : ndarray of int, shape (m,)
        The component that each error is of.
    X : ndarray, shape (n, p)
        What the effects of any size do to them.
    """

    y: Floats
    R: Floats
    component: Ints
    X: Floats


@dataclass(frozen=True, eq=False)
class Components:
    """Variances as they fit best.

    Attributes
    ----------
    theta : ndarray, shape (n_components,)
    information : ndarray, shape (n_components, n_components)
        F at ``theta``; its inverse is the covariance of what lies above 0.
    log_likelihood : float
        Restricted, without the constant of 2 pi.
    effects : ndarray, shape (p,)
        b, by generalised least squares.
    effects_covariance : ndarray, shape (p, p)
    held : ndarray of bool, shape (n_components,)
        Components that kept their first value.
    converged : bool
    """

    theta: Floats
    information: Floats
    log_likelihood: float
    effects: Floats
    effects_covariance: Floats
    held: Bools
    converged: bool


class _Stack(NamedTuple):
    """Sets of one shape side by side, shapes (n_sets, ...)."""

    y: Floats
    R: Floats
    component: Ints
    X: Floats


class _At(NamedTuple):
    """All that is known at one theta."""

    log_likelihood: float
    slope: Floats
    information: Floats
    effects: Floats
    covariance: Floats


def fitted_components(
    sets: Sequence[Contrasts], start: Floats, *, held: Bools | None = None
) -> Components:
    """Fit variance components to sets of contrasts.

    Parameters
    ----------
    sets : sequence of Contrasts
    start : ndarray, shape (n_components,)
        Variances to begin with, above 0.
    held : ndarray of bool, shape (n_components,), optional
        Components that keep their first value; by default none.

    Raises
    ------
    ValueError
        If the first variances do not explain what was seen: a contrast has no error at all, or the
        effects cannot be told apart.
    """
    fixed = np.zeros(start.size, dtype=bool) if held is None else held
    with one_thread():
        return _fitted(_stacked(sets), np.array(start, dtype=float), fixed)


def _fitted(stacks: list[_Stack], theta: Floats, held: Bools) -> Components:
    at, converged = _evaluated(stacks, theta), False
    if at is None:
        raise ValueError("contrasts without any error, or effects that cannot be told apart")
    free = ~held
    for _ in range(_ROUNDS):
        step = np.zeros(theta.size)
        step[free] = _scored(at.information[np.ix_(free, free)], at.slope[free], theta[free])
        if at.slope @ step <= _STILL:
            converged = True
            break
        moved = _line_search(stacks, theta, step, at)
        if moved is None:
            converged = bool(at.slope @ step <= 1e-8)  # no digit is left to gain
            break
        theta, at = moved
    return Components(
        theta, at.information, at.log_likelihood, at.effects, at.covariance, held, converged
    )


def _line_search(
    stacks: list[_Stack], theta: Floats, step: Floats, at: _At
) -> tuple[Floats, _At] | None:
    size = 1.0
    for _ in range(_HALVINGS):
        new = np.maximum(theta + size * step, 0.0)  # rounding
        found = _evaluated(stacks, new)
        if found is not None and found.log_likelihood > at.log_likelihood:
            return new, found
        size *= 0.5
    return None


def _scored(F: Floats, slope: Floats, theta: Floats) -> Floats:
    """Return the best step d of Fisher's scoring with theta + d >= 0: max slope'd - d'F d / 2.

    With F = R'R it is nonnegative least squares in theta + d, each component in its own unit.
    """
    if not slope.size:
        return slope
    unit = np.sqrt(np.maximum(np.diag(F), 1e-300))
    R = scipy.linalg.cholesky(F / unit[:, None] / unit + _UNSEEN * np.eye(unit.size))
    right = R @ (theta * unit) + scipy.linalg.solve_triangular(R, slope / unit, trans="T")
    return np.asarray(nnls(R, right)[0] / unit - theta)


def _stacked(sets: Sequence[Contrasts]) -> list[_Stack]:
    alike: dict[tuple[int, int, bytes], list[Contrasts]] = {}
    for each in sets:
        if each.y.size:
            key = each.y.size, each.X.shape[1], each.component.tobytes()
            alike.setdefault(key, []).append(each)
    return [
        _Stack(
            np.array([s.y for s in same]), np.array([s.R for s in same]), same[0].component,
            np.array([s.X for s in same]),
        )
        for same in alike.values()
    ]  # fmt: skip


def _chunks(stacks: list[_Stack]) -> Iterator[_Stack]:
    for s in stacks:
        size = max(1, _CHUNK // (s.R.shape[2] ** 2 + 1))
        for a in range(0, len(s.y), size):
            part = slice(a, a + size)
            yield _Stack(s.y[part], s.R[part], s.component, s.X[part])


def _evaluated(stacks: list[_Stack], theta: Floats) -> _At | None:
    """Return likelihood, slope and curvature; None where V has no inverse, or X no rank."""
    p = stacks[0].X.shape[2] if stacks else 0
    log_det, yVy = 0.0, 0.0
    XVX, XVy = np.zeros((p, p)), np.zeros(p)
    solved = []
    for s in _chunks(stacks):
        V = (s.R * theta[s.component]) @ s.R.transpose(0, 2, 1)
        try:
            L = np.linalg.cholesky(V)
        except np.linalg.LinAlgError:
            return None
        diagonal = np.diagonal(L, axis1=1, axis2=2)
        if (diagonal.min(axis=1) <= 1e-9 * diagonal.max(axis=1)).any():
            return None
        log_det += 2.0 * float(np.log(diagonal).sum())
        both = np.concatenate((s.R, s.X, s.y[:, :, None]), axis=2)
        half = np.linalg.solve(L, both)
        m = s.R.shape[2]
        R, X, y = half[:, :, :m], half[:, :, m:-1], half[:, :, -1]
        yVy += float((y**2).sum())
        XVX += np.einsum("sip,siq->pq", X, X)
        XVy += np.einsum("sip,si->p", X, y)
        solved.append((R, X, y, s.component))
    covariance, b = np.zeros((p, p)), np.zeros(p)
    if p:
        values, vectors = np.linalg.eigh(XVX)
        if values[0] <= 1e-13 * values[-1]:
            return None
        covariance = (vectors / values) @ vectors.T
        b = covariance @ XVy
        log_det += float(np.log(values).sum())
    slope, F = _derivatives(solved, covariance, b, theta.size)
    return _At(-0.5 * (log_det + yVy - float(XVy @ b)), slope, F, b, covariance)


def _derivatives(
    solved: list[tuple[Floats, Floats, Floats, Ints]], C: Floats, b: Floats, n: int
) -> tuple[Floats, Floats]:
    """Return slopes and curvature; R, X and y stand for L^-1 R and so on, V = L L'."""
    p = b.size
    trace, square, F = np.zeros(n), np.zeros(n), np.zeros((n, n))
    A = np.zeros((n, p, p))  # X'V^-1 G_k V^-1 X
    for R, X, y, component in solved:
        member = (component[:, None] == np.arange(n)).astype(float)
        W = R.transpose(0, 2, 1) @ R
        rest = np.einsum("sim,si->sm", R, y - X @ b if p else y)
        square += member.T @ (rest**2).sum(axis=0)
        trace += member.T @ np.einsum("smm->m", W)
        pairs = np.einsum("smn,smn->mn", W, W)
        if p:
            B = R.transpose(0, 2, 1) @ X
            through = B @ C
            # (W - B C B')^2 within a set, without the last square: that is between all sets
            pairs -= 2.0 * np.einsum("smn,smn->mn", W, through @ B.transpose(0, 2, 1))
            trace -= member.T @ np.einsum("smp,smp->m", through, B)
            own = np.einsum("smp,smq->mpq", B, B)
            A += np.einsum("mk,mpq->kpq", member, own)
        F += member.T @ pairs @ member
    if p:
        AC = A @ C
        F += np.einsum("jpq,kqp->jk", AC, AC)
    return -0.5 * (trace - square), 0.5 * F
