"""Posterior of sets of errors: against numerical integration, and against all sets at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import NIGHTLY, often
from scipy.integrate import quad

from oretally.recon.gross_errors.explanations import (
    ErrorCandidates,
    Posterior,
    _Search,
    explain,
)

Floats = NDArray[np.float64]
Chosen = tuple[int, ...]

RATE, WIDTH = 0.03, 6.0
SEEDS = st.integers(0, 10_000)


def _candidate(
    rates: Sequence[float] = (RATE,), widths: Sequence[float] = (WIDTH,)
) -> ErrorCandidates:
    chance = np.array(rates)
    owner = np.zeros(chance.size, dtype=np.intp)
    return ErrorCandidates(owner, np.array(widths), -np.log(chance / (1.0 - chance)))


def _numbered(candidates: Sequence[ErrorCandidates]) -> ErrorCandidates:
    """Return the ways of all, each candidate the owner of its own."""
    return ErrorCandidates.joined([replace(c, owner=c.owner + i) for i, c in enumerate(candidates)])


def _density(b: Floats, w: float) -> Floats:
    """Return the density of an error's size before looking, as the module states it."""
    return np.asarray(b**2 * np.exp(-(b**2) / (2.0 * w**2)) / ((2.0 * np.pi) ** 0.5 * w**3))


def _integrated(z: float, w: float) -> float:
    """Return the log of the marginal likelihood ratio of one error, by quadrature.

    exp(z b - b^2 / 2) is the likelihood of an error of b sd against none; exp(z^2 / 2) is taken
    out of the integrand.
    """

    def integrand(b: float) -> float:
        return float(_density(np.array(b), w) * np.exp(-0.5 * (b - z) ** 2))

    found = quad(integrand, z - 12.0, z + 12.0, points=[0.0, z], epsabs=0.0, epsrel=1e-12)
    return float(np.log(found[0]) + 0.5 * z**2)


def _integrated_pair(z: Floats, w: Floats, c: float) -> float:
    """Return the same for two errors whose traces have the correlation c.

    The trapezoidal rule on a plane grid; for an integrand like this its error is below rounding.
    """
    C = np.array([[1.0, c], [c, 1.0]])
    centre = np.linalg.solve(C, z)
    step = 0.05
    side = np.arange(-14.0, 14.0, step)
    b0, b1 = np.meshgrid(centre[0] + side, centre[1] + side, indexing="ij")
    exponent = z[0] * b0 + z[1] * b1 - 0.5 * (b0**2 + 2.0 * c * b0 * b1 + b1**2)
    top = float(exponent.max())
    total = (_density(b0, w[0]) * _density(b1, w[1]) * np.exp(exponent - top)).sum()
    return float(np.log(total * step**2)) + top


def _alone(C: Floats, z: Floats, candidate: ErrorCandidates) -> float:
    """Return the log odds of one candidate alone, in any of its ways, against nothing."""
    nothing = np.zeros((1, 0), dtype=np.intp)
    return float(np.logaddexp.reduce(_Search(C, z, candidate).extensions(nothing)[0]))


def _log_odds(found: Posterior, chosen: Chosen) -> float:
    by_set = {e.chosen: e.probability for e in found.explanations}
    return float(np.log(by_set[chosen] / by_set[()]))


@pytest.mark.parametrize("w", [0.5, 6.0, 60.0, 1000.0])
@pytest.mark.parametrize("z", [0.0, -2.5, 4.0, 12.0])
def test_one_error_is_exact(z: float, w: float) -> None:
    """Log odds of one error = integrated likelihood ratio minus the cost, to 1e-8."""
    one, here, C = _candidate(widths=[w]), np.array([z]), np.eye(1)
    expected = _integrated(z, w) - one.cost[0]
    assert _alone(C, here, one) == pytest.approx(expected, abs=1e-8)
    if expected > -8.0:  # sets further below the best are not kept
        assert _log_odds(explain(C, here, _numbered([one])), (0,)) == pytest.approx(
            expected, abs=1e-8
        )


def test_ways_of_one_error_add_up() -> None:
    """The odds of one error in three ways are the sum of the odds of each way."""
    one = _candidate([0.02, 0.005, 0.003], [6.0, 60.0, 1000.0])
    z = 7.0
    each = [_integrated(z, w) - cost for w, cost in zip(one.width, one.cost, strict=True)]
    expected = float(np.log(np.exp(each).sum()))
    assert _alone(np.eye(1), np.array([z]), one) == pytest.approx(expected, abs=1e-8)
    found = explain(np.eye(1), np.array([z]), _numbered([one]))
    assert 0.0 < found.left_out < 1e-7  # the widest way, far below the best, is not counted
    assert _log_odds(found, (0,)) == pytest.approx(expected, abs=1.01 * found.left_out)


