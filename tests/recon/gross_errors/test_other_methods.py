"""Other methods than explanations: elimination, robust estimates, dispersion of adjustments."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often
from scipy.optimize import linprog, minimize
from scipy.stats import binom, chi2

from oretally.flowsheet import BalanceProblem
from oretally.recon.linear_tests import CONFIDENCE, HUBER, Robust, eliminate, variance_factors
from oretally.recon.propagation import sidak_limit
from oretally.recon.signatures import signatures_of
from oretally.recon.solver import solve

Floats = NDArray[np.float64]
Linear = Callable[..., BalanceProblem]

SIZES = [(8, 3), (12, 6), (20, 15), (40, 20)]  # measurements, checks


def _linear(linear_problem: Linear, seed: int) -> BalanceProblem:
    """Return five random balances of ten flows, all measured; two of them with gross errors."""
    rng, n, m = np.random.default_rng(seed), 10, 5
    A = rng.standard_normal((m, n))
    flow, sd = rng.uniform(5.0, 20.0, n), rng.uniform(0.1, 0.5, n)
    errors = rng.standard_normal(n)
    errors[rng.permutation(n)[:2]] += rng.uniform(6.0, 15.0, 2)
    return linear_problem(A, A @ flow, flow + sd * errors, sd)


def _balanced_without(problem: BalanceProblem, left_out: list[int]) -> tuple[Floats, Floats]:
    """Return |r| / sqrt(P_ii) and the redundancy of all flows, those left out as not measured."""
    flow, sd = problem.flow.copy(), problem.flow_sd.copy()
    flow[left_out], sd[left_out] = np.nan, np.nan
    reduced = replace(problem, flow=flow, flow_sd=sd)
    signatures = signatures_of(reduced, solve(reduced))
    statistic, redundancy = np.zeros(flow.size), np.zeros(flow.size)
    for i, place in enumerate(signatures.readings):
        if signatures.seen[i]:
            statistic[place.carrier] = abs(signatures.r[i]) / signatures.P[i, i] ** 0.5
        redundancy[place.carrier] = signatures.redundancy[i]
    return statistic, redundancy


def _whole(problem: BalanceProblem) -> tuple[Floats, Floats]:
    """Return P and r of the measured flows."""
    signatures = signatures_of(problem, solve(problem))
    n = len(signatures.readings)
    return signatures.P[:n, :n], signatures.r[:n]


@pytest.mark.parametrize("seed", range(12))
def test_elimination_is_balancing_again(seed: int, linear_problem: Linear) -> None:
    """Ripps (1965): choices, statistics and stop, from flows balanced again without the others."""
    problem = _linear(linear_problem, seed)
    signatures = signatures_of(problem, solve(problem))
    tests: list[int] = []

    def limit(n_tests: int) -> float:
        tests.append(n_tests)
        return sidak_limit(0.05, n_tests)

    found = eliminate(*_whole(problem), limit)
    for step in range(len(found) + 1):
        statistic, redundancy = _balanced_without(problem, found[:step])
        seen = redundancy > 1e-6
        checked = int(seen.sum())
        products, r_left = signatures.without(found[:step])
        P_left = products.dense()
        ours = np.abs(r_left[:10][seen]) / np.sqrt(np.diag(P_left)[:10][seen])
        assert ours == pytest.approx(statistic[seen], abs=1e-6)
        if step < len(found):
            assert found[step] == int(np.argmax(statistic))
            assert statistic.max() >= sidak_limit(0.05, checked)
        else:
            assert statistic.max() < sidak_limit(0.05, checked)
        assert tests[step : step + 1] == [checked] * (checked > 0)


@pytest.mark.parametrize("seed", range(6))
def test_unchecked_readings_stay(seed: int, random_circuit: Callable[..., Any]) -> None:
    """Without a limit, as many are left out as there are checks, each one still checked then."""
    problem = random_circuit(seed, n_nodes=5, n_analytes=0).problem(0.03, 0.1)
    solution = solve(problem)
    place = [p.carrier for p in signatures_of(problem, solution).readings]
    found = eliminate(*_whole(problem), lambda n_tests: 0.0)
    assert len(found) == len(set(found)) == solution.classes.degrees_of_freedom
    for step, i in enumerate(found):
        _, redundancy = _balanced_without(problem, [place[j] for j in found[:step]])
        assert redundancy[place[i]] > 1e-6
    assert _balanced_without(problem, [place[i] for i in found])[1].max() < 1e-9


def test_sidak_limit() -> None:
    """Narasimhan and Jordache (2000), ch. 7, from memory: 2.49 for 4 tests, 2.63 for 6, at 5 %."""
    assert sidak_limit(0.05, 4) == pytest.approx(2.49, abs=5e-3)
    assert sidak_limit(0.05, 6) == pytest.approx(2.63, abs=5e-3)
    assert sidak_limit(0.05, 1) == pytest.approx(1.959964, abs=1e-6)


def _checks(seed: int, n: int, rank: int) -> tuple[Floats, Floats, Floats]:
    """Return Q with n rows, ``rank`` orthonormal columns, P = QQ', and errors with gross ones."""
    rng = np.random.default_rng(seed)
    Q = np.linalg.qr(rng.standard_normal((n, rank)))[0]
    errors = rng.standard_normal(n)
    errors[:2] += rng.uniform(5.0, 20.0, 2)
    return Q, Q @ Q.T, errors


