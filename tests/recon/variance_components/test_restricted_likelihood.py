"""Variance components against their definition, and where they stand at a bound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from oretally.recon.variance_components import (
    Contrasts,
    chance_of_value,
    fitted_components,
    inseparable,
    mixed_model,
    variance_limits,
)

Floats = NDArray[np.float64]


def _drawn(seed: int, theta: Floats, n_sets: int = 40) -> list[Contrasts]:
    """Return sets of two to four contrasts of six errors of three components."""
    rng, found = np.random.default_rng(seed), []
    component = np.array([0, 0, 1, 1, 2, 2])
    for _ in range(n_sets):
        n = int(rng.integers(2, 5))
        R = rng.standard_normal((n, 6))
        y = R @ (np.sqrt(theta[component]) * rng.standard_normal(6))
        found.append(Contrasts(y, R, component, rng.standard_normal((n, 1))))
    return found


def _log_likelihood(sets: list[Contrasts], theta: Floats) -> float:
    """Return the restricted log likelihood by its definition, all sets in one dense matrix."""
    sizes = [s.y.size for s in sets]
    V, at = np.zeros((sum(sizes), sum(sizes))), 0
    for s in sets:
        own = slice(at, at + s.y.size)
        V[own, own] = (s.R * theta[s.component]) @ s.R.T
        at += s.y.size
    y, X = np.concatenate([s.y for s in sets]), np.vstack([s.X for s in sets])
    inverse = np.linalg.inv(V)
    C = X.T @ inverse @ X
    Q = inverse - inverse @ X @ np.linalg.solve(C, X.T @ inverse)
    return -0.5 * float(np.linalg.slogdet(V)[1] + np.linalg.slogdet(C)[1] + y @ Q @ y)


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 10_000))
def test_likelihood_is_the_definition_and_no_neighbour_is_likelier(seed: int) -> None:
    sets = _drawn(seed, np.array([1.0, 0.3, 2.0]))
    found = fitted_components(sets, np.ones(3))
    assert found.converged
    assert found.log_likelihood == pytest.approx(_log_likelihood(sets, found.theta), abs=1e-8)
    rng = np.random.default_rng(seed)
    for size in (1e-3, 1e-2, 0.1):
        near = np.maximum(found.theta + size * rng.standard_normal(3), 1e-9)
        assert _log_likelihood(sets, near) <= found.log_likelihood + 1e-9


def test_information_is_the_covariance_of_the_slopes() -> None:
    """Over drawn sets the fitted variances scatter as the inverse information says."""
    theta = np.array([1.0, 0.5, 2.0])
    fits = [fitted_components(_drawn(seed, theta, 40), np.ones(3)) for seed in range(30)]
    seen = np.cov(np.array([f.theta for f in fits]).T)
    told = np.mean([np.linalg.inv(f.information) for f in fits], axis=0)
    assert np.sqrt(np.diag(seen) / np.diag(told)) == pytest.approx([1.0, 1.0, 1.0], abs=0.45)
    assert np.mean([f.theta for f in fits], axis=0) == pytest.approx(theta, rel=0.2)


def test_a_component_that_is_not_there_is_zero_and_the_others_are_not_harmed() -> None:
    y = np.array([1.0, 2.0, 1.1, 1.9, 1.0, 2.0])
    groups = np.array([0, 0, 1, 1, 2, 2])
    found = fitted_components(mixed_model(y, np.ones((6, 1)), [groups]), np.ones(2))
    assert found.theta[0] == 0.0
    assert found.theta[1] == pytest.approx(y.var(ddof=1))


def test_limits_hold_the_truth_as_often_as_they_say() -> None:
    theta, inside = np.array([1.0, 0.5, 2.0]), 0
    for seed in range(6):
        sets = _drawn(1000 + seed, theta, 20)
        limits = variance_limits(sets, fitted_components(sets, np.ones(3)), 0)
        inside += limits.low <= 1.0 <= limits.high
    assert inside >= 4  # of 6: at 95 % fewer come once in 500


def test_what_was_held_stays() -> None:
    sets = _drawn(3, np.array([1.0, 0.5, 2.0]))
    held = fitted_components(sets, np.ones(3), held=np.array([False, True, False]))
    assert held.theta[1] == 1.0
    free = fitted_components(sets, np.ones(3))
    assert free.log_likelihood > held.log_likelihood
    assert chance_of_value(sets, free, 1, float(free.theta[1])) == pytest.approx(1.0, abs=1e-3)


def test_no_error_at_all_is_refused() -> None:
    nothing = Contrasts(np.ones(2), np.zeros((2, 1)), np.array([0]), np.zeros((2, 0)))
    with pytest.raises(ValueError, match="without any error"):
        fitted_components([nothing], np.ones(1))


def test_sums_that_no_data_tell_apart_are_groups() -> None:
    rng = np.random.default_rng(1)
    a, b, c = (rng.standard_normal(4) for _ in range(3))
    # three components of which two directions are seen, one alone, one not at all
    G = np.array([a, b, a + b, c, np.zeros(4)])
    assert inseparable(G @ G.T) == [[0, 1, 2], [4]]
    assert inseparable(np.eye(2)) == []