def test_two_errors_without_overlap_are_exact() -> None:
    """Uncorrelated traces: the log odds of both are the sum of the single ones."""
    z, pair = np.array([6.0, -8.0]), [_candidate(), _candidate(widths=[20.0])]
    alone = [_alone(np.eye(1), z[[i]], pair[i]) for i in range(2)]
    assert _log_odds(explain(np.eye(2), z, _numbered(pair)), (0, 1)) == pytest.approx(
        sum(alone), abs=1e-8
    )


@pytest.mark.parametrize("signs", [(1.0, 1.0), (1.0, -1.0)])
@pytest.mark.parametrize("errors", [(6.0, 6.0), (6.0, 10.0), (10.0, 8.0), (10.0, 10.0)])
def test_two_overlapping_errors_are_near(
    errors: tuple[float, float], signs: tuple[float, float]
) -> None:
    """Correlation 0.6, errors of 6 to 10 sd: within 0.15 of the log odds by plane integration.

    The sizes' covariance is left out of the factors b^2: + 4 m_1 m_2 c + 2 c^2, by Isserlis.
    """
    c = 0.6
    C = np.array([[1.0, c], [c, 1.0]])
    z = C @ (np.array(errors) * signs)
    pair = [_candidate(), _candidate()]
    exact = _integrated_pair(z, np.array([WIDTH, WIDTH]), c) - sum(p.cost[0] for p in pair)
    ours = _log_odds(explain(C, z, _numbered(pair)), (0, 1))
    assert ours == pytest.approx(exact, abs=0.15)
    assert abs(ours - exact) > 1e-4  # an approximation: if it became exact, say so there


def _overlapping(
    rng: np.random.Generator, n: int, rank: int, most: int = 3
) -> tuple[Floats, Floats]:
    """Return correlations of n traces in ``rank`` checks, statistics with few errors."""
    signatures = rng.standard_normal((n, rank))
    signatures /= np.linalg.norm(signatures, axis=1)[:, None]
    errors = np.zeros(n)
    wrong = rng.permutation(n)[: rng.integers(most + 1)]
    errors[wrong] = rng.uniform(4.0, 12.0, wrong.size) * rng.choice([-1.0, 1.0], wrong.size)
    return signatures @ signatures.T, signatures @ (
        signatures.T @ errors + rng.standard_normal(rank)
    )


def _of_all_sets(C: Floats, z: Floats, candidates: list[ErrorCandidates]) -> dict[Chosen, float]:
    """Return the probability of every set: the formula in the module's docstring, set by set."""
    log_odds: dict[Chosen, list[float]] = {}
    for ways in product(*(range(-1, c.width.size) for c in candidates)):
        T = [i for i, way in enumerate(ways) if way >= 0]
        w = np.array([candidates[i].width[ways[i]] for i in T])
        Q = C[np.ix_(T, T)] + np.diag(w**-2.0)
        inverse = np.linalg.inv(Q)
        m, v = inverse @ z[T], np.diag(inverse)
        score = 0.5 * z[T] @ m - 0.5 * np.log(np.linalg.det(w[:, None] * Q * w))
        score += np.log((m**2 + v) / w**2).sum() - sum(candidates[i].cost[ways[i]] for i in T)
        log_odds.setdefault(tuple(T), []).append(float(score))
    best = max(max(scores) for scores in log_odds.values())
    odds = {T: float(np.exp(np.array(scores) - best).sum()) for T, scores in log_odds.items()}
    total = sum(odds.values())
    return {T: share / total for T, share in odds.items()}


# the last has four errors, of which three sets of three explain most
CASES = [*((seed, 6 + seed % 3, 3) for seed in range(24 if NIGHTLY else 12)), (1041, 8, 4)]


@pytest.mark.parametrize(("seed", "n", "most"), CASES)
def test_search_against_all_sets(seed: int, n: int, most: int) -> None:
    """Overlapping, rank-deficient traces: probabilities within ``left_out`` of all sets."""
    rng = np.random.default_rng(seed)
    C, z = _overlapping(rng, n, int(rng.integers(3, n)), most)
    n_ways = rng.integers(1, 3, n) if n < 8 else np.full(n, 2)
    candidates = [_candidate([0.03, 0.01][:k], [6.0, 60.0][:k]) for k in n_ways]
    all_sets = _of_all_sets(C, z, candidates)
    found = explain(C, z, _numbered(candidates))
    marginal = np.array([sum(p for T, p in all_sets.items() if i in T) for i in range(n)])
    assert np.abs(found.probability - marginal).max() <= found.left_out + 1e-9
    ours = {e.chosen: e.probability for e in found.explanations}
    for chosen, probability in all_sets.items():
        if probability > 0.01:
            assert ours[chosen] == pytest.approx(probability, rel=0.02)
    assert sum(ours.values()) == pytest.approx(1.0, abs=1e-12)
    assert found.explanations[0].chosen == max(all_sets, key=lambda T: all_sets[T])


