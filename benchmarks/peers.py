"""The balance against general solvers, from the same arrays, in one run: ratios, not seconds.

    python benchmarks/peers.py [--quick] [--json FILE]

Each measurement runs in a process of its own: the best of a few repeats, model building included,
and the process's peak memory. Every solver must reach the same objective within 1e-6, or its time
does not count. The optional solvers are those installed: casadi (IPOPT), cvxpy (Clarabel), scipy.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.sparse as sparse
from circuits import chain
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from oretally.flowsheet import BalanceProblem

Floats = NDArray[np.float64]
Answer = tuple[float, int, float]  # objective, iterations, largest residual of the balances

CASES: list[tuple[str, dict[str, Any]]] = [
    ("3 x 1", {"n_streams": 3, "n_analytes": 1}),
    ("12 x 3", {"n_streams": 12, "n_analytes": 3}),
    ("60 x 20", {"n_streams": 60, "n_analytes": 20}),
    ("60 x 20, incomplete", {"n_streams": 60, "n_analytes": 20, "flows_missing": 0.5,
                             "grades_missing": 0.3}),
    ("300 x 100", {"n_streams": 300, "n_analytes": 100}),
    ("300 x 100, incomplete", {"n_streams": 300, "n_analytes": 100, "flows_missing": 0.5,
                               "grades_missing": 0.3}),
]  # fmt: skip
CLOSED = 1e-7  # flows and grades are of the order of 1
LARGEST = {"slsqp": 500, "trust-constr": 500, "cvxpy": 2000}  # unknowns beyond which it is hopeless


@dataclass(frozen=True)
class Scaled:
    """The problem in units of 1: flows by the largest, grades by the largest of each analyte."""

    A: Floats
    F: Floats
    sF: Floats
    X: Floats
    sX: Floats
    start_F: Floats
    start_X: Floats

    @classmethod
    def of(cls, p: BalanceProblem) -> Scaled:
        f, g = float(np.nanmax(p.flow)), np.nanmax(p.grade, axis=1, keepdims=True)
        F, X = p.flow / f, p.grade / g
        # a start that every solver gets: measured values, elsewhere the mean of what is measured
        start_F = np.where(np.isfinite(F), F, np.nanmean(F))
        start_X = np.where(np.isfinite(X), X, np.nanmean(X, axis=1, keepdims=True))
        return cls(p.flow_balance, F, p.flow_sd / f, X, p.grade_sd / g, start_F, start_X)


def ours(p: BalanceProblem) -> Answer:
    from oretally.recon.solver import solve

    found = solve(p)
    value = found.objective if found.converged else np.nan
    return value, found.iterations, found.max_imbalance


def ipopt(p: BalanceProblem) -> Answer:
    import casadi as ca

    s = Scaled.of(p)
    K, n = s.X.shape
    F, x = ca.SX.sym("F", n), [ca.SX.sym(f"x{k}", n) for k in range(K)]
    A = ca.DM(sparse.csc_matrix(s.A))
    seen = np.flatnonzero(np.isfinite(s.F))
    objective = ca.sumsqr((F[seen.tolist()] - s.F[seen]) / s.sF[seen])
    constraints = [ca.mtimes(A, F)]
    for k in range(K):
        seen = np.flatnonzero(np.isfinite(s.X[k]))
        objective += ca.sumsqr((x[k][seen.tolist()] - s.X[k, seen]) / s.sX[k, seen])
        constraints.append(ca.mtimes(A, F * x[k]))
    options = {"ipopt.print_level": 0, "print_time": 0, "ipopt.tol": 1e-10, "ipopt.sb": "yes"}
    problem = {"x": ca.vertcat(F, *x), "f": objective, "g": ca.vertcat(*constraints)}
    solver = ca.nlpsol("balance", "ipopt", problem, options)
    found = solver(x0=np.concatenate([s.start_F, s.start_X.ravel()]), lbx=0, lbg=0, ubg=0)
    gap = float(np.abs(np.asarray(found["g"])).max())
    return float(found["f"]), int(solver.stats()["iter_count"]), gap


class Whole:
    """All flows and grades as one vector z, sparse derivatives."""

    def __init__(self, p: BalanceProblem) -> None:
        self.s = s = Scaled.of(p)
        self.K, self.n = s.X.shape
        self.A = sparse.csr_matrix(s.A)
        self.m = s.A.shape[0]
        self.z0 = np.concatenate([s.start_F, s.start_X.ravel()])
        target = np.concatenate([s.F, s.X.ravel()])
        sd = np.concatenate([s.sF, s.sX.ravel()])
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
    return np.nan, iteration, np.nan


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
    return np.nan, iteration, np.nan


PEERS: dict[str, Callable[[BalanceProblem], Answer]] = {
    "oretally": ours, "ipopt": ipopt, "slsqp": slsqp, "trust-constr": trust_constr,
    "cvxpy": convex_steps, "kkt newton": whole_newton,
}  # fmt: skip


@dataclass(frozen=True)
class Result:
    """One measurement."""

    case: str
    peer: str
    seconds: float | None
    objective: float | None
    iterations: int | None
    peak_mib: float | None
    said: str = ""


def measure(case: str, make: dict[str, Any], peer: str, repeats: int) -> Result:
    """Time a peer; runs in a process of its own."""
    problem = chain(**make)
    try:
        best, answer = np.inf, (np.nan, 0, np.nan)
        for _ in range(repeats + 1):  # the first one warms up
            start = time.perf_counter()
            answer = PEERS[peer](problem)
            best = min(best, time.perf_counter() - start)
    except Exception as error:  # a peer that fails is a row, not the end of the run
        return Result(case, peer, None, None, None, None, f"{type(error).__name__}: {error}"[:60])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    value, steps, gap = answer
    if not gap <= CLOSED:
        return Result(case, peer, best, None, steps, peak, f"balances open by {gap:.0e}")
    return Result(case, peer, best, value, steps, peak)


def _child(queue: Any, *arguments: Any) -> None:
    queue.put(measure(*arguments))


def apart(case: str, make: dict[str, Any], peer: str, repeats: int, limit: float) -> Result:
    """Run `measure` in a new process, at most ``limit`` seconds."""
    context = multiprocessing.get_context("spawn")
    queue = context.Queue()
    child = context.Process(target=_child, args=(queue, case, make, peer, repeats))
    child.start()
    try:
        found: Result = queue.get(timeout=limit)
    except Exception:  # the queue's Empty
        child.kill()
        found = Result(case, peer, None, None, None, None, f"more than {limit:.0f} s")
    child.join()
    return found


def main() -> None:
    """Measure everything, check the objectives, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small cases, one repeat")
    parser.add_argument("--large", action="store_true", help="300 x 100 too")
    parser.add_argument("--limit", type=float, default=120.0, help="seconds for one measurement")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    cases, repeats = (CASES[:2], 1) if asked.quick else (CASES if asked.large else CASES[:4], 3)
    rows: list[Result] = []
    print(f"{'case':24}{'solver':14}{'time/ipopt':>11}{'seconds':>10}{'steps':>7}{'MiB':>7}")
    for case, make in cases:
        unknowns = make["n_streams"] * (1 + make["n_analytes"])
        found = [
            apart(case, make, peer, repeats if unknowns < 2000 else 1, asked.limit)
            for peer in PEERS
            if unknowns <= LARGEST.get(peer, sys.maxsize)
        ]
        rows += found
        values = [r.objective for r in found if r.objective is not None]
        best = min((v for v in values if np.isfinite(v)), default=np.nan)
        base = next((r.seconds for r in found if r.peer == "ipopt"), None)
        for r in found:
            same = r.objective is not None and abs(r.objective - best) <= 1e-6 * (1.0 + abs(best))
            ratio = f"{r.seconds / base:.3f}" if same and r.seconds and base else "-"
            why = r.said or ("" if same else f"objective {r.objective} against {best:.9g}")
            print(
                f"{case:24}{r.peer:14}{ratio:>11}{r.seconds or np.nan:>10.4f}"
                f"{r.iterations or 0:>7}{r.peak_mib or np.nan:>7.0f}  {why}",
                flush=True,
            )
    if asked.json:
        asked.json.write_text(json.dumps([asdict(r) for r in rows], indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
