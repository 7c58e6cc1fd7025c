"""The balance against optimisers that know nothing of it, on the same problem."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.linalg
import scipy.optimize
from numpy.typing import NDArray
from often import NIGHTLY, often, some
from scipy import sparse

from oretally.flowsheet import BalanceProblem
from oretally.recon.solution import Solution
from oretally.recon.solver import solve

Floats = NDArray[np.float64]
optimise: Any = scipy.optimize  # its stubs refuse what its documentation shows


class WholeProblem:
    """All flows and grades as one vector, all balances as one constraint; scaled, no elimination.

    Ties are written as equations. Written for these tests, from the definition of the problem.
    """

    def __init__(self, problem: BalanceProblem) -> None:
        self.p = problem
        self.n, self.K = problem.n_carriers, problem.n_analytes
        self.fm, self.gm = np.isfinite(problem.flow), np.isfinite(problem.grade)
        self.flow_scale = float(np.nanmax(problem.flow))
        self.grade_scale = np.array([np.nanmax(g) for g in problem.grade])
        ties = []
        for label in np.unique(problem.tie):
            members = np.flatnonzero(problem.tie == label)
            ties += [(members[0], other) for other in members[1:]]
        self.ties = ties

    def split(self, z: Floats) -> tuple[Floats, Floats]:
        F = z[: self.n] * self.flow_scale
        x = z[self.n :].reshape(self.K, self.n) * self.grade_scale[:, None]
        return F, x

    def join(self, F: Floats, x: Floats) -> Floats:
        return np.concatenate([F / self.flow_scale, (x / self.grade_scale[:, None]).ravel()])

    def residuals(self, z: Floats) -> Floats:
        F, x = self.split(z)
        parts = [
            ((F - self.p.flow) / self.p.flow_sd)[self.fm],
            ((x - self.p.grade) / self.p.grade_sd)[self.gm],
        ]
        return np.concatenate(parts)

    def objective(self, z: Floats) -> float:
        return float(np.sum(self.residuals(z) ** 2))

    def gradient(self, z: Floats) -> Floats:
        F, x = self.split(z)
        gF = np.where(self.fm, 2 * (F - self.p.flow) / self.p.flow_sd**2, 0.0)
        gx = np.where(self.gm, 2 * (x - self.p.grade) / self.p.grade_sd**2, 0.0)
        return np.concatenate([gF * self.flow_scale, (gx * self.grade_scale[:, None]).ravel()])

    def constraints(self, z: Floats) -> Floats:
        F, x = self.split(z)
        A = self.p.flow_balance.toarray()
        rows = [A @ F / self.flow_scale]
        for k, B in enumerate(b.toarray() for b in self.p.analyte_balance):
            rows.append(B @ (F * x[k]) / (self.flow_scale * self.grade_scale[k]))
            rows.append(np.array([(x[k, a] - x[k, b]) / self.grade_scale[k]
                                  for a, b in self.ties]))  # fmt: skip
        return np.concatenate(rows)

    def jacobian(self, z: Floats) -> Floats:
        F, x = self.split(z)
        blocks = [
            np.hstack(
                [
                    self.p.flow_balance.toarray(),
                    np.zeros((self.p.flow_balance.shape[0], self.n * self.K)),
                ]
            )
        ]
        for k, B in enumerate(b.toarray() for b in self.p.analyte_balance):
            row = np.zeros((len(B), self.n * (1 + self.K)))
            row[:, : self.n] = B * x[k] / self.grade_scale[k]
            row[:, self.n * (1 + k) : self.n * (2 + k)] = B * F / self.flow_scale
            blocks.append(row)
            tie = np.zeros((len(self.ties), self.n * (1 + self.K)))
            for i, (a, b) in enumerate(self.ties):
                tie[i, self.n * (1 + k) + a], tie[i, self.n * (1 + k) + b] = 1.0, -1.0
            blocks.append(tie)
        return np.vstack(blocks)

    def objective_curvature(self) -> Floats:
        """Return the second derivative of the objective: constant and diagonal."""
        flows = np.where(self.fm, 2.0 * (self.flow_scale / self.p.flow_sd) ** 2, 0.0)
        sizes = self.grade_scale[:, None] / self.p.grade_sd
        grades = np.where(self.gm, 2.0 * sizes**2, 0.0)
        return np.diag(np.concatenate([flows, grades.ravel()]))

    def constraint_curvature(self, keep: NDArray[np.intp], v: Floats) -> Floats:
        """Return the second derivative of v'c: flows times grades, nothing else."""
        size = self.n * (1 + self.K)
        H = np.zeros((size, size))
        weight = np.zeros(self.p.flow_balance.shape[0] + self.K * (
            self.p.analyte_balance[0].shape[0] + len(self.ties)))  # fmt: skip
        weight[keep] = v
        at = self.p.flow_balance.shape[0]
        j = np.arange(self.n)
        for k, B in enumerate(b.toarray() for b in self.p.analyte_balance):
            pull = weight[at : at + len(B)] @ B
            H[j, self.n * (1 + k) + j] = H[self.n * (1 + k) + j, j] = pull
            at += len(B) + len(self.ties)
        return H

    def units(self, flow: Floats, grade: Floats, relative: float) -> Floats:
        """Return the size of a sensible step of each variable: its sd, or what it would be."""
        flows = np.where(self.fm, self.p.flow_sd, relative * flow) / self.flow_scale
        grades = np.where(self.gm, self.p.grade_sd, relative * grade) / self.grade_scale[:, None]
        return np.concatenate([flows, grades.ravel()])

    def independent_rows(self, z: Floats) -> NDArray[np.intp]:
        """Return constraints that do not repeat each other: ties make some balances do so."""
        moved = z * (1.0 + 1e-3 * np.sin(np.arange(z.size)))
        R, order = scipy.linalg.qr(self.jacobian(moved).T, mode="r", pivoting=True)
        rank = int((np.abs(np.diag(R)) > 1e-8).sum())
        return np.sort(order[:rank])

    def minimum(self, flow: Floats, grade: Floats, relative: float) -> Floats:
        """Return the minimum that scipy's SLSQP finds from the true values."""
        z0, unit = self.join(flow, grade), self.units(flow, grade, relative)
        keep = self.independent_rows(z0)
        found = optimise.minimize(
            lambda v: self.objective(z0 + unit * v),
            np.zeros(z0.size),
            jac=lambda v: unit * self.gradient(z0 + unit * v),
            method="SLSQP",
            constraints=[
                {
                    "type": "eq",
                    "fun": lambda v: 10.0 * self.constraints(z0 + unit * v)[keep],
                    "jac": lambda v: 10.0 * self.jacobian(z0 + unit * v)[keep] * unit,
                }
            ],
            options={"ftol": 1e-14, "maxiter": 1000},
        )
        return np.asarray(z0 + unit * found.x)


