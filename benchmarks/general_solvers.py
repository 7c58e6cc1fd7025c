"""General solvers on a balance problem: the whole problem as it stands, from raw arrays.

The optional ones need casadi (IPOPT) and cvxpy (Clarabel).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sparse
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from oretally.flowsheet import BalanceProblem

__all__ = [
    "GENERAL",
    "Answer",
    "Ipopt",
    "Scaled",
    "convex_steps",
    "ipopt",
    "ipopt_batch",
    "slsqp",
    "trust_constr",
    "whole_newton",
]

Floats = NDArray[np.float64]
Answer = tuple[float, int, float]  # objective, iterations, largest residual of the balances


@dataclass(frozen=True)
class Scaled:
    """The problem in units of 1: flows by the largest, grades by the largest of each analyte."""

    A: Any
    F: Floats
    sF: Floats
    X: Floats
    sX: Floats
    unit_F: float
    unit_X: Floats
    tie: NDArray[np.intp]  # carriers of one number have one grade

    @classmethod
    def of(cls, p: BalanceProblem) -> Scaled:
        f, g = float(np.nanmax(p.flow)), np.nanmax(p.grade, axis=1, keepdims=True)
        A = sparse.csr_matrix(p.flow_balance)
        return cls(A, p.flow / f, p.flow_sd / f, p.grade / g, p.grade_sd / g, f, g, p.tie)

    @property
    def analyte_rows(self) -> Any:
        """The balances that say more of the analytes than the ties do."""
        rows = [np.unique(self.tie[self.A[i].indices]).size > 1 for i in range(self.A.shape[0])]
        return self.A[np.flatnonzero(rows)]

    def start(self, F: Floats, X: Floats) -> Floats:
        """Return where every solver starts: measured, elsewhere the mean of what is measured."""
        F = np.where(np.isfinite(F), F, np.nanmean(F))
        X = np.where(np.isfinite(X), X, np.nanmean(X, axis=1, keepdims=True))
        return np.concatenate([F, X.ravel()])

    def stacked(self) -> tuple[Floats, Floats]:
        """Return all measured values and all sd, flows first, then one analyte after another."""
        return (
            np.concatenate([self.F, self.X.ravel()]),
            np.concatenate([self.sF, self.sX.ravel()]),
        )


class Ipopt:
    """The problem written for IPOPT, the measured values being parameters.

    As matrices (MX): from 12 x 3 on as fast to build as scalars (SX), at 2000 x 20 ten times
    faster. The adaptive barrier needs a third of the steps of the default one, and unlike it
    solves every incomplete case. Tied grades are one variable.
    """

    options = {
        "print_time": 0,
        "ipopt.print_level": 0,
        "ipopt.sb": "yes",
        "ipopt.tol": 1e-10,
        "ipopt.mu_strategy": "adaptive",
    }

    def __init__(self, s: Scaled) -> None:
        import casadi as ca

        K, n = s.X.shape
        self.analytes = K
        measured, sd = s.stacked()
        self.seen = np.flatnonzero(np.isfinite(measured))
        tied, self.first, group = np.unique(s.tie, return_index=True, return_inverse=True)
        z, target = ca.MX.sym("z", n + K * tied.size), ca.MX.sym("target", self.seen.size)
        A, B = (ca.DM(sparse.csc_matrix(rows)) for rows in (s.A, s.analyte_rows))
        F, X = z[:n], ca.reshape(z[n:], tied.size, K)
        if tied.size < n:
            X = X[group.tolist(), :]
        adjusted = ca.vertcat(F, ca.vec(X))
        if self.seen.size < measured.size:
            adjusted = adjusted[self.seen.tolist()]
        balances = ca.vertcat(ca.mtimes(A, F), ca.vec(ca.mtimes(B, X * ca.repmat(F, 1, K))))
        problem = {
            "x": z,
            "p": target,
            "f": ca.sumsqr((adjusted - target) / sd[self.seen]),
            "g": balances,
        }
        self.solver = ca.nlpsol("balance", "ipopt", problem, self.options)

    def __call__(self, start: Floats, measured: Floats) -> Answer:
        n = start.size // (1 + self.analytes)
        start = np.concatenate([start[:n], start[n:].reshape(-1, n)[:, self.first].ravel()])
        found = self.solver(x0=start, p=measured[self.seen], lbx=0, lbg=0, ubg=0)
        gap = float(np.abs(np.asarray(found["g"])).max())
        stats = self.solver.stats()
        good = stats["return_status"] in ("Solve_Succeeded", "Solved_To_Acceptable_Level")
        return (float(found["f"]) if good else np.nan), int(stats["iter_count"]), gap


def ipopt(p: BalanceProblem) -> Answer:
    s = Scaled.of(p)
    return Ipopt(s)(s.start(s.F, s.X), s.stacked()[0])


def ipopt_batch(p: BalanceProblem, flows: Floats, grades: Floats) -> Answer:
    """One survey after another; the model is built once."""
    s = Scaled.of(p)
    run = Ipopt(s)
    answers = []
    for F, X in zip(flows / s.unit_F, grades / s.unit_X, strict=True):
        answers.append(run(s.start(F, X), np.concatenate([F, X.ravel()])))
    value, steps, gap = zip(*answers, strict=True)
    return sum(value), max(steps), max(gap)


class Whole:
    """All flows and grades as one vector z, sparse derivatives."""

    def __init__(self, p: BalanceProblem) -> None:
        self.s = s = Scaled.of(p)
        self.K, self.n = s.X.shape
        self.A = s.A
        self.m = s.A.shape[0]
        self.z0 = s.start(s.F, s.X)
        target, sd = s.stacked()
        self.w = np.where(np.isfinite(target), 1.0 / sd**2, 0.0)
        self.target = np.where(np.isfinite(target), target, 0.0)

    def f(self, z: Floats) -> float:
        return float(np.sum(self.w * (z - self.target) ** 2))

    def gradient(self, z: Floats) -> Floats:
        return 2.0 * self.w * (z - self.target)

    def c(self, z: Floats) -> Floats:
        F, x = z[: self.n], z[self.n :].reshape(self.K, self.n)
        return np.concatenate([self.A @ F, (self.A @ (F * x).T).T.ravel()])

    def J(self, z: Floats) -> Any:
        F, x = z[: self.n], z[self.n :].reshape(self.K, self.n)
        by_flow = sparse.vstack([self.A, *(self.A.multiply(row) for row in x)])
        by_grade = sparse.block_diag([self.A.multiply(F)] * self.K)
        return sparse.hstack(
            [by_flow, sparse.vstack([sparse.csr_matrix((self.m, self.K * self.n)), by_grade])]
        ).tocsr()

    def curvature(self, v: Floats) -> Any:
        pull = np.vstack([v[self.m * (k + 1) : self.m * (k + 2)] @ self.A for k in range(self.K)])
        off = sparse.hstack([sparse.diags(row) for row in pull])
        return sparse.bmat([[None, off], [off.T, sparse.csr_matrix((self.K * self.n,) * 2)]])


def slsqp(p: BalanceProblem) -> Answer:
    from scipy.optimize import minimize

    w = Whole(p)
    unit = np.where(w.w > 0.0, w.w, np.median(w.w[w.w > 0.0])) ** -0.5  # steps in units of the sd
    found: Any = minimize(
        lambda v: w.f(w.z0 + unit * v), np.zeros(w.z0.size), method="SLSQP",
        jac=lambda v: unit * w.gradient(w.z0 + unit * v),
        constraints=[{"type": "eq", "fun": lambda v: w.c(w.z0 + unit * v),
                      "jac": lambda v: w.J(w.z0 + unit * v).toarray() * unit}],
        options={"ftol": 1e-12, "maxiter": 1000},
    )  # fmt: skip
    gap = float(np.abs(w.c(w.z0 + unit * found.x)).max())
    return float(found.fun), int(found.nit), gap


def trust_constr(p: BalanceProblem) -> Answer:
    from scipy.optimize import NonlinearConstraint, minimize

    w = Whole(p)
    H = sparse.diags(2.0 * w.w)
    bound: Any = NonlinearConstraint(w.c, 0.0, 0.0, jac=w.J, hess=lambda z, v: w.curvature(v))
    found: Any = minimize(
        w.f, w.z0, jac=w.gradient, hess=lambda z: H, method="trust-constr", constraints=[bound],
        options={"gtol": 1e-9, "xtol": 1e-12, "maxiter": 2000},
    )  # fmt: skip
    return float(found.fun), int(found.nit), float(np.abs(w.c(found.x)).max())


def convex_steps(p: BalanceProblem) -> Answer:
    """Sequential convex programming: the bilinear terms linearised, each step a QP (Clarabel)."""
    import cvxpy as cp

    w = Whole(p)
    root, z = np.sqrt(w.w), w.z0.copy()
    step = cp.Variable(z.size)
    last = np.inf
    for iteration in range(1, 60):
        ask = cp.Problem(
            cp.Minimize(cp.sum_squares(cp.multiply(root, z + step - w.target))),
            [w.J(z) @ step == -w.c(z), z + step >= 0],
        )
        ask.solve(solver=cp.CLARABEL)
        z = z + np.asarray(step.value)
        value = w.f(z)
        if abs(value - last) <= 1e-9 * (1.0 + value) and np.abs(w.c(z)).max() < 1e-9:
            return value, iteration, float(np.abs(w.c(z)).max())
        last = value
    return np.nan, iteration, 0.0


def whole_newton(p: BalanceProblem) -> Answer:
    """Newton's method on the whole sparse KKT system, no bounds, no safeguards."""
    w = Whole(p)
    z, v = w.z0.copy(), np.zeros(w.c(w.z0).size)
    tiny = 1e-10 * sparse.eye(z.size)
    for iteration in range(1, 60):
        J, c = w.J(z), w.c(z)
        H = sparse.diags(2.0 * w.w) + w.curvature(v) + tiny
        K = sparse.bmat([[H, J.T], [J, -1e-14 * sparse.eye(c.size)]]).tocsc()
        move = splu(K).solve(-np.concatenate([w.gradient(z) + J.T @ v, c]))
        z, v = z + move[: z.size], v + move[z.size :]
        if np.abs(move[: z.size]).max() < 1e-10:
            return w.f(z), iteration, float(np.abs(w.c(z)).max())
    return np.nan, iteration, 0.0


GENERAL: dict[str, Callable[[BalanceProblem], Answer]] = {
    "ipopt": ipopt,
    "slsqp": slsqp,
    "trust-constr": trust_constr,
    "cvxpy": convex_steps,
    "kkt newton": whole_newton,
}
