"""Linear problems are solved whatever the units of their columns; their ± too.

Parameters of a line are unmeasured flows of y = X beta. What double precision allows is told by the
condition of X with columns of length 1: G.H. Golub and C.F. Van Loan, Matrix Computations, 4th ed.
(2013), section 5.3 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import BalanceProblem
from oretally.recon.solution import certify
from oretally.recon.solver import propagate, solve

Floats = NDArray[np.float64]
EPS = float(np.finfo(float).eps)


def _regression(X: Floats, y: Floats, sd: float) -> BalanceProblem:
    n, p = X.shape
    none, empty = np.full(p, np.nan), np.zeros((0, n + p))
    return BalanceProblem(
        flow_balance=sparse.csr_array(np.hstack([X, -np.eye(n)])), flow_source=np.zeros(n),
        analyte_balance=(), analyte_source=(), tie=np.arange(n + p),
        flow=np.r_[none, y], flow_sd=np.r_[none, np.full(n, sd)],
        flow_lower=np.full(n + p, -np.inf),
        grade=empty, grade_sd=empty, grade_lower=empty, grade_upper=empty,
    )  # fmt: skip


def _unit_columns(X: Floats, y: Floats, sd: float) -> tuple[Floats, Floats, float]:
    """Return parameters, their sd and the condition, by QR of columns of length 1."""
    length = np.linalg.norm(X, axis=0)
    Q, R = np.linalg.qr(X / length)
    inverse = np.linalg.inv(R)
    beta = inverse @ (Q.T @ y) / length
    return beta, sd * np.linalg.norm(inverse, axis=1) / length, float(np.linalg.cond(X / length))


def _compare(X: Floats, y: Floats, sd: float, scale: Floats) -> None:
    beta, sds, condition = _unit_columns(X, y, sd)
    problem = _regression(X * scale, y, sd)
    found = solve(problem)
    assert found.converged, found.status
    p = X.shape[1]
    size = np.linalg.norm(beta * np.linalg.norm(X, axis=0))
    ours = found.flow[:p] * scale * np.linalg.norm(X, axis=0)
    allowed = max(1e-9, 30.0 * EPS * condition)
    assert np.abs(ours - beta * np.linalg.norm(X, axis=0)).max() <= allowed * size
    misfit = float(np.sum(((X @ beta - y) / sd) ** 2))
    assert found.objective == pytest.approx(misfit, rel=1e-9, abs=1e-9)
    if condition < 1e5:  # squares are formed there
        told = propagate(problem, found).flow_sd[:p] * scale
        assert told == pytest.approx(sds, rel=1e-5)


@pytest.mark.parametrize("name", ["strd_noint1", "strd_norris", "strd_longley"])
def test_certified_regressions_in_any_units(
    name: str, reference: Callable[[str], dict[str, Any]]
) -> None:
    """NIST Statistical Reference Datasets, columns times 1e-6 to 1e6: certified parameters."""
    data = reference(name)
    given_ = data["inputs"]["data"]
    if "rows" in given_:
        rows = np.array(given_["rows"], dtype=float)
        y, X = rows[:, 0], rows[:, 1:]
    else:
        y, X = np.array(given_["y"], dtype=float), np.array(given_["x"], dtype=float)[:, None]
    if name != "strd_noint1":
        X = np.hstack([np.ones((len(y), 1)), X])
    rng = np.random.default_rng(7)
    for _ in range(6):
        scale = 10.0 ** rng.uniform(-6.0, 6.0, X.shape[1])
        found = solve(_regression(X * scale, y, 1.0))
        assert found.converged
        certified = np.array(data["published"]["estimates"])
        digits = 1e-7 if name == "strd_longley" else 1e-9
        assert found.flow[: X.shape[1]] * scale == pytest.approx(certified, rel=digits)
        assert found.objective == pytest.approx(data["published"]["residual_ss"], rel=1e-9)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(degree=st.integers(5, 10), seed=st.integers(0, 10_000), raw=st.booleans())
def test_polynomials_in_any_units(degree: int, seed: int, raw: bool) -> None:
    """Degrees 5 to 10, raw and with columns times 1e-6 to 1e6: QR with columns of length 1."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0.0, 10.0, 40))
    X = np.vander(x, degree + 1, increasing=True)
    y = 1.0 + np.sin(x) + 0.01 * rng.standard_normal(x.size)
    scale = np.ones(degree + 1) if raw else 10.0 ** rng.uniform(-6.0, 6.0, degree + 1)
    _compare(X, y, 0.01, scale)


def test_a_wrong_line_is_no_minimum() -> None:
    """The certificate of a line moved by a millionth of its parameters' sd's size fails."""
    x = np.linspace(0.0, 10.0, 40)
    X = np.vander(x, 6, increasing=True)
    y = np.cos(x)
    problem = _regression(X, y, 0.01)
    found = solve(problem)
    moved = found.flow.copy()
    _, sds, _ = _unit_columns(X, y, 0.01)
    moved[:6] += 0.05 * sds
    moved[6:] = X @ moved[:6]
    assert certify(problem, found.flow, found.grade).holds
    assert not certify(problem, moved, found.grade).holds