@settings(derandomize=True, deadline=None, max_examples=often(25, 0.4))
@given(seed=SEEDS, n=st.integers(1, 8))
def test_nothing_in_the_data(seed: int, n: int) -> None:
    """All statistics 0: 'nothing is wrong' is likeliest, every error less likely than before."""
    rng = np.random.default_rng(seed)
    C, _ = _overlapping(rng, n, int(rng.integers(1, n + 1)))
    found = explain(C, np.zeros(n), _numbered([_candidate([0.2], [2.0]) for _ in range(n)]))
    assert found.explanations[0].chosen == ()
    assert (found.probability > 0.0).all()  # so the next line compares something
    assert (found.probability < 0.2).all()


def test_nothing_that_could_be_wrong() -> None:
    none = _candidate((), ())
    found = explain(np.zeros((0, 0)), np.zeros(0), none)
    assert [e.chosen for e in found.explanations] == [()]
    assert not found.probability.size


def test_grows_with_the_statistic() -> None:
    """The larger one statistic, the likelier that error; the others, uncorrelated, stay."""
    three = [_candidate([0.2], [3.0]) for _ in range(3)]
    found = [
        explain(np.eye(3), np.array([z, 1.0, -2.0]), _numbered(three)).probability
        for z in np.linspace(0.0, 6.0, 25)
    ]
    grown = np.array(found)
    assert (np.diff(grown[:, 0]) > 0.0).all()
    assert grown[0, 0] < 0.2 < 0.99 < grown[-1, 0]
    assert np.ptp(grown[:, 1:], axis=0).max() < 2e-3  # sets far below the best are not counted


def test_two_large_errors_are_found_together() -> None:
    """Two large uncorrelated statistics among small ones: both, and no other."""
    z = np.array([0.3, 9.0, -1.0, -15.0, 0.8])
    found = explain(np.eye(5), z, _numbered([_candidate() for _ in range(5)]))
    assert found.explanations[0].chosen == (1, 3)
    assert found.explanations[0].probability > 0.9
    assert found.probability[[1, 3]] == pytest.approx([1.0, 1.0], abs=1e-3)
    assert found.probability[[0, 2, 4]].max() < RATE


@settings(derandomize=True, deadline=None, max_examples=often(40, 0.4))
@given(seed=SEEDS, order=st.permutations(range(6)))
def test_order_does_not_matter(seed: int, order: list[int]) -> None:
    """ErrorCandidates in another order have the same probabilities, up to what was not counted."""
    rng = np.random.default_rng(seed)
    C, z = _overlapping(rng, 6, 4)
    rates, widths = rng.uniform(0.01, 0.2, 6), rng.uniform(3.0, 30.0, 6)
    candidates = [_candidate([p], [w]) for p, w in zip(rates, widths, strict=True)]
    one = explain(C, z, _numbered(candidates))
    other = explain(C[np.ix_(order, order)], z[order], _numbered([candidates[i] for i in order]))
    slack = one.left_out + other.left_out + 1e-9
    assert slack < 0.05
    assert np.abs(other.probability - one.probability[order]).max() <= slack


@settings(derandomize=True, deadline=None, max_examples=often(25, 0.4))
@given(seed=SEEDS, never=st.integers(0, 4))
def test_rate_zero_never_occurs(seed: int, never: int) -> None:
    """A candidate of infinite cost is in no explanation, however large its statistic."""
    rng = np.random.default_rng(seed)
    C, z = _overlapping(rng, 5, 4)
    z = z + 30.0 * C[never]
    candidates = [_candidate() for _ in range(5)]
    allowed = explain(C, z, _numbered(candidates))
    candidates[never] = replace(_candidate([RATE, RATE], [WIDTH, 60.0]), cost=np.full(2, np.inf))
    found = explain(C, z, _numbered(candidates))
    assert allowed.probability[never] > 0.0
    assert found.probability[never] == 0.0
    assert all(never not in e.chosen for e in found.explanations)
    assert np.isfinite(found.probability).all()
    assert _alone(C[:1, :1], z[:1], candidates[never]) == -np.inf