def _compare(problem: BalanceProblem, true_flow: Floats, true_grade: Floats, sd: float) -> Solution:
    """Assert that ours and the independent minimum agree; return ours."""
    ours = solve(problem)
    assert ours.converged, ours.status
    whole = WholeProblem(problem)
    z = whole.minimum(true_flow, true_grade, sd)
    assert np.abs(whole.constraints(z)).max() < 1e-9
    value = whole.objective(z)
    assert ours.objective == pytest.approx(value, rel=1e-7, abs=1e-9)
    F, x = whole.split(z)
    known = ours.classes
    assert ours.flow[known.flow_determined] == pytest.approx(F[known.flow_determined], rel=1e-6)
    assert ours.grade[known.grade_determined] == pytest.approx(x[known.grade_determined], rel=1e-6)
    return ours


@pytest.mark.parametrize("seed", range(often(40)))
def test_random_circuits_complete_and_incomplete(
    seed: int, random_circuit: Callable[..., Any]
) -> None:
    """Circuits, complete and with a third of the flows, a tenth of the grades missing; SLSQP."""
    made = random_circuit(seed, n_nodes=3 + seed % 5, n_analytes=1 + seed % 3)
    sd = (0.01, 0.03, 0.06)[seed % 3]
    complete = _compare(made.problem(sd), made.flow, made.grade, sd)
    assert complete.classes.degrees_of_freedom > 0
    _compare(made.problem(sd, 0.3, 0.1), made.flow, made.grade, sd)


