"""Repeats of a test: how far they scatter, and how many would tell a difference."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from often import often
from published import within_binomial

from oretally.recon.comparison import TESTS_POWER
from oretally.recon.comparison.repeats import (
    RepeatPlan,
    between_tests,
    chance_to_decide,
    quantile,
    two_sided,
    weights_of_arms,
)


def test_equal_scatter_is_student() -> None:
    """Scatter beyond equal stated errors: the two-sample t test (scipy)."""
    rng = np.random.default_rng(7)
    y = rng.normal(0.0, 5.0, 7)
    X = np.repeat(np.eye(2), [4, 3], axis=0)
    V = 0.3 * np.eye(7)
    tau2, shown = between_tests(y, X, V)
    assert shown == 1.0 and tau2 > 0.0
    W = weights_of_arms(X, np.diag(V) + tau2)
    g = W[:, 1] - W[:, 0]
    ours = two_sided(float(g @ y) / float(g @ (V + tau2 * np.eye(7)) @ g) ** 0.5, 5.0)
    assert ours == pytest.approx(scipy.stats.ttest_ind(y[:4], y[4:]).pvalue, rel=1e-9)


def test_between_tests_solves_its_equation_and_is_never_negative() -> None:
    rng = np.random.default_rng(8)
    X = np.repeat(np.eye(3), [3, 2, 4], axis=0)
    seen = set()
    for _ in range(100):
        root = rng.normal(size=(9, 9))
        V = 0.1 * root @ root.T + np.diag(rng.uniform(0.5, 2.0, 9))
        y = rng.multivariate_normal(np.zeros(9), V + rng.choice([0.0, 3.0]) * np.eye(9))
        tau2, shown = between_tests(y, X, V)
        inverse = np.linalg.inv(V + tau2 * np.eye(9))
        P = inverse - inverse @ X @ np.linalg.solve(X.T @ inverse @ X, X.T @ inverse)
        seen.add(tau2 > 0.0)
        assert tau2 >= 0.0
        if tau2 > 0.0:
            assert (float(y @ P @ y), shown) == pytest.approx((6.0, 1.0), rel=1e-6)
        else:
            assert float(y @ P @ y) == pytest.approx(6.0 * shown)
            assert shown <= 1.0
    assert seen == {True, False}


@pytest.mark.parametrize(
    ("plan", "size", "tests"),
    [
        (RepeatPlan(own=2.0), 2.5, 1), (RepeatPlan(own=2.0), 3.0, 2),
        (RepeatPlan(own=2.0), 2.0, 5), (RepeatPlan(own=2.0, common=0.5), 2.5, 4),
        (RepeatPlan(own=8.0, stated=0.25, repeated=True), 4.0, 4),
        (RepeatPlan(own=8.0, stated=0.25, repeated=True), 5.0, 3),
    ],
)  # fmt: skip
def test_chance_to_tell_agrees_with_simulation(
    plan: RepeatPlan, size: float, tests: int
) -> None:  # fmt: skip
    """Tests drawn, scatter estimated, judged as a comparison judges them."""
    rng = np.random.default_rng(9)
    X = np.repeat(np.eye(2), [tests, tests], axis=0)
    V = plan.stated * plan.own / 2.0 * np.eye(2 * tests)
    found = []
    for _ in range(often(1000)):
        y = X @ np.array([0.0, size + plan.common**0.5 * rng.standard_normal()])
        y = y + (plan.own / 2.0) ** 0.5 * rng.standard_normal(2 * tests)
        difference = abs(y[tests:].mean() - y[:tests].mean())
        stated = plan.common + 2.0 * V[0, 0] / tests
        real = difference > quantile(0.05, np.inf) * stated**0.5
        if tests > 1:
            tau2, shown = between_tests(y, X, V)
            seen = plan.common + 2.0 * (shown * V[0, 0] + tau2) / tests
            real = real and difference > quantile(0.05, 2.0 * (tests - 1)) * seen**0.5
        found.append(real)
    said = chance_to_decide(plan, size, tests, alpha=0.05)
    assert within_binomial(sum(found), len(found), said), (sum(found), said)


@pytest.mark.parametrize("size", [0.9, 1.5, 2.5, 4.5])
@pytest.mark.parametrize("repeated", [False, True])
def test_least_number_of_tests(size: float, repeated: bool) -> None:
    plan = RepeatPlan(own=2.0, repeated=repeated)
    n = plan.tests_needed(size, TESTS_POWER, 0.05)
    assert n is not None and chance_to_decide(plan, size, n, alpha=0.05) >= TESTS_POWER
    fewer = [k for k in range(2 if repeated else 1, n)]
    assert all(chance_to_decide(plan, size, k, alpha=0.05) < TESTS_POWER for k in fewer)
    assert n >= 2 or not repeated


@pytest.mark.parametrize("made", [1.0, 2.0, 8.0 / 3.0, 40.0])
@pytest.mark.parametrize("repeated", [False, True])
def test_more_tests_than_were_made(made: float, repeated: bool) -> None:
    """3 and 2 tests of two arms are as good as 2.67 of each: three of each are more."""
    plan = RepeatPlan(own=2.0, repeated=repeated)
    for size in (0.5, 2.5, 6.0):
        n = plan.tests_needed(size, TESTS_POWER, 0.01, more_than=made)
        assert (
            n is not None
            and n > made
            and chance_to_decide(plan, size, n, alpha=0.01) >= TESTS_POWER
        )
        between = range(int(made) + 1, n)
        assert all(chance_to_decide(plan, size, k, alpha=0.01) < TESTS_POWER for k in between)
    assert plan.tests_needed(2.5, TESTS_POWER, 0.05, more_than=1000.0) is None


def test_repeats_cannot_take_off_what_is_common() -> None:
    plan = RepeatPlan(own=2.0, common=1.0)
    assert plan.tests_needed(2.0, TESTS_POWER, 0.05) is None
    assert plan.tests_needed(3.2, TESTS_POWER, 0.05) is not None
    assert RepeatPlan(own=2.0).tests_needed(0.0, TESTS_POWER, 0.05) is None


def test_t_needs_more_than_normal() -> None:
    """With many tests the chance is the normal one; with few less, for the scatter is unknown."""
    for n in (2, 3, 5):
        normal = 1.0 - scipy.stats.norm.cdf(1.959964 - 2.0 / (2.0 / n) ** 0.5)
        assert chance_to_decide(RepeatPlan(own=2.0), 2.0, n, alpha=0.05) < normal
    normal = 1.0 - scipy.stats.norm.cdf(1.959964 - 0.2 * 500.0**0.5 / 2.0**0.5)
    assert chance_to_decide(RepeatPlan(own=2.0), 0.2, 500, alpha=0.05) == pytest.approx(
        normal, abs=0.02
    )
    assert quantile(0.05, 4.0) == pytest.approx(2.776, abs=5e-4)


def test_tests_that_agree_exactly() -> None:
    """No scatter at all shows nothing of the stated errors; it makes no difference surer."""
    X = np.repeat(np.eye(2), 2, axis=0)
    y = np.array([1.0, 1.0, 2.0, 2.0])
    assert between_tests(y, X, np.eye(4)) == pytest.approx((0.0, 0.0), abs=1e-20)
    assert between_tests(y, X, np.ones((4, 4))) == pytest.approx((0.0, 0.0), abs=1e-20)
    tau2, shown = between_tests(np.array([1.0, 3.0, 2.0, 2.0]), X, np.ones((4, 4)))
    assert tau2 == pytest.approx(1.0) and shown == 1.0


def test_weights() -> None:
    X = np.repeat(np.eye(2), [2, 3], axis=0)
    W = weights_of_arms(X, np.array([1.0, 3.0, 0.0, 0.0, 5.0]))
    assert W == pytest.approx(np.array([[0.75, 0], [0.25, 0], [0, 0.5], [0, 0.5], [0, 0]]))
