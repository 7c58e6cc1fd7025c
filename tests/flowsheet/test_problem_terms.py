"""Ratios, sums, bounds and shared errors against closed forms and a general optimiser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.optimize
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.problem.problem_terms import (
    with_flow_upper,
    with_grade_interval,
    with_ratio,
    with_ratio_bounds,
    with_shared_flow_errors,
    with_shared_grade_errors,
    with_sum,
)
from oretally.recon.solver import propagate, solve

Floats = NDArray[np.float64]
Maker = Callable[..., Any]

A = np.array([[1.0, -1.0, -1.0, 0.0, 0.0], [0.0, 0.0, 1.0, -1.0, -1.0]])


@pytest.fixture
def flows(linear_problem: Maker) -> BalanceProblem:
    """Return two separators in line, all flows measured."""
    measured = np.array([100.0, 11.0, 92.0, 7.5, 83.0])
    problem: BalanceProblem = linear_problem(
        A, np.zeros(2), measured, np.array([2.0, 0.5, 2.0, 0.3, 2.0]), signed=False
    )
    return problem


def _general(flows: BalanceProblem, term: Callable[[Floats], float], bounds: Any = None) -> Floats:
    """Return the minimum by scipy's SLSQP of the misfit of flows and one more term."""

    def cost(F: Floats) -> float:
        return float(np.sum(((F - flows.flow) / flows.flow_sd) ** 2)) + term(F)

    minimize: Any = scipy.optimize.minimize
    found = minimize(
        cost, flows.flow, method="SLSQP", bounds=bounds,
        constraints={"type": "eq", "fun": lambda F: A @ F, "jac": lambda F: A},
        options={"ftol": 1e-12, "maxiter": 500},
    )  # fmt: skip
    assert found.success
    return np.asarray(found.x)


def test_sum(flows: BalanceProblem) -> None:
    found = solve(with_sum(flows, {1: 1.0, 3: 1.0}, value=20.0, sd=0.1))
    expected = _general(flows, lambda F: ((F[1] + F[3] - 20.0) / 0.1) ** 2)
    assert found.flow[:5] == pytest.approx(expected, rel=1e-6)
    assert found.flow[5] == pytest.approx(found.flow[1] + found.flow[3], rel=1e-12)


def test_ratio(flows: BalanceProblem) -> None:
    """A measured split, 9 +- 0.1 % of the feed, beside flows that say 11 %."""
    found = solve(with_ratio(flows, [1], 0, value=0.09, sd=0.001))
    expected = _general(flows, lambda F: ((F[1] / F[0] - 0.09) / 0.001) ** 2)
    assert found.converged
    assert found.flow == pytest.approx(expected, rel=1e-5)
    assert found.grade[0, 0] == pytest.approx(found.flow[1] / found.flow[0], rel=1e-9)


def test_ratio_of_tied_outlets(flows: BalanceProblem) -> None:
    """The outlets of a splitter share a label; the measured split counts all the same."""
    tied = replace(flows, tie=np.array([0, 1, 1, 2, 3]))
    plain = solve(with_ratio(flows, [1], 2, value=0.12, sd=0.001))
    found = solve(with_ratio(tied, [1], 2, value=0.12, sd=0.001))
    assert found.converged
    assert found.flow[:5] == pytest.approx(plain.flow[:5], rel=1e-7)


def test_a_shared_error_needs_measurements(flows: BalanceProblem) -> None:
    once = with_shared_flow_errors(flows, [{0: 3.0}])
    with pytest.raises(ValueError, match="nothing is measured of carriers"):
        with_shared_flow_errors(once, [{0: 3.0}])


def test_bounds_of_a_ratio(flows: BalanceProblem) -> None:
    """Both products at least 25 % of the feed, exactly; a wide bound changes nothing."""
    found = solve(with_ratio_bounds(flows, [1, 3], 0, lower=0.25, upper=np.inf))
    assert found.converged
    assert (found.flow[1] + found.flow[3]) / found.flow[0] == pytest.approx(0.25, rel=1e-9)
    wide = solve(with_ratio_bounds(flows, [1, 3], 0, lower=0.01, upper=0.9))
    assert wide.flow[:5] == pytest.approx(solve(flows).flow, rel=1e-9)