@pytest.mark.parametrize("seed", some(range(6), 3))
def test_trust_region_method_of_a_library(seed: int, random_circuit: Callable[..., Any]) -> None:
    """scipy's trust-constr, from the true values, ends at the same minimum."""
    made = random_circuit(100 + seed, n_nodes=3, n_analytes=1)
    problem = made.problem(0.03)
    ours, whole = solve(problem), WholeProblem(problem)
    z0 = whole.join(made.flow, made.grade)
    keep = whole.independent_rows(z0)
    found = optimise.minimize(
        whole.objective,
        z0,
        jac=whole.gradient,
        hess=lambda _: whole.objective_curvature(),
        method="trust-constr",
        constraints=[
            optimise.NonlinearConstraint(
                lambda z: whole.constraints(z)[keep],
                0.0,
                0.0,
                jac=lambda z: whole.jacobian(z)[keep],
                hess=lambda _, v: whole.constraint_curvature(keep, v),
            )
        ],
        options={"gtol": 1e-10, "xtol": 1e-13, "maxiter": 3000},
    )
    assert np.abs(whole.constraints(found.x)).max() < 1e-8
    assert ours.objective == pytest.approx(found.fun, rel=1e-6)


def test_flows_that_would_be_negative(linear_problem: Callable[..., BalanceProblem]) -> None:
    """Linear problems with F >= 0 in force, against a quadratic-program solver (Clarabel)."""
    cvxpy: Any = pytest.importorskip("cvxpy")

    held = 0
    for seed in some(range(20), 10):
        rng = np.random.default_rng(seed)
        A = np.zeros((3, 7))
        for node, (into, out) in enumerate((((0, 6), (1, 2)), ((1,), (3, 4)), ((2, 3), (5, 6)))):
            A[node, list(into)], A[node, list(out)] = 1.0, -1.0
        measured = rng.uniform(0.0, 3.0, 7) * (rng.random(7) < 0.8) + 1e-3
        sd = rng.uniform(0.05, 1.0, 7)
        problem = linear_problem(A, np.zeros(3), measured, sd, signed=False)
        ours = solve(problem)
        assert ours.converged
        F = cvxpy.Variable(7)
        asked = cvxpy.Problem(
            cvxpy.Minimize(cvxpy.sum_squares((F - measured) / sd)), [A @ F == 0, F >= 0]
        )
        asked.solve(solver=cvxpy.CLARABEL, tol_gap_abs=1e-12, tol_gap_rel=1e-12, tol_feas=1e-12)
        assert asked.status == "optimal"
        assert ours.objective == pytest.approx(asked.value, rel=1e-7, abs=1e-8)
        assert ours.flow == pytest.approx(np.asarray(F.value), abs=1e-5)
        assert (ours.flow >= 0.0).all()
        held += int(ours.flow_at_bound.any())
    assert held >= (5 if NIGHTLY else 2), "the cases must make the bound matter"


