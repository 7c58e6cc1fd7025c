"""Stated errors judged by the adjustments of many surveys."""

from __future__ import annotations

import numpy as np
import pytest
from often import NIGHTLY
from published import within_binomial
from redrawn_evidence import campaign_evidence, redrawn

from oretally.recon.persistent_bias import judged_errors
from oretally.recon.persistent_bias.stacked_evidence import bias_candidates, stacked_evidence_of
from oretally.recon.result import ErrorPlace

WISHFUL = ErrorPlace("measurement", "tailings", "Fe")


def test_a_wishful_error_is_found_and_another_proposed() -> None:
    surveys = campaign_evidence(60 if not NIGHTLY else 100)
    rng = np.random.default_rng(4)
    stack, time = (
        stacked_evidence_of(surveys, bias_candidates(surveys)),
        np.arange(float(len(surveys))),
    )
    factors, named = list[float](), 0
    n = 40 if NIGHTLY else 2
    for _ in range(n):
        drawn = redrawn(surveys, rng, size=lambda p: 2.0 if p == WISHFUL else 1.0)
        found, _ = judged_errors(drawn, stack, [], time, alpha=0.05)
        own = next(e for e in found if e.places == (WISHFUL,))
        factors.append(own.factor)
        named += own.wrong
        assert own.unit == "rel %" and own.stated == pytest.approx(1.5, rel=0.02)
        if own.low is not None and own.high is not None:
            assert own.low < own.factor < own.high
    assert np.mean(factors) == pytest.approx(2.0, rel=0.25 if n < 10 else 0.04)
    assert named >= 0.75 * n


def test_sound_errors_are_left_alone() -> None:
    surveys = campaign_evidence(24)
    rng = np.random.default_rng(9)
    stack, time = (
        stacked_evidence_of(surveys, bias_candidates(surveys)),
        np.arange(float(len(surveys))),
    )
    n = 300 if NIGHTLY else 5
    alarms = 0
    for _ in range(n):
        found, unjudged = judged_errors(redrawn(surveys, rng), stack, [], time, alpha=0.05)
        alarms += any(e.wrong for e in found)
        assert unjudged  # the recycle's grades say next to nothing
    assert within_binomial(alarms, n, 0.05, 1e-3), alarms


def test_nothing_checked_nothing_judged() -> None:
    found, unjudged = judged_errors([], stacked_evidence_of([], ()), [], np.zeros(0), alpha=0.05)
    assert (found, unjudged) == ((), ())
