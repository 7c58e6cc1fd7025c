"""An independent optimiser for balance problems: IPOPT on all flows and grades at once.

Nothing is eliminated, many starts; each result is put exactly into balance before it counts, so
that a small stream cannot gain from a large one's tolerance.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem

Floats = NDArray[np.float64]

FEASIBLE = 1e-8  # the same for the other optimiser
SAME = 1e-6  # objectives closer than this, relative and absolute, are equal
FINITE = 1e6  # an optimum with flows beyond this many times the largest measured is none


def imbalance(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the largest residual of all balances, as a share of what passes the node.

    Where next to nothing of an analyte passes, a millionth of what the analyte's largest grade
    would carry through the node takes its place.
    """
    A = problem.flow_balance.toarray()
    passing = 0.5 * np.abs(A) @ flow
    worst = _share(np.abs(A @ flow), passing)
    for B, x in zip((b.toarray() for b in problem.analyte_balance), grade, strict=True):
        carried = np.where(flow > 0.0, flow * x, 0.0)
        least = 1e-6 * float(np.nanmax(x, initial=0.0)) * passing
        worst = max(
            worst, _share(np.abs(B @ carried), np.maximum(0.5 * np.abs(B) @ carried, least))
        )
    return worst


def _share(part: Floats, whole: Floats) -> float:
    return float((part / np.where(whole > 0.0, whole, 1.0)).max(initial=0.0))