def test_grade_that_would_be_negative(random_circuit: Callable[..., Any]) -> None:
    """A tail that the other numbers push below 0 stays at 0; scipy's SLSQP agrees."""
    A = np.array([[1.0, -1.0, -1.0]])
    problem = BalanceProblem(
        flow_balance=sparse.csr_array(A),
        flow_source=np.zeros(1),
        analyte_balance=(sparse.csr_array(A),),
        analyte_source=(np.zeros(1),),
        tie=np.arange(3),
        flow=np.array([100.0, 10.0, 90.0]),
        flow_sd=np.array([0.5, 0.1, 0.5]),
        flow_lower=np.zeros(3),
        grade=np.array([[0.02, 0.25, np.nan]]),
        grade_sd=np.array([[0.0005, 0.005, np.nan]]),
        grade_lower=np.zeros((1, 3)),
        grade_upper=np.ones((1, 3)),
    )
    ours = solve(problem)
    assert ours.converged
    assert ours.grade[0, 2] == 0.0
    assert ours.grade_at_bound[0].tolist() == [False, False, True]
    whole = WholeProblem(problem)
    found = optimise.minimize(
        whole.objective, whole.join(np.array([100.0, 10, 90]), np.array([[0.022, 0.21, 0.001]])),
        jac=whole.gradient, method="SLSQP",
        bounds=optimise.Bounds(np.zeros(6), np.full(6, np.inf)),
        constraints=[{"type": "eq", "fun": whole.constraints, "jac": whole.jacobian}],
        options={"ftol": 1e-15, "maxiter": 500},
    )  # fmt: skip
    assert ours.objective == pytest.approx(found.fun, rel=1e-7)
    F, x = whole.split(found.x)
    assert ours.flow == pytest.approx(F, rel=1e-6)
    assert ours.grade == pytest.approx(x, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("seed", some(range(12), 6))
def test_first_order_conditions(seed: int, random_circuit: Callable[..., Any]) -> None:
    """Balances close to 1e-9 of what passes each node; the gradient along them vanishes."""
    made = random_circuit(200 + seed, n_nodes=5, n_analytes=2)
    problem = made.problem(0.05, 0.3, 0.1)
    ours = solve(problem)
    assert ours.converged
    terms = problem.flow_balance.toarray() * ours.flow
    assert (np.abs(terms.sum(axis=1)) <= 1e-9 * np.abs(terms).sum(axis=1)).all()
    for k, B in enumerate(b.toarray() for b in problem.analyte_balance):
        terms = B * (ours.flow * ours.grade[k])
        assert (np.abs(terms.sum(axis=1)) <= 1e-9 * np.abs(terms).sum(axis=1)).all()
    assert ours.max_imbalance <= 1e-9
    whole = WholeProblem(problem)
    z = whole.join(ours.flow, ours.grade)
    inside = z[whole.n :] > 1e-12
    J = whole.jacobian(z)
    keep = np.r_[np.ones(whole.n, dtype=bool), inside]
    along = scipy.linalg.null_space(J[:, keep], rcond=1e-12)
    sized = np.abs(whole.gradient(z)[keep]) @ np.abs(along)
    assert np.abs(whole.gradient(z)[keep] @ along).max() <= 1e-6 * max(sized.max(), 1.0)
    assert ours.stationarity <= 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_derivatives_against_finite_differences(
    seed: int, random_circuit: Callable[..., Any]
) -> None:
    """Gradient and second derivative of the eliminated grades, kernel formulas, to 1e-6."""
    from oretally.recon.reduction import best_grades, presolve

    made = random_circuit(300 + seed, n_nodes=5, n_analytes=1)
    reduced = presolve(made.problem(0.05, 0.0, 0.25))
    analyte, Z = reduced.analytes[0], reduced.basis.Z
    flow = made.flow / reduced.flow_scale
    # stay on flows that balance: elsewhere the splitter's balance is not implied
    here = best_grades(analyte, flow)
    h = 1e-6 * np.abs(flow).min()
    for i in range(Z.shape[1]):
        ahead, behind = (best_grades(analyte, flow + s * h * Z[:, i]) for s in (1.0, -1.0))
        if (ahead.at_lower | behind.at_lower | here.at_lower).any():
            pytest.skip("a grade at its bound makes a kink here")
        slope = (ahead.value - behind.value) / (2.0 * h)
        size = np.abs(here.gradient()).max() + 1.0
        assert Z[:, i] @ here.gradient() == pytest.approx(slope, abs=1e-5 * size)
        curve = Z.T @ (ahead.gradient() - behind.gradient()) / (2.0 * h)
        ours = here.second_derivative(Z)[:, i]
        assert ours == pytest.approx(curve, abs=1e-5 * (np.abs(curve).max() + 1.0))