@pytest.mark.parametrize("method", ["huber", "biweight", "least_absolute"])
@pytest.mark.parametrize(("n", "rank"), SIZES)
def test_robust_errors_satisfy_the_checks(method: str, n: int, rank: int) -> None:
    """Q'v = Q'r: the flows without the estimated errors balance."""
    for seed in range(5):
        Q, P, errors = _checks(seed, n, rank)
        v = getattr(Robust(P, P @ errors), method)
        assert Q.T @ v == pytest.approx(Q.T @ errors, abs=1e-8)


@pytest.mark.parametrize(("n", "rank"), SIZES[1:])
def test_huber_against_bfgs(n: int, rank: int) -> None:
    """Huber's loss minimised over v = r + N c, N the null space of the checks, by BFGS."""
    for seed in range(5):
        Q, P, errors = _checks(seed, n, rank)
        r = P @ errors
        N = scipy.linalg.null_space(Q.T)

        def loss(c: Floats, r: Floats = r, N: Floats = N) -> tuple[float, Floats]:
            v = r + N @ c
            far = np.abs(v) > HUBER
            rho = np.where(far, HUBER * np.abs(v) - 0.5 * HUBER**2, 0.5 * v**2)
            return float(rho.sum()), N.T @ np.clip(v, -HUBER, HUBER)

        start = N.T @ Robust(P, r).least_absolute
        found = minimize(loss, start, jac=True, method="BFGS", options={"gtol": 1e-10})
        assert np.abs(loss(found.x)[1]).max() < 1e-7
        assert Robust(P, r).huber == pytest.approx(r + N @ found.x, abs=1e-5)


@pytest.mark.parametrize("ratio", [0.97, 0.99])
def test_huber_of_nearly_equal_traces(ratio: float) -> None:
    """One check, v_0 + ratio v_1 = 40: at the minimum v_1 = 1.345 ratio, by hand."""
    q = np.array([1.0, ratio])
    P = np.outer(q, q) / (q @ q)
    least = np.array([40.0 - HUBER * ratio**2, HUBER * ratio])
    assert Robust(P, P @ least).huber == pytest.approx(least, abs=1e-5)


@settings(derandomize=True, deadline=None, max_examples=often(150))
@given(seed=st.integers(0, 10_000), size=st.sampled_from([*SIZES, (60, 50), (90, 30)]),
       whole=st.booleans(), share=st.sampled_from([0.1, 0.5, 1.0]))  # fmt: skip
def test_least_absolute_against_highs(
    seed: int, size: tuple[int, int], whole: bool, share: float
) -> None:
    """The least sum, by the simplex method here and by HiGHS there; many zeros, many alike."""
    n, rank = size
    rng = np.random.default_rng(seed)
    Q, P, errors = _checks(seed, n, rank)
    if whole:
        Q = scipy.linalg.orth(rng.integers(-1, 2, (n, rank)).astype(float))
        P, errors = Q @ Q.T, np.round(errors)
    errors = np.where(rng.random(n) < share, errors, 0.0)
    v = Robust(P, P @ errors).least_absolute
    least = linprog(np.ones(2 * n), A_eq=np.hstack([Q.T, -Q.T]), b_eq=Q.T @ errors)
    assert np.abs(v).sum() == pytest.approx(least.fun, rel=1e-7, abs=1e-8)
    assert Q.T @ v == pytest.approx(Q.T @ errors, abs=1e-8)
    assert np.count_nonzero(v) <= Q.shape[1]


def test_least_absolute_by_hand() -> None:
    """One check, v_0 + 0.9 v_1 = 40: the sum is least if the first is all of it."""
    q = np.array([1.0, 0.9])
    P = np.outer(q, q) / (q @ q)
    assert Robust(P, P @ [40.0, 0.0]).least_absolute == pytest.approx([40.0, 0.0])
    assert Robust(P, P @ [0.0, 30.0]).least_absolute == pytest.approx([27.0, 0.0])
    assert (Robust(P, np.zeros(2)).least_absolute == 0.0).all()


@settings(derandomize=True, deadline=None, max_examples=often(40, 0.4))
@given(seed=st.integers(0, 10_000))
def test_small_errors_are_least_squares(seed: int) -> None:
    """No adjustment beyond Huber's constant: his estimate is least squares, v = r."""
    _, P, errors = _checks(seed, 10, 6)
    r = P @ errors
    r *= 0.999 * HUBER / np.abs(r).max()
    assert Robust(P, r).huber == pytest.approx(r, abs=1e-9)
    assert np.abs(Robust(P, 3.0 * r).huber - 3.0 * r).max() > 0.01