def test_upper_bound(flows: BalanceProblem) -> None:
    found = solve(with_flow_upper(flows, 0, 95.0))
    expected = _general(flows, lambda F: 0.0, bounds=[(0.0, 95.0), *[(0.0, None)] * 4])
    assert found.flow[0] == pytest.approx(95.0, rel=1e-12)
    assert found.flow[:5] == pytest.approx(expected, rel=1e-6)


def test_shared_flow_error(flows: BalanceProblem) -> None:
    """Correlated errors by the closed form of generalised least squares, covariance included."""
    loadings = {0: 3.0, 2: 2.5, 4: 2.0}
    longer = with_shared_flow_errors(flows, [loadings])
    found = solve(longer)
    L = np.zeros(5)
    L[list(loadings)] = list(loadings.values())
    stated = np.diag(flows.flow_sd**2) + np.outer(L, L)
    gain = stated @ A.T @ np.linalg.inv(A @ stated @ A.T)
    expected = flows.flow - gain @ A @ flows.flow
    assert found.flow[:5] == pytest.approx(expected, rel=1e-10)
    adjusted = stated - gain @ A @ stated
    assert propagate(longer, found).flow_flow()[:5, :5] == pytest.approx(adjusted, abs=1e-9)
    misfit = A @ flows.flow
    assert found.objective == pytest.approx(misfit @ np.linalg.solve(A @ stated @ A.T, misfit))


def test_shared_grade_error() -> None:
    """Flows as good as known: generalised least squares on the grades in closed form."""
    F = np.array([100.0, 10.0, 90.0])
    rows, zero = sparse.csr_array([[1.0, -1.0, -1.0]]), np.zeros(1)
    x, sd = np.array([[0.010, 0.080, 0.003]]), np.array([[0.0004, 0.002, 0.0002]])
    problem = BalanceProblem(
        flow_balance=rows, flow_source=zero, analyte_balance=(rows,), analyte_source=(zero,),
        tie=np.arange(3), flow=F, flow_sd=np.zeros(3), flow_lower=np.zeros(3), grade=x,
        grade_sd=sd, grade_lower=np.zeros((1, 3)), grade_upper=np.ones((1, 3)),
    )  # fmt: skip
    loadings = {0: 0.0005, 1: 0.004, 2: 0.0001}
    found = solve(with_shared_grade_errors(problem, 0, [loadings]))
    L = np.array(list(loadings.values()))
    stated = np.diag(sd[0] ** 2) + np.outer(L, L)
    C = rows.toarray() * F
    expected = x[0] - stated @ C.T @ np.linalg.inv(C @ stated @ C.T) @ C @ x[0]
    assert found.converged
    assert found.grade[0, :3] == pytest.approx(expected, rel=1e-9)


def test_grade_interval(random_circuit: Maker) -> None:
    """A tail below detection stays below it; where the bound does not matter, nothing changes."""
    made = random_circuit(6, 3, 1)
    problem = made.problem(0.05)
    last = problem.n_carriers - 1
    wide = solve(with_grade_interval(problem, 0, last, lower=0.0, upper=1.0))
    sd = problem.grade_sd.copy()
    unmeasured = problem.grade.copy()
    unmeasured[0, last] = sd[0, last] = np.nan
    assert wide.objective == pytest.approx(
        solve(replace(problem, grade=unmeasured, grade_sd=sd)).objective, rel=1e-9
    )
    limit = 0.5 * float(wide.grade[0, last])
    narrow = solve(with_grade_interval(problem, 0, last, lower=0.0, upper=limit))
    assert narrow.converged
    assert narrow.grade[0, last] == pytest.approx(limit, rel=1e-9)
    assert narrow.objective >= wide.objective
