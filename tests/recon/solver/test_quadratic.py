"""A quadratic problem with equations and inequalities, by its conditions and against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize, nnls

from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics import quadratic_minimum


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000))
def test_conditions_of_a_minimum(seed: int) -> None:
    """H x + g + A'y = B'z with z >= 0, A x = b, B x >= c, and z zero where there is room."""
    rng = np.random.default_rng(seed)
    n, p = int(rng.integers(1, 8)), int(rng.integers(1, 30))
    m = int(rng.integers(0, n))
    root, A = rng.normal(size=(n + 2, n)), rng.normal(size=(m, n))
    H, g, B, inside = root.T @ root, rng.normal(size=n), rng.normal(size=(p, n)), rng.normal(size=n)
    b, c = A @ inside, B @ inside - rng.choice([0.01, 1.0, 10.0], p)  # there is room, if little
    found = quadratic_minimum(H, g, (B, c), equal=(A, b))
    assert found is not None
    assert pytest.approx(b, abs=1e-10) == A @ found.x
    assert (B @ found.x - c).min() >= -1e-10
    assert B[found.held] @ found.x == pytest.approx(c[found.held], abs=1e-6)
    pull, z = H @ found.x + g + A.T @ found.multiplier, np.zeros(p)
    if found.held.any():
        z[found.held], _ = nnls(B[found.held].T, pull)
    size = max(1.0, float(np.abs(g).max()), float(np.abs(H).max()))
    assert B.T @ z == pytest.approx(pull, abs=1e-6 * size)


@pytest.mark.parametrize("seed", range(5))
def test_as_scipy_finds_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, p = 5, 12
    root = rng.normal(size=(n + 2, n))
    H, g, B = root.T @ root, rng.normal(size=n), rng.normal(size=(p, n))
    c = B @ rng.normal(size=n) - rng.exponential(0.3, p)
    found = quadratic_minimum(H, g, (B, c))
    assert found is not None

    def value(v: Floats) -> float:
        return float(0.5 * v @ H @ v + g @ v)

    slsqp = minimize(
        value, np.zeros(n), method="SLSQP", options={"ftol": 1e-14, "maxiter": 500},
        constraints=LinearConstraint(B, c, np.inf),
    )  # fmt: skip
    assert value(found.x) == pytest.approx(float(slsqp.fun), abs=1e-9)


def test_none_where_there_is_no_such_point() -> None:
    """x >= 1 and x <= 0."""
    B, c = np.array([[1.0], [-1.0]]), np.array([1.0, 0.0])
    assert quadratic_minimum(np.eye(1), np.zeros(1), (B, c)) is None


def test_rows_that_say_the_same_twice() -> None:
    """x + y = 1 twice, x >= 0.8."""
    A, b = np.ones((2, 2)), np.ones(2)
    found = quadratic_minimum(np.eye(2), np.zeros(2), (np.array([[1.0, 0.0]]), np.array([0.8])),
                              equal=(A, b))  # fmt: skip
    assert found is not None
    assert found.x == pytest.approx([0.8, 0.2], abs=1e-9)
    assert found.held.all()