@pytest.mark.parametrize("seed", range(10))
def test_biweight_finds_one_gross_error(seed: int, linear_problem: Linear) -> None:
    """Two meters on each of eight streams, four nodes; one reading is off by 30 sd."""
    rng = np.random.default_rng(seed)
    start, end = [4, 0, 1, 2, 3, 1, 2, 3], [0, 1, 2, 3, 4, 0, 4, 1]  # 4: the surroundings
    nodes = np.eye(5)[:4, end] - np.eye(5)[:4, start]
    A = np.block([[nodes, np.zeros((4, 8))], [np.eye(8), -np.eye(8)]])
    flow = np.tile(scipy.linalg.null_space(nodes) @ rng.uniform(5.0, 20.0, 4), 2)
    errors = rng.standard_normal(16)
    wrong = int(rng.integers(16))
    errors[wrong] = 30.0
    P, r = _whole(linear_problem(A, np.zeros(12), flow + 0.1 * errors, np.full(16, 0.1)))
    v = Robust(P, r).biweight
    assert abs(v[wrong] - 30.0) < 3.0
    assert np.abs(np.delete(v, wrong)).max() < 4.0
    assert np.abs(np.delete(r, wrong)).max() > 4.0  # least squares spreads it


@settings(derandomize=True, deadline=None, max_examples=often(40, 0.4))
@given(values=st.lists(st.floats(-20.0, 20.0), min_size=3, max_size=12))
def test_huber_location_of_replicates(values: list[float]) -> None:
    """P.J. Huber (1981): n readings of one quantity, mean mu with sum psi(x_i - mu) = 0."""
    x = np.array(values)
    P = np.eye(x.size) - 1.0 / x.size
    mu = x - Robust(P, x - x.mean()).huber
    assert np.ptp(mu) < 1e-8
    assert np.clip(x - mu[0], -HUBER, HUBER).sum() == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(("sd", "verdict"), [(2, "too small"), (1, ""), (1 / 3, "too generous")])
def test_dispersion_of_simulated_errors(sd: float, verdict: str) -> None:
    """Errors of so many stated sd under 40 checks: the verdict, the factor r'r / trace P."""
    Q, P, _ = _checks(5, 60, 40)
    r = P @ (sd * np.random.default_rng(11).standard_normal(60))
    quantity = ["mass"] * 35 + ["Cu"] * 25
    whole, *parts = variance_factors(np.diag(P), r, quantity, left_out=[])
    assert (whole.quantity, whole.verdict) == ("", verdict)
    assert whole.factor == pytest.approx(r @ r / 40.0, rel=1e-12)
    limits = r @ r / chi2.ppf([0.5 + CONFIDENCE / 2.0, 0.5 - CONFIDENCE / 2.0], 40)
    assert [whole.low, whole.high] == pytest.approx(limits, rel=1e-9)
    assert [p.quantity for p in parts] == ["mass", "Cu"]
    assert parts[0].factor == pytest.approx((r[:35] ** 2).sum() / np.diag(P)[:35].sum())
    assert sum(p.checks for p in parts) == pytest.approx(40.0)


def test_dispersion_without_suspects() -> None:
    """A gross error that was left out does not count; with fewer than two checks no verdict."""
    Q, P, _ = _checks(6, 30, 20)
    e = np.random.default_rng(9).standard_normal(30)
    e[4] += 40.0
    r = P @ e
    p = P[:, 4]
    found = variance_factors(
        np.diag(P - np.outer(p, p) / p[4]), r - p * (r[4] / p[4]), ["mass"] * 30, left_out=[4]
    )
    assert [d.quantity for d in found] == [""]
    assert (found[0].verdict, found[0].left_out) == ("", 1)
    assert found[0].checks == pytest.approx(19.0)
    assert variance_factors(np.diag(P), r, ["mass"] * 30, left_out=[])[0].verdict == "too small"
    assert variance_factors(np.diag(P)[:2], r[:2], ["mass"] * 2, left_out=[]) == ()


def test_dispersion_is_wrong_as_often_as_stated() -> None:
    """Errors as stated: a verdict in 5 % of 600 surveys, within binomial limits of 1 in 1000."""
    P, rng = _checks(7, 12, 6)[1], np.random.default_rng(10)
    draws = (P @ rng.standard_normal(12) for _ in range(600))
    wrong = sum(
        variance_factors(np.diag(P), r, ["mass"] * 12, left_out=[])[0].verdict != "" for r in draws
    )
    low, high = binom.interval(0.999, 600, 1.0 - CONFIDENCE)
    assert low <= wrong <= high
