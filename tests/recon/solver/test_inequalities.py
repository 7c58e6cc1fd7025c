"""A quadratic problem with many inequalities, against the general way and by its conditions.

It gives first guesses: it ends at a gap of 1e-10 and a gradient of 1e-6, relative to the size of
the problem, so points are compared to 1e-4 and values to 1e-6.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import LinearConstraint, minimize, nnls

from oretally.recon.numerics import bounded_minimum, minimum_within

Floats = NDArray[np.float64]


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000))
def test_conditions_of_a_minimum(seed: int) -> None:
    """H u + g = B'z with z >= 0, B u >= c, and z zero where there is room."""
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(1, 8)), int(rng.integers(1, 30))
    root = rng.normal(size=(n + 2, n))
    H, g, B = root.T @ root, rng.normal(size=n), rng.normal(size=(m, n))
    c = B @ rng.normal(size=n) - rng.choice([0.01, 1.0, 10.0], m)  # there is room, if little
    u = minimum_within(H, g, B, c)
    assert u is not None
    room = B @ u - c
    assert room.min() >= -1e-9 * (1.0 + np.abs(c).max())
    held = room <= 1e-5 * (1.0 + np.abs(c).max())
    z = np.zeros(m)
    pull = H @ u + g
    if held.any():
        z[held], _ = nnls(B[held].T, pull)
    size = max(1.0, float(np.abs(g).max()), float(np.abs(H).max()))
    assert B.T @ z == pytest.approx(pull, abs=1e-4 * size)


@pytest.mark.parametrize("seed", range(5))
def test_as_the_general_way_and_scipy_find_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, m = 5, 12
    root = rng.normal(size=(n + 2, n))
    H, g, B = root.T @ root, rng.normal(size=n), rng.normal(size=(m, n))
    c = B @ rng.normal(size=n) - rng.exponential(0.3, m)
    u = minimum_within(H, g, B, c)
    assert u is not None
    K = np.zeros((n + m, n + m))
    K[:n, :n] = H
    general = bounded_minimum(
        K, np.r_[g, np.zeros(m)], np.hstack([B, -np.eye(m)]), c,
        lower=np.r_[np.full(n, -np.inf), np.zeros(m)], upper=np.full(n + m, np.inf),
    )  # fmt: skip
    assert u == pytest.approx(general.x[:n], abs=1e-4)

    def value(v: Floats) -> float:
        return float(0.5 * v @ H @ v + g @ v)

    slsqp = minimize(
        value, np.zeros(n), method="SLSQP", options={"ftol": 1e-14, "maxiter": 500},
        constraints=LinearConstraint(B, c, np.inf),
    )  # fmt: skip
    assert value(u) == pytest.approx(float(slsqp.fun), abs=1e-6)


def test_none_where_there_is_no_such_point() -> None:
    """u >= 1 and u <= 0."""
    H, g, B = np.eye(1), np.zeros(1), np.array([[1.0], [-1.0]])
    assert minimum_within(H, g, B, np.array([1.0, 0.0])) is None
