"""Evidence of errors that are there together, against quadrature over their sizes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often
from scipy.integrate import quad
from scipy.stats import norm

from oretally.recon.signatures import (
    Evidence,
    Ways,
    covariance_known,
    joined_ways,
    log_evidence,
    single_log_evidence,
)
from oretally.recon.signatures.evidence import size_factor

Floats = NDArray[np.float64]
NO_PRIOR, FIRST = np.zeros(1), np.zeros(1, dtype=np.intp)


def _together(size: Floats, covariance: Floats, ways: Sequence[Ways]) -> Evidence:
    """Weigh sets of errors in the same ways; those with fewer ways get some of no chance."""
    most = max(map(len, ways))
    none = [Ways.free([0.0] * (most - len(w)), np.full(most - len(w), -np.inf)) for w in ways]
    every = joined_ways([w for pair in zip(ways, none, strict=True) for w in pair])
    place = np.arange(len(ways) * most).reshape(len(ways), most)
    return log_evidence(size, covariance, every.at(np.tile(place, (len(size), 1, 1))))


def _moment(b: float, w: float, side: float = 0.0) -> float:
    """Return the density of a free size, b^2 exp(-b^2/(2 w^2)), normalised; twice on one side."""
    if side * b < 0.0:
        return 0.0
    density = b**2 / w**3 * np.exp(-0.5 * (b / w) ** 2) / np.sqrt(2.0 * np.pi)
    return float(density * (2.0 if side else 1.0))


def _by_quadrature(size: float, variance: float, w: float, side: float) -> float:
    """Return log of int p(b) N(size; b, C) db / N(0; 0, C), which is what stays of the odds."""
    sd = variance**0.5
    points = sorted({size, 0.0})
    ends = min(points) - 12.0 * (sd + 0.1), max(points) + 12.0 * (sd + 0.1)
    found = quad(lambda b: _moment(b, w, side) * norm.pdf(size, b, sd), *ends, points=points,
                 epsabs=0.0, epsrel=1e-10, limit=500)[0]  # fmt: skip
    return float(np.log(found) - norm.logpdf(0.0, 0.0, sd))


@pytest.mark.parametrize("side", [0.0, 1.0, -1.0])
@pytest.mark.parametrize(("size", "variance", "w"), [
    (0.0, 1.5, 6.0), (7.0, 1.2, 6.0), (-20.0, 4.0, 60.0), (3.0, 30.0, 6.0), (150.0, 1.1, 60.0),
])  # fmt: skip
def test_a_free_size_by_quadrature(size: float, variance: float, w: float, side: float) -> None:
    """The closed form is exact for one error, of either sign or of one."""
    found = single_log_evidence(size, variance, Ways.free([w], NO_PRIOR, side))[0]
    if side * size < -5.0 * variance**0.5:  # far out on the wrong side the tail is approximate
        assert found < -10.0
    else:
        assert found == pytest.approx(_by_quadrature(size, variance, w, side), abs=1e-6)


def test_a_slip_is_a_reading_elsewhere() -> None:
    """The density of what was meant: normal, its variance that of the corrected reading."""
    slip = Ways.slips(np.array([9.0]), np.array([-0.75]), NO_PRIOR, slip=FIRST, scale=NO_PRIOR)
    found = single_log_evidence(8.2, 1.4, slip)[0]
    # the reading's own variance of 1 becomes 0.25; the others' 0.4 stays
    expected = norm.logpdf(8.2 - 9.0, 0.0, 0.65**0.5) - norm.logpdf(0.0, 0.0, 1.4**0.5)
    assert found == pytest.approx(expected, abs=1e-12)


@given(others=st.floats(1e-6, 1e6), times=st.sampled_from([0.01, 0.1, 10.0, 1000.0]))
def test_a_number_multiplied_counts_by_what_is_left(others: float, times: float) -> None:
    """However well the others know it: the objective with it undone, and its chance.

    ``others`` is the variance of what they say in stated ones; ``fall`` what leaving it out makes
    of the objective, so that of putting it right follows from the linear balance.
    """
    size, meant = 7.0, 9.0
    slip = Ways.slips(np.array([meant]), np.array([times**2 - 1.0]), np.log([0.03 * times]),
                      slip=FIRST, scale=np.log([times]))  # fmt: skip
    left = (size - meant) ** 2 / (others + times**2)
    found = single_log_evidence(size, 1.0 + others, slip)[0]
    assert found == pytest.approx(np.log(0.03) - 0.5 * left, rel=1e-9, abs=1e-9)
    together = _together(np.array([[size]]), np.array([[[1.0 + others]]]), [slip])
    assert together.log_odds[0] == pytest.approx(found, rel=1e-9)


@settings(deadline=None, derandomize=True, max_examples=often(60, 0.4))
@given(st.lists(st.floats(-30.0, 30.0), min_size=2, max_size=4), st.integers(0, 1000))
def test_apart_errors_add_up(sizes: list[float], seed: int) -> None:
    """Errors whose traces do not overlap: the evidence of all is the sum of that of each."""
    rng = np.random.default_rng(seed)
    own = rng.uniform(1.05, 3.0, len(sizes))
    ways = [joined_ways([
        Ways.free((6.0, 60.0), np.log([0.02, 0.005])),
        Ways.slips(np.array([float(rng.uniform(-30.0, 30.0))]), np.array([0.5]),
                   np.array([-5.0]), slip=FIRST, scale=NO_PRIOR),
    ]) for _ in sizes]  # fmt: skip
    every = _together(np.array([sizes]), np.diag(own)[None], ways)
    alone = [_together(np.array([[s]]), np.array([[[v]]]), [w])
             for s, v, w in zip(sizes, own, ways, strict=True)]  # fmt: skip
    assert every.log_odds == pytest.approx(sum(a.log_odds for a in alone), abs=1e-8)
    for shares, one in zip(every.shares[0], alone, strict=True):
        assert shares == pytest.approx(one.shares[0, 0], abs=1e-8)
        assert shares.sum() == pytest.approx(1.0)


@settings(deadline=None, derandomize=True, max_examples=often(60, 0.4))
@given(n=st.integers(1, 4), sets=st.integers(1, 6), seed=st.integers(0, 10_000))
def test_sets_side_by_side_are_as_one_by_one(n: int, sets: int, seed: int) -> None:
    """Each way in a dense inverse of all errors together, the others in their best ways.

    The errors of a set overlap, one is a loss that can have one sign, one has fewer ways, of some
    other surveys say what is usual.
    """
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(sets, n, n + 1))
    C = root @ root.transpose(0, 2, 1) + np.eye(n)
    size = rng.normal(scale=6.0, size=(sets, n))
    every = [Ways(mean=rng.normal(scale=5.0, size=4), added=rng.uniform(-0.9, 3.0, 4),
                  width=np.zeros(4), log_prior=rng.normal(-5.0, 1.0, 4), side=np.zeros(4),
                  slip=np.arange(4), scale=rng.choice((-1.0, 0.0), 4),
                  usual=np.tile([rng.normal(), 0.02, 0.3, rng.choice((0.0, 9.0))], (4, 1)))
             for _ in range(n)]  # fmt: skip
    every[-1] = Ways.free([6.0, 60.0], np.log([0.02, 0.005]), np.array([1.0, -1.0]))
    found = _together(size, C, every)
    for s in range(sets):
        best = found.best[s].tolist()
        for i, own in enumerate(every):
            scores = [_dense(size[s], C[s], every, [*best[:i], w, *best[i + 1 :]])
                      for w in range(len(own))]  # fmt: skip
            odds = np.exp(scores - np.max(scores))
            assert found.shares[s, i, : len(own)] == pytest.approx(odds / odds.sum(), abs=1e-8)
            assert not found.shares[s, i, len(own) :].any()


def _dense(size: Floats, C: Floats, every: Sequence[Ways], chosen: Sequence[int]) -> float:
    """Return the log odds of errors that come about in the ways chosen, by dense matrices."""
    mean, added, width, side, scale, prior = (
        np.array([getattr(w, name)[c] for w, c in zip(every, chosen, strict=True)])
        for name in ("mean", "added", "width", "side", "scale", "log_prior")
    )
    M, known = C + np.diag(added), C + np.diag(np.expm1(2.0 * scale))
    gap, inverse = size - mean, np.linalg.inv(M)
    found = 0.5 * (np.linalg.slogdet(known)[1] - np.linalg.slogdet(M)[1])
    found += float((prior - scale).sum() - 0.5 * gap @ inverse @ gap)
    found += sum(float(w.log_usual(size[i], C[i, i])[c])
                 for i, (w, c) in enumerate(zip(every, chosen, strict=True)))  # fmt: skip
    b, v = added * (inverse @ gap), added - added**2 * np.diag(inverse)
    return float(found + size_factor(width, side, b, v).sum())


def test_two_slips_by_the_joint_density() -> None:
    C = np.array([[1.6, 0.4], [0.4, 1.3]])
    ways = [Ways.slips(np.array([m]), np.array([v]), np.array([p]), slip=FIRST, scale=NO_PRIOR)
            for m, v, p in ((5.0, 0.2, -3.0), (-7.0, 3.0, -4.0))]  # fmt: skip
    size = np.array([5.5, -6.0])
    gap, M = size - [5.0, -7.0], C + np.diag([0.2, 3.0])
    expected = 0.5 * np.log(np.linalg.det(C) / np.linalg.det(M)) - 7.0
    expected -= 0.5 * gap @ np.linalg.solve(M, gap)
    assert _together(size[None], C[None], ways).log_odds[0] == pytest.approx(expected, abs=1e-12)


def test_what_nothing_tells_is_known_beforehand() -> None:
    """Without a trace the others say no more than what is known; with one, both together."""
    none, most = np.zeros((1, 1)), np.array([40.0])
    assert covariance_known(none, np.ones(1), most) == pytest.approx(1.0 + 40.0**2, rel=1e-5)
    P = np.array([[0.2]])  # the others alone: a variance of 4
    both = 1.0 / (1.0 / 4.0 + 40.0**-2.0)
    assert covariance_known(P, np.ones(1), most) == pytest.approx(1.0 + both, rel=1e-6)
    loss = covariance_known(P, np.zeros(1), np.array([np.inf]))
    assert loss == pytest.approx(5.0, rel=1e-6)
