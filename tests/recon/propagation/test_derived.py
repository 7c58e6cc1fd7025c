"""Values with slopes: sums, products and ratios, their sd, and what they have in common."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from oretally.flowsheet import BalanceModel, Circuit, Position, Survey
from oretally.recon.propagation import (
    Derived,
    adjusted,
    amount_at,
    estimate,
    estimates,
    joint_estimate,
    total,
)
from oretally.recon.solver import Covariance, propagate, solve

FLOWS = {"feed": (25.0, 0.1), "conc": (1.1, 0.05)}
GRADES = {"Sn": {"feed": (0.80, 0.02), "conc": (12.0, 0.4), "tails": (0.30, 0.01)}}


@pytest.fixture
def covariance(two_products: Circuit, make_survey: Callable[..., Survey]) -> Covariance:
    problem = BalanceModel(two_products, make_survey(FLOWS, GRADES)).problem
    return propagate(problem, solve(problem))


def test_slopes_are_those_of_differences() -> None:
    """Of every operation, with a number on either side."""

    def f(a: Derived[str], b: Derived[str]) -> Derived[str]:
        return (2.0 - a * b) / (1.0 + a) + 3.0 / (b - 0.5) - total([a, 0.25 * b, a]) / 4.0

    def at(a: float, b: float) -> Derived[str]:
        return f(Derived(a, {"a": 1.0}), Derived(b, {"b": 1.0}))

    a, b, h = 0.7, 1.9, 1e-6
    found = at(a, b)
    assert found.value == pytest.approx((2 - a * b) / (1 + a) + 3 / (b - 0.5) - (a / 2 + b / 16))
    by_a = (at(a + h, b).value - at(a - h, b).value) / (2 * h)
    by_b = (at(a, b + h).value - at(a, b - h).value) / (2 * h)
    assert [found.slopes["a"], found.slopes["b"]] == pytest.approx([by_a, by_b], rel=1e-8)


def test_nothing_is_a_share_of_nothing() -> None:
    found = Derived(1.0, {"a": 1.0}) / Derived(0.0, {"b": 1.0})
    assert math.isnan(found.value) and found.slopes.keys() == {"a", "b"}


def test_sd_is_that_of_the_joint_covariance(covariance: Covariance) -> None:
    """Of the recovery, by its gradient written out (JCGM 100:2008, GUM, eq. 13)."""
    places = [Position(None, 1), Position(None, 0), Position(0, 1), Position(0, 0)]
    F, F0, x, x0 = (adjusted(covariance, p).value for p in places)
    R = F * x / (F0 * x0)
    g = R * np.array([1 / F, -1 / F0, 1 / x, -1 / x0])
    sd = float(g @ covariance.joint(places) @ g) ** 0.5
    share = amount_at(covariance, 0, 1) / amount_at(covariance, 0, 0)
    assert estimate(covariance, share) == pytest.approx((R, sd), rel=1e-9)


def test_what_must_add_up_has_no_error(covariance: Covariance) -> None:
    """Metal of both products per metal of the feed: 1, with an sd of 0 but for rounding."""
    conc, tails = (amount_at(covariance, 0, j) / amount_at(covariance, 0, 0) for j in (1, 2))
    whole, sd = estimate(covariance, conc + tails) or (0.0, 1.0)
    assert whole == pytest.approx(1.0) and sd < 1e-12
    found = joint_estimate(covariance, [conc, tails])
    assert found is not None
    assert found[1] == pytest.approx(found[1][0, 0] * np.array([[1.0, -1.0], [-1.0, 1.0]]))


def test_covariance_with_all_is_that_of_pairs(covariance: Covariance) -> None:
    share = amount_at(covariance, 0, 1) / amount_at(covariance, 0, 0)
    flows, grades = covariance.with_all(share.slopes)
    for j in range(3):
        for k, found in ((None, flows[j]), (0, grades[0, j])):
            pair = joint_estimate(covariance, [share, adjusted(covariance, Position(k, j))])
            assert pair is not None and found == pytest.approx(pair[1][0, 1], rel=1e-9, abs=1e-18)


def test_what_nothing_determines_has_no_estimate(
    two_products: Circuit, make_survey: Callable[..., Survey]
) -> None:
    """Only the feed is weighed and one product assayed: its flow is known, the rest is not."""
    survey = make_survey({"feed": (25.0, 0.1)}, {"Sn": {"conc": (12.0, 0.4)}})
    problem = BalanceModel(two_products, survey).problem
    covariance = propagate(problem, solve(problem))
    fed, conc = (adjusted(covariance, Position(None, j)) for j in (0, 1))
    known, *unknown = estimates(covariance, [fed, conc, conc / fed, 0.0 * conc + fed])
    assert known == pytest.approx((25.0, 0.1)) and unknown == [None] * 3
    assert joint_estimate(covariance, [fed, conc]) is None