def objective(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the sum of squared adjustments in sd units.

    A stopped stream has its tied streams' grade; with none of them running, what fits them best.
    """
    total = float(np.nansum(((flow - problem.flow) / problem.flow_sd) ** 2))
    for x, measured, sd in zip(grade, problem.grade, problem.grade_sd, strict=True):
        whole = x.copy()
        for label in np.unique(problem.tie[np.isnan(x)]):
            members = np.flatnonzero(problem.tie == label)
            known = members[~np.isnan(x[members])]
            seen = members[~np.isnan(measured[members])]
            if known.size:
                whole[members] = x[known[0]]
            elif seen.size:
                weight = sd[seen] ** -2.0
                whole[members] = np.clip(weight @ measured[seen] / weight.sum(), 0.0, 1.0)
        total += float(np.nansum(((whole - measured) / sd) ** 2))
    return total


@dataclass(frozen=True)
class Rival:
    """What the independent optimiser found.

    Attributes
    ----------
    objective : float or None
        The least of the results in balance; None without one.
    largest_flow : float
        In units of the largest measured flow.
    feasible, succeeded : int
        Starts that ended in balance, and those of them at which IPOPT claims an optimum.
    agreeing : int
        Starts that reached the best objective.
    said : str
        IPOPT's last word at the best result, or its words if there is none.
    """

    objective: float | None
    largest_flow: float
    feasible: int
    succeeded: int
    agreeing: int
    said: str

    @property
    def finite(self) -> bool:
        """Whether there is an optimum with finite flows."""
        return self.objective is not None and self.largest_flow < FINITE


class WholeProblem:
    """All flows and grades as one vector of unknowns; tied grades are one unknown.

    Flows in units of the largest measured one, each analyte's grades in units of its largest.
    """

    def __init__(self, problem: BalanceProblem) -> None:
        self.p = p = problem
        self.f = float(np.nanmax(p.flow))
        self.g = np.nanmax(p.grade, axis=1, keepdims=True)
        self.n, self.K = p.n_carriers, p.n_analytes
        labels, self.member = np.unique(p.tie, return_inverse=True)
        self.m = labels.size
        upper = np.array([[row[p.tie == t].min() for t in labels] for row in p.grade_upper])
        self.upper = np.concatenate([np.full(self.n, np.inf), (upper / self.g).ravel()])

    def split(self, z: Floats) -> tuple[Floats, Floats]:
        """Return flows and grades in the units of the problem."""
        x = z[self.n :].reshape(self.K, self.m)[:, self.member]
        return z[: self.n] * self.f, x * self.g

    def first_start(self) -> Floats:
        """Measured values, elsewhere the mean of what is measured."""
        F = self.p.flow / self.f
        x = np.full((self.K, self.m), np.nan)
        for i in range(self.m):
            seen = self.p.grade[:, self.member == i] / self.g
            some = np.isfinite(seen).any(axis=1)
            x[some, i] = np.nanmean(seen[some], axis=1)
        x = np.where(np.isfinite(x), x, np.nanmean(self.p.grade / self.g, axis=1, keepdims=True))
        return np.concatenate([np.where(np.isfinite(F), F, np.nanmean(F)), x.ravel()])

    def in_balance(self, z: Floats) -> Floats:
        """Return the point by the smallest relative changes that close the balances."""
        A = self.p.flow_balance.toarray()
        z = np.clip(z, 0.0, self.upper)
        for _ in range(6):
            F, x = z[: self.n], z[self.n :].reshape(self.K, self.m)
            passing = np.maximum(0.5 * np.abs(A) @ F, 1e-300)[:, None]
            rows, residual = [np.hstack([A * F / passing, np.zeros((len(A), self.K * self.m))])], []
            residual.append(A @ F / passing[:, 0])
            for k, B in enumerate(b.toarray() for b in self.p.analyte_balance):
                terms = B * (F * x[k, self.member])
                size = np.maximum(0.5 * np.abs(terms).sum(axis=1, keepdims=True), 1e-9 * passing)
                row = np.zeros((len(B), z.size))
                row[:, : self.n] = terms / size
                by_grade = np.zeros((len(B), self.m))
                np.add.at(by_grade.T, self.member, (terms / size).T)
                start = self.n + k * self.m
                row[:, start : start + self.m] = by_grade
                rows.append(row)
                residual.append(terms.sum(axis=1) / size[:, 0])
            c = np.concatenate(residual)
            if np.abs(c).max() < 1e-13:
                break
            change = np.linalg.lstsq(np.vstack(rows), -c, rcond=1e-13)[0]
            z = z * np.maximum(1.0 + change, 0.1)
        return z


def rival(problem: BalanceProblem, starts: int, seed: int = 0) -> Rival:
    """Return the best that IPOPT finds from so many starts."""
    import casadi as ca

    w = WholeProblem(problem)
    F, x = ca.SX.sym("F", w.n), [ca.SX.sym(f"x{k}", w.m) for k in range(w.K)]
    A = ca.DM(problem.flow_balance.toarray())
    A = ca.sparsify(A)
    seen = np.flatnonzero(np.isfinite(problem.flow))
    cost = ca.sumsqr((F[seen.tolist()] * w.f - problem.flow[seen]) / problem.flow_sd[seen])
    balances = [ca.mtimes(A, F)]
    for k in range(w.K):
        seen = np.flatnonzero(np.isfinite(problem.grade[k]))
        whole = x[k][w.member.tolist()]
        off = whole[seen.tolist()] * float(w.g[k, 0]) - problem.grade[k, seen]
        cost += ca.sumsqr(off / problem.grade_sd[k, seen])
        balances.append(ca.mtimes(A, F * whole))
    options: dict[str, Any] = {
        "ipopt.print_level": 0,
        "ipopt.sb": "yes",
        "print_time": False,
        "show_eval_warnings": False,
        "ipopt.tol": 1e-10,
        "ipopt.constr_viol_tol": 1e-12,
        "ipopt.bound_relax_factor": 0.0,
        "ipopt.max_iter": 400,
    }
    program = {"x": ca.vertcat(F, *x), "f": cost, "g": ca.vertcat(*balances)}
    solver = ca.nlpsol("balance", "ipopt", program, options)
    rng = np.random.default_rng([seed, 8])
    first = w.first_start()
    found: list[tuple[float, float, bool, str]] = []
    words: Counter[str] = Counter()
    for start in range(starts):
        spread = 0.0 if start == 0 else 0.3 if start % 2 else 1.0
        z0 = np.minimum(first * rng.lognormal(0.0, spread, first.size), w.upper)
        result = solver(x0=z0, lbx=0.0, ubx=w.upper, lbg=0.0, ubg=0.0)
        said = str(solver.stats()["return_status"])
        words[said] += 1
        z = np.asarray(result["x"], dtype=float).ravel()
        if not np.isfinite(z).all():
            continue
        z = w.in_balance(z)
        if imbalance(problem, *w.split(z)) <= FEASIBLE and (z <= w.upper * (1.0 + FEASIBLE)).all():
            succeeded = said in ("Solve_Succeeded", "Solved_To_Acceptable_Level")
            value = objective(problem, *w.split(z))
            found.append((value, float(z[: w.n].max()), succeeded, said))
    if not found:
        return Rival(None, np.inf, 0, 0, 0, ", ".join(f"{n} {said}" for said, n in words.items()))
    best = min(found)
    return Rival(
        best[0],
        best[1],
        len(found),
        sum(each[2] for each in found),
        sum(each[0] <= best[0] + SAME * (1.0 + best[0]) for each in found),
        best[3],
    )
