"""What hangs on a grade that rests at its bound: the grade may be inside, and its ± says so.

By hand where one number is open, against draws that share nothing with it elsewhere: the balances
linearised densely, the normal distribution without bounds drawn, and what is inside kept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.linalg
from dense_balances import jacobian
from numpy.typing import NDArray
from often import often
from published import within_binomial
from scipy import sparse
from scipy.special import erfcx

from oretally.flowsheet import BalanceProblem, Position
from oretally.recon.numerics import cut_moments, cut_second_moments
from oretally.recon.propagation import (
    adjusted,
    amount_at,
    estimate,
    moved_by_bounds,
    moved_by_errors,
)
from oretally.recon.solution import Solution
from oretally.recon.solver import propagate, solve

Floats = NDArray[np.float64]
Maker = Callable[..., Any]
NAN = np.nan
FEED, CONC, TAILS = range(3)


def _mills(a: float) -> float:
    """Return the hazard of the standard normal distribution at a."""
    return float(np.sqrt(2.0 / np.pi) / erfcx(a / np.sqrt(2.0)))


def _square(push: float, curvature: float, width: float = np.inf) -> float:
    """Return the second moment of one d by itself."""
    each = cut_second_moments(np.array([push]), np.array([[curvature]]), np.array([width]))
    return float(each[0, 0])


@pytest.mark.parametrize("a", [0.0, 0.3, 1.0, 4.0, 12.0])
@pytest.mark.parametrize("sd", [1e-6, 1.0, 300.0])
def test_one_cut_by_its_closed_form(a: float, sd: float) -> None:
    """E[X] = h - a and E[X^2] = 1 - a (h - a) of N(-a, 1) above 0."""
    mean, _ = cut_moments(a / sd, sd**-2.0)
    excess = _mills(a) - a
    assert mean == pytest.approx(sd * excess, rel=1e-11)
    assert _square(a / sd, sd**-2.0) == pytest.approx(sd**2 * (1.0 - a * excess), rel=1e-11)


def test_one_cut_far_out_and_flat() -> None:
    """Far out an exponential distribution, 2 / t^2; flat between two ends a uniform one."""
    for a in (1e2, 1e4, 1e9):
        assert _square(a, 1.0) * a**2 == pytest.approx(2.0 - 10.0 / a**2, rel=1e-6)
    assert _square(3.0, 0.0) == pytest.approx(2.0 / 9.0)
    assert _square(0.0, 0.0, 2.0) == pytest.approx(4.0 / 3.0)
    assert _square(0.0, 1e-12, 2.0) == pytest.approx(4.0 / 3.0)
    assert cut_moments(-5.0, 0.0, 2.0)[0] == pytest.approx(2.0 - cut_moments(5.0, 0.0, 2.0)[0])


@pytest.mark.parametrize("push", [-3.0, -0.2, 0.0, 1.0])
def test_one_cut_at_both_ends_by_draws(push: float) -> None:
    y = np.random.default_rng(1).standard_normal(2_000_000) - push
    y = y[(y > 0.0) & (y < 1.5)]
    assert cut_moments(push, 1.0, 1.5) == pytest.approx((y.mean(), y.var()), rel=4e-3)


@pytest.mark.parametrize("turn", [-0.9, -0.3, 0.0, 0.6, 0.95])
def test_two_cuts_by_draws(turn: float) -> None:
    """Second moments along any direction: to 3 % of an sd, 1 % where the turn is not large."""
    V = np.array([[1.0, turn], [turn, 1.0]])
    K, rng, least = np.linalg.inv(V), np.random.default_rng(2), 0.02 if abs(turn) < 0.7 else 0.06
    for mean in ([0.0, 0.0], [-0.7, -0.2], [-1.2, 0.4]):
        y = rng.multivariate_normal(mean, V, 400_000)
        y = y[(y > 0.0).all(axis=1)]
        found = cut_second_moments(-K @ mean, K, np.full(2, np.inf))
        for angle in np.linspace(0.0, np.pi, 12):
            g = np.array([np.cos(angle), np.sin(angle)])
            drawn, error = float(((y @ g) ** 2).mean()), float(((y @ g) ** 2).std() / len(y) ** 0.5)
            assert abs(g @ found @ g - drawn) < least * drawn + 5.0 * error


def test_cuts_apart_are_each_alone() -> None:
    found = cut_second_moments(np.array([2.0, 0.5]), np.diag([4.0, 1.0]), np.array([np.inf, 1.0]))
    one, other = cut_moments(2.0, 4.0), cut_moments(0.5, 1.0, 1.0)
    mean, variance = (np.array(part) for part in zip(one, other, strict=True))
    assert found == pytest.approx(np.outer(mean, mean) + np.diag(variance))


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_two_cuts_of_which_only_one_direction_is_seen(turn: float) -> None:
    """Of d1 + turn d2 alone there is a normal distribution; both are pushed. By a grid."""
    K, push = np.array([[1.0, turn], [turn, 1.0]]), np.array([1.0, 0.2])
    found = cut_second_moments(push, K, np.full(2, np.inf))
    d = np.linspace(0.0, 40.0, 1001)
    one, other = d[:, None], d[None, :]
    density = np.exp(-push[0] * one - push[1] * other - 0.5 * (one + turn * other) ** 2)
    density[0] *= 0.5  # half a step
    density[:, 0] *= 0.5
    density /= density.sum()
    drawn = np.sqrt([(density * one**2).sum(), (density * other**2).sum()])
    assert np.sqrt(np.diag(found)) == pytest.approx(drawn, rel=0.1)


def _two_products(
    flow: Sequence[float], flow_sd: Sequence[float], grade: Any, grade_sd: Any
) -> BalanceProblem:
    A, x, sd = sparse.csr_array([[1.0, -1.0, -1.0]]), np.array(grade), np.array(grade_sd)
    return BalanceProblem(
        flow_balance=A, flow_source=np.zeros(1), analyte_balance=(A,) * len(x),
        analyte_source=(np.zeros(1),) * len(x), tie=np.arange(3), flow=np.array(flow),
        flow_sd=np.array(flow_sd), flow_lower=np.zeros(3), grade=x, grade_sd=sd,
        grade_lower=np.zeros(x.shape), grade_upper=np.ones(x.shape),
    )  # fmt: skip


def _one_open(f: float, tails: float = NAN, tails_sd: float = NAN) -> BalanceProblem:
    """100 t at f +- 0.02 %, 3 t of concentrate at 30 % exactly: nothing left to the tails."""
    flow, flow_sd = [100.0, 3.0, NAN], [0.0, 0.0, NAN]
    return _two_products(flow, flow_sd, [[f, 0.30, tails]], [[2e-4, 0.0, tails_sd]])


def test_by_hand() -> None:
    """A feed read one sd below what the concentrate alone has: 0.88 % +- 0.02 %, of 0.90 %.

    Its grade x is N(0.88 %, 0.02 %) above 0.90 %, where the estimate rests: E[X^2] of X = N(-1, 1)
    above 0 is 1 - (h(1) - 1) = 0.474865, h(1) = 1.525135. The tails have 100/97 of what x has
    more.
    """
    problem = _one_open(0.0088)
    found = solve(problem)
    assert found.converged and found.grade_at_bound[0, TAILS]
    assert found.grade[0, FEED] == pytest.approx(0.009)
    covariance, sd = propagate(problem, found), 2e-4 * 0.474865**0.5
    assert covariance.grade_sd[0] == pytest.approx([sd, 0.0, sd * 100.0 / 97.0], rel=1e-6)
    assert covariance.held.grade_sd[0] == pytest.approx(np.zeros(3), abs=1e-12)
    assert covariance.at_bounds == [(Position(0, TAILS),)]
    share = amount_at(covariance, 0, CONC) / amount_at(covariance, 0, FEED)
    told = estimate(covariance, share)
    assert told is not None and told[0] == pytest.approx(1.0)
    assert told[1] == pytest.approx(sd / 0.009, rel=1e-6)


def test_by_hand_with_a_reading_at_the_bound() -> None:
    """The tails too were read, 0.01 +- 0.02 %: a normal distribution of both readings, cut at 0."""
    sd = 2e-4
    problem = _one_open(0.0088, 1e-4, sd)
    found = solve(problem)
    assert found.grade[0, TAILS] == 0.0
    K = (0.97**2 + 1.0) / sd**2
    square = _square((0.97 * 2e-4 - 1e-4) / sd**2, K)
    told = propagate(problem, found).grade_sd[0]
    assert told == pytest.approx([0.97 * square**0.5, 0.0, square**0.5], rel=1e-6)


def test_by_hand_at_the_maximum() -> None:
    """All tails at the maximum of an analyte: the same, seen from above."""
    problem = _one_open(0.0088)
    turned = replace(problem, grade=1.0 - problem.grade)  # grades of all else
    covariance, other = (propagate(p, solve(p)) for p in (problem, turned))
    assert other.solution.grade[0, TAILS] == 1.0
    assert other.grade_sd == pytest.approx(covariance.grade_sd, rel=1e-6)


def test_the_other_end_is_known_too() -> None:
    """A grade known to half of all there is lies between 0 and the maximum, not beyond."""
    problem = _two_products(
        [100.0, 90.0, NAN], [0.0, 0.0, NAN], [[0.30, 0.34, NAN]], [[0.05, 0.0, NAN]]
    )
    found = solve(problem)
    assert found.grade_at_bound[0, TAILS]
    sd, below = 0.5, 0.06  # 10 t of tails: 100 t x 5 %, and 30.6 t in the concentrate of 30 t
    square = _square(below / sd**2, sd**-2.0, 1.0)
    told = propagate(problem, found).grade_sd[0, TAILS]
    assert told == pytest.approx(square**0.5, rel=1e-6)
    assert told < 0.93 * _square(below / sd**2, sd**-2.0) ** 0.5


@pytest.mark.parametrize("beyond", [1e-4, -1e-4])
def test_nothing_jumps_where_a_bound_begins_to_hold(beyond: float, random_circuit: Maker) -> None:
    """A bound laid 0.0001 sd to either side of where a grade lies by itself: one covariance."""
    seen = 0
    for seed in range(often(60)):
        made = random_circuit(seed, 2 + seed % 4, 1 + seed % 2)
        problem = made.problem(0.03, 0.4, 0.4)
        free = solve(problem)
        told = propagate(problem, free)
        open_yet = np.isnan(problem.grade) & (told.grade_sd < 0.1)  # of 1: far from the other end
        if not free.converged or free.grade_at_bound.any() or free.flow_at_bound.any():
            continue
        for k, j in np.argwhere(open_yet)[:1].tolist():
            lower, sd = problem.grade_lower.copy(), told.grade_sd[k, j]
            lower[k, problem.tie == problem.tie[j]] = free.grade[k, j] + beyond * sd
            near = replace(problem, grade_lower=lower)
            ours = propagate(near, solve(near))
            assert bool(ours.at_bounds) == (beyond > 0.0)
            for a, b in ((ours.flow_sd, told.flow_sd), (ours.grade_sd, told.grade_sd)):
                assert a == pytest.approx(b, rel=1e-3, abs=1e-12, nan_ok=True)
            seen += 1
    assert seen >= often(60) / 3


def _kept(
    problem: BalanceProblem, found: Solution, held: Sequence[Position], n: int
) -> Floats | None:
    """Return draws of all values about the balance without bounds, of which those inside are kept.

    None if the balances leave anything open then, or too little is inside.
    """
    F, x = found.flow, found.grade
    y = np.concatenate([F, x.ravel()])
    J = jacobian(problem, F, x)
    size = np.where(y > 0.0, y, np.median(y[y > 0.0]))
    J = J * size
    N = scipy.linalg.null_space(J / np.abs(J).max(axis=1, keepdims=True), rcond=1e-10)
    sd = np.concatenate([problem.flow_sd, problem.grade_sd.ravel()]) / size
    soft = np.isfinite(sd) & (sd > 0.0)
    H = N[soft] / sd[soft, None]
    read = np.concatenate([problem.flow, problem.grade.ravel()]) / size
    if np.linalg.matrix_rank(H, tol=1e-7 * np.linalg.norm(H, 2)) < H.shape[1]:
        return None
    step = np.linalg.lstsq(H, (read - y / size)[soft] / sd[soft], rcond=None)[0]
    root = np.linalg.inv(np.linalg.qr(H)[1])
    at = [F.size * (1 + k) + j for k, j in held if k is not None]
    draws = np.random.default_rng(1).standard_normal((n, N.shape[1])) @ root.T + step
    inside = (draws @ N[at].T > 0.0).all(axis=1)
    return (draws[inside] @ N.T) * size if inside.sum() > 2000 else None


def _agrees(problem: BalanceProblem, n_bounds: int) -> bool:
    """Assert that all sds are those of draws; False if the balance is none of this kind."""
    found = solve(problem)
    if not found.converged or np.isnan(found.grade).any() or found.flow_at_bound.any():
        return False
    covariance = propagate(problem, found)
    first = [places[0] for places in covariance.at_bounds]
    if len(first) != n_bounds:
        return False
    far = max(covariance.grade_sd[place] for place in first) < 0.15 and found.grade.max() < 0.9
    draws = _kept(problem, found, first, 60_000) if far else None  # draws know no other end
    if draws is None:
        return False
    drawn = np.sqrt((draws**2).mean(axis=0))
    told = np.concatenate([covariance.flow_sd, covariance.grade_sd.ravel()])
    error = 5.0 * (draws**2).std(axis=0) / len(draws) ** 0.5 / (2.0 * drawn + 1e-300)
    known = np.isfinite(told) & (drawn > 1e-9 * drawn.max())
    least = 1e-9 if n_bounds == 1 else 0.03
    assert (np.abs(told - drawn)[known] <= (least * drawn + error)[known]).all()
    return True


def test_against_draws_of_what_is_inside(random_circuit: Maker) -> None:
    """Every flow and grade of random circuits with a grade at 0."""
    seen = 0
    for seed in range(often(150)):
        made = random_circuit(seed, 2 + seed % 4, 1 + seed % 3)
        for _ in range(3):
            problem = made.problem((0.1, 0.2)[seed % 2], 0.3, (0.3, 0.5)[seed // 2 % 2])
            seen += _agrees(problem, 1)
    assert seen >= often(150) / 15


def _two_cells(rng: np.random.Generator) -> BalanceProblem:
    """Feed and both concentrates assayed, the tails of neither cell, which have nothing."""
    A = sparse.csr_array([[1.0, -1.0, -1.0, 0.0, 0.0], [0.0, 1.0, 0.0, -1.0, -1.0]])
    flow, assayed = np.array([100.0, 40.0, 60.0, 5.0, 35.0]), np.array([1, 1, 0, 1, 0], dtype=bool)
    grade = np.where(assayed, 1.0 / flow, NAN)
    sd = 0.05 * grade
    return BalanceProblem(
        flow_balance=A, flow_source=np.zeros(2), analyte_balance=(A,),
        analyte_source=(np.zeros(2),), tie=np.arange(5), flow_lower=np.zeros(5),
        flow=flow * (1.0 + 0.02 * rng.standard_normal(5)), flow_sd=0.02 * flow,
        grade=(grade + sd * rng.standard_normal(5))[None], grade_sd=sd[None],
        grade_lower=np.zeros((1, 5)), grade_upper=np.ones((1, 5)),
    )  # fmt: skip


def test_two_grades_at_their_bounds() -> None:
    """One cell behind the other: what the first tails have, the second lack."""
    rng, seen = np.random.default_rng(3), 0
    for _ in range(often(60)):
        seen += _agrees(_two_cells(rng), 2)
    assert seen >= often(60) / 15


@pytest.mark.parametrize("seed", range(4))
def test_what_measurements_and_bounds_add_is_all(seed: int) -> None:
    """Squares of what each error moves add up to each variance; balances close in every root."""
    rng = np.random.default_rng(seed)
    while True:
        problem = _two_cells(rng)
        found = solve(problem)
        covariance = propagate(problem, found)
        if len(covariance.at_bounds) == 2:
            break
    n = problem.n_carriers
    values = [adjusted(covariance, Position(k, j)) for k in (None, 0) for j in range(n)]
    read = [Position(None, j) for j in range(n)]
    read += [Position(0, j) for j in range(n) if np.isfinite(problem.grade[0, j])]
    by_errors = moved_by_errors(covariance, values, read)
    by_bounds = moved_by_bounds(covariance, values)
    variance = np.concatenate([covariance.flow_sd, covariance.grade_sd[0]]) ** 2
    assert (by_errors**2).sum(axis=1) + (by_bounds**2).sum(axis=1) == pytest.approx(variance)
    metal = [amount_at(covariance, 0, j) for j in range(n)]
    for row in problem.flow_balance.toarray():
        gap = metal[0] * 0.0
        for sign, amount in zip(row.tolist(), metal, strict=True):
            gap = gap + sign * amount
        told = estimate(covariance, gap)
        assert told is not None and told[1] == pytest.approx(0.0, abs=1e-9)
    flows, grades = covariance.many_with_all([v.slopes for v in values])
    whole = covariance.joint([Position(k, j) for k in (None, 0) for j in range(n)])
    assert np.hstack([flows, grades[:, 0]]) == pytest.approx(whole, abs=1e-12)
    assert whole == pytest.approx(whole.T) and np.diag(whole) == pytest.approx(variance)


def _drawn_tails(rng: np.random.Generator) -> tuple[BalanceProblem, Floats, Floats]:
    """Return a survey of a two-product test, and its true flows and grades.

    Tin of the tails was not assayed: anything from 0 to five times what it is known to. Iron, by
    which concentrate and tails differ little, was assayed everywhere.
    """
    t = rng.uniform(0.0, 5.0 * 0.0018)
    flow = np.array([100.0, 3.0, 97.0])
    grade = np.array([[0.009 + 0.97 * t, 0.30, t], [0.0575, 0.30, 0.05]])
    flow_sd = np.array([1.0, NAN, NAN])
    grade_sd = np.array([[2e-4, 0.003, NAN], [1.1e-3, 6e-3, 1e-3]])
    problem = _two_products(
        (flow + flow_sd * rng.standard_normal(3)).tolist(), flow_sd.tolist(),
        grade + grade_sd * rng.standard_normal((2, 3)), grade_sd,
    )  # fmt: skip
    return problem, flow, grade


def test_the_truth_is_within_two_sd() -> None:
    """Mass and recovery of a concentrate that hang on tails at 0: 19 times out of 20, not half."""
    rng, n = np.random.default_rng(4), 0
    told = {name: 0 for name in ("mass", "mass held", "iron", "iron held")}
    while n < often(400):
        problem, flow, grade = _drawn_tails(rng)
        x = problem.grade
        if x[0, FEED] > x[0, CONC] * (x[1, FEED] - x[1, TAILS]) / (x[1, CONC] - x[1, TAILS]):
            continue  # more than the concentrate has, by iron
        n, found = n + 1, solve(problem)
        assert found.converged and found.grade_at_bound[0, TAILS]
        free = propagate(problem, found)
        for more, covariance in (("", free), (" held", free.held)):
            off = abs(found.flow[CONC] - flow[CONC])
            told["mass" + more] += off < 2.0 * covariance.flow_sd[CONC]
            share = amount_at(covariance, 1, CONC) / amount_at(covariance, 1, FEED)
            true = flow[CONC] * grade[1, CONC] / (flow[FEED] * grade[1, FEED])
            sd = estimate(covariance, share)
            assert sd is not None
            told["iron" + more] += abs(share.value - true) < 2.0 * sd[1]
    assert within_binomial(told["mass"], n, 0.955) and within_binomial(told["iron"], n, 0.955)
    assert max(told["mass held"], told["iron held"]) < 0.75 * n, told
