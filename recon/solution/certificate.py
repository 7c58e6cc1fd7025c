"""Whether a balance is a minimum of the problem as it was stated, however it was found.

All flows, all grades and all sources of error are unknowns, every product is a product: nothing is
taken from the search. With residuals r in sd, balances g, their derivatives J, multipliers l and
z >= 0 of bounds that hold::

    imbalance        |g| against what passes the node
    stationarity     |r' R + l' J - z| against the terms of its sum
    complementarity  a bound that holds against the pull of all else
    fall             of |r|^2 by one Gauss-Newton step: min |r + R d|^2, J d = 0, d >= 0 where a
                     bound is met
    scale            factor t that makes sum (t a - b)^2 / s^2 least, adjusted a, measured b: flows
                     that no exact value fixes may all grow alike, so that it is 1 at a minimum
    curvature        directions along the balances in which the objective bends down

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), theorems 12.1 and 12.5, section
16.2. Cited from memory. The check of the scale is Euler's theorem for functions that are
homogeneous of degree one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.linalg
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.result import STATIONARY, Certificate
from oretally.recon.solution.balance_check import BalanceCheck
from oretally.recon.solution.stated_problem import StatedProblem, stated_at

__all__ = ["certify"]


_AT_BOUND = 1e-10  # of the size of a value
_DAMPING, _DUAL_DAMPING = 1e-8, 1e-12  # of unknowns and balances, scaled
_BENT = 1e-4  # curvature, scaled, that counts as none: rounding hides less
_BENT_DUAL = 1e-10  # damping of the balances that goes with it
_REFINED, _ROUNDS, _SOLVED = 1e-14, 4, 1e-9  # of a linear system
_DUAL_MOST = 1e-8  # damping of the balances, beyond which factors are dense
_DENSE, _DENSE_LINEAR = 160, 1500  # unknowns and balances, up to which factors are dense
_RANK = 1e-12  # of the largest pivot: balances that depend on others
_CHANGES = 25  # of the set of bounds that hold


def certify(problem: BalanceProblem, flow: Floats, grade: Floats) -> Certificate:
    """Examine a balance.

    Parameters
    ----------
    problem : BalanceProblem
    flow : ndarray, shape (n_carriers,)
    grade : ndarray, shape (n_analytes, n_carriers)
        NaN for a stream that carries nothing.
    """
    if not np.isfinite(flow).all():
        return Certificate(np.inf, np.inf, np.inf, np.inf, np.nan, 0)
    filled = np.where(np.isfinite(grade), grade, 0.0)
    largest = BalanceCheck(problem).largest(flow[:, None], filled.T[:, :, None])
    imbalance, scale = float(largest[0]), _scale(problem, flow)
    stated = stated_at(problem, flow, grade)
    try:
        stationarity, complementarity, fall, multiplier, system = _bounded_step(stated)
        bends_down = _bends_down(stated, multiplier, system)
    except np.linalg.LinAlgError:  # sizes so far apart that nothing can be said
        return Certificate(imbalance, np.inf, np.inf, np.inf, scale, 0)
    share = fall / (1.0 + stated.objective)
    return Certificate(imbalance, stationarity, complementarity, share, scale, bends_down)


class _Augmented:
    """Matrices [H + d, J'; J, -e] over unknowns that no bound holds, scaled.

    All have one pattern, whose order of elimination takes longer to find than the factors
    themselves: it is found once.
    """

    def __init__(self, s: StatedProblem, free: Bools) -> None:
        self.at = np.flatnonzero(free)
        self.J: Any = s.jacobian[:, self.at]
        m, n_rows = self.at.size, s.n_rows
        place = np.full(free.size, -1)
        place[self.at] = np.arange(m)
        row, column = (place[end] for end in s.curvature_ends)
        self._bent = (row >= 0) & (column >= 0)
        sides, self._sides = self.J.tocoo(), self.J.data
        every = np.arange(m + n_rows)
        self._ends = (
            np.concatenate([every, row[self._bent], sides.col]),
            np.concatenate([every, column[self._bent], m + sides.row]),
        )
        self._solver: Any = None

    def factor(
        self, w: Floats, bend: Floats | None = None, *, damping: float, dual: float
    ) -> tuple[float, Any]:
        """Return a factor with H of a diagonal and of second derivatives, and the damping it took.

        Balances that depend on one another, and unknowns that nothing determines, can leave a pivot
        of exactly 0.
        """
        import qdldl

        inner = np.zeros(int(self._bent.sum())) if bend is None else bend[self._bent]
        size = w.size + self.J.shape[0]
        while True:
            own = np.full(self.J.shape[0], -dual)
            entries = np.concatenate([w + damping, own, inner, self._sides])
            K = sparse.csc_matrix((entries, self._ends), shape=(size, size))
            try:
                if self._solver is None:
                    self._solver = qdldl.Solver(K, upper=True)
                else:
                    self._solver.update(K, upper=True)
                return damping, self._solver
            except RuntimeError:
                damping, dual = 3.0 * damping, 10.0 * dual
                if dual > 1.0:
                    raise np.linalg.LinAlgError from None

    def solved(self, g: Floats, W: Floats, dual: float = _DUAL_DAMPING) -> tuple[Floats, Floats]:
        """Return the Gauss-Newton step, shape (n,), and the multipliers; scaled."""
        w, m = W[self.at], self.at.size
        damping, solver = self.factor(w, damping=_DAMPING, dual=dual)
        right = np.concatenate([-g[self.at], np.zeros(self.J.shape[0])])
        found = solver.solve(right)
        JT, w = self.J.T.tocsr(), w + damping
        most = np.abs(right).max(initial=0.0)
        for _ in range(_ROUNDS):
            d, multiplier = found[:m], found[m:]
            rest = right - np.concatenate([w * d + JT @ multiplier, self.J @ d])
            left = np.abs(rest).max(initial=0.0)
            if left <= _REFINED * most:
                break
            found = found + solver.solve(rest)
        if not left <= _SOLVED * most:  # balances that all but depend on one another
            if dual < _DUAL_MOST:
                return self.solved(g, W, 1e3 * dual)
            return self.solved_dense(g, W)
        step = np.zeros(g.size)
        step[self.at] = found[:m]
        return step, found[m:]

    def solved_dense(self, g: Floats, W: Floats) -> tuple[Floats, Floats]:
        """Return the same by orthogonal factors: r projected on what the balances leave free."""
        at, J = self.at, self.J.toarray()
        N = _along(J)
        root = np.sqrt(W[at])
        residual = g[at] / np.where(root > 0.0, root, 1.0)
        step = np.zeros(g.size)
        if N.shape[1]:
            # what no measurement sees stays
            step[at] = N @ np.linalg.lstsq(root[:, None] * N, -residual, rcond=1e-13)[0]
        slope = g + W * step
        multiplier = np.linalg.lstsq(J.T, -slope[at], rcond=1e-13)[0]
        return step, multiplier


def _bounded_step(s: StatedProblem) -> tuple[float, float, float, Floats, _Augmented]:
    """Return stationarity, complementarity, fall, multipliers and the system of what is free.

    The bounded quadratic problem by its active set: bounds that hold at the point are let go where
    they pull the wrong way, and taken up again where the step would cross them.
    """
    g, W, J = s.gradient * s.size, s.weight * s.size**2, s.jacobian
    low = s.unknown & (s.below <= _AT_BOUND * s.size)
    high = s.unknown & (s.above <= _AT_BOUND * s.size)
    held_low, held_high = low.copy(), high.copy()
    JT = J.T.tocsr()
    absolute = abs(JT)
    for _ in range(_CHANGES):
        free = s.unknown & ~held_low & ~held_high
        system = _Augmented(s, free)
        solve = system.solved_dense if _is_small(s) else system.solved
        step, multiplier = solve(g, W)
        push = g + JT @ multiplier
        terms = np.abs(g) + absolute @ np.abs(multiplier)
        slack = STATIONARY * (1.0 + terms)
        release = (held_low & (push < -slack)) | (held_high & (push > slack))
        release &= ~(low & high)
        below = free & low & (step < -_AT_BOUND)
        above = free & high & (step > _AT_BOUND)
        wrong = float((np.abs(push) / (1.0 + terms))[release].max(initial=0.0))
        if not (release.any() or below.any() or above.any()):
            break
        held_low, held_high = (held_low & ~release) | below, (held_high & ~release) | above
    fall = -(2.0 * float(g @ step) + float(step @ (W * step)))
    rest = np.where(free, push, 0.0)
    stationarity = float((np.abs(rest) / (1.0 + terms)).max(initial=0.0))
    return stationarity, wrong, max(fall, 0.0), multiplier, system


def _is_small(s: StatedProblem) -> bool:
    """Tell whether dense orthogonal factors are affordable: they are exact where columns differ."""
    most = _DENSE_LINEAR if not s.products[0].size else _DENSE
    return s.y.size + s.n_rows <= most


def _along(J: Floats) -> Floats:
    """Return an orthonormal basis of the directions that keep the balances, shape (n, n_free)."""
    rows = np.sqrt((J**2).sum(axis=1))
    Q, R, _ = scipy.linalg.qr((J / np.where(rows > 0.0, rows, 1.0)[:, None]).T, pivoting=True)
    pivots = np.abs(np.diag(R))
    return np.asarray(Q[:, int((pivots > _RANK * pivots.max(initial=0.0)).sum()) :])


def _bends_down(s: StatedProblem, multiplier: Floats, system: _Augmented) -> int:
    """Return the number of directions of negative curvature along the balances."""
    if not s.products[0].size:
        return 0
    at, bend, w = system.at, s.curvature(multiplier), s.weight * s.size**2
    if _is_small(s):
        N = _along(system.J.toarray())
        upper = sparse.coo_array((bend, s.curvature_ends), shape=(s.y.size,) * 2).toarray()
        whole = (upper + upper.T)[np.ix_(at, at)] + np.diag(w[at])
        return int((np.linalg.eigvalsh(N.T @ whole @ N) < -_BENT).sum())
    _, solver = system.factor(w[at], bend, damping=_BENT, dual=_BENT_DUAL)
    return max(0, at.size - int((solver.factors()[1] > 0.0).sum()))


def _scale(problem: BalanceProblem, flow: Floats) -> float:
    """Return the factor on flows furthest from 1, over parts whose scale nothing exact fixes."""
    n, A = problem.n_carriers, problem.flow_balance
    linked = [A, *(B for B, _ in problem.alike)]
    if len(problem.proportion):
        rows = np.repeat(np.arange(len(problem.proportion)), 4)
        alike = (np.ones(rows.size), (rows, problem.proportion.ravel()))
        linked.append(sparse.csr_array(alike, shape=(len(problem.proportion), n)))
    incidence = sparse.vstack(linked, format="csr")
    blocks: Any = [[None, incidence], [incidence.T, None]]
    graph: Any = sparse.bmat(blocks, format="csr")
    part = connected_components(graph, directed=False)[1][incidence.shape[0] :]
    source = np.zeros(incidence.shape[0])
    source[: A.shape[0]] = problem.flow_source != 0.0
    fixed = (problem.flow_sd == 0.0) & (problem.flow != 0.0)
    fixed |= abs(incidence).T @ source > 0.0
    # what may not be less does not shrink with the others
    fixed |= (problem.flow_lower > 0.0) & (flow <= (1.0 + _AT_BOUND) * problem.flow_lower)
    seen = problem.flow_sd > 0.0
    n_parts = int(part.max(initial=-1)) + 1
    w = np.where(seen, np.where(seen, problem.flow_sd, 1.0) ** -2.0, 0.0)
    bottom = np.bincount(part, w * flow**2, n_parts)
    top = np.bincount(part, w * flow * np.nan_to_num(problem.flow), n_parts)
    meant = np.bincount(part, seen & (problem.flow > 0.0), n_parts) > 0.0
    factor = np.where(bottom > 0.0, top / np.where(bottom > 0.0, bottom, 1.0),
                      np.where(meant, np.inf, 1.0))  # fmt: skip
    factor[part[fixed]] = 1.0
    return float(factor[np.argmax(np.abs(factor - 1.0))]) if n_parts else 1.0
