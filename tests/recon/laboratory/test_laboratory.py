"""Laboratory batches: what must hold of any data, and rates that are simulated."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often
from published import within_binomial

from oretally.recon.laboratory import (
    Bias,
    Concern,
    ConcernKind,
    Standards,
    blanks,
    concerns,
    control_chart,
    dixon,
    fit_precision,
    grubbs,
    huber_proposal_2,
    interlaboratory,
    pooled_sd,
    relative_sd,
    standards,
)
from oretally.recon.laboratory.duplicates import PrecisionMethod

Floats = NDArray[np.float64]

SETTINGS = settings(derandomize=True, deadline=None, max_examples=25)
METHODS = list(PrecisionMethod)
seeds, shifts = st.integers(0, 10_000), st.floats(-50.0, 50.0)
scales = st.floats(1e-3, 1e3)


def _pairs(
    seed: int, n: int, a: float = 0.05, b: float = 0.04, lowest: float = 0.5
) -> tuple[Floats, Floats]:
    """Return pairs of normal assays with sd a + b grade, grades even in their logarithm."""
    rng = np.random.default_rng(seed)
    grade = np.exp(rng.uniform(np.log(lowest), np.log(20.0), n))
    x, y = grade + (a + b * grade) * rng.standard_normal((2, n))
    return x, y


@SETTINGS
@given(seeds, scales)
def test_standards_keep_with_unit_and_order(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    c = rng.choice([0.5, 2.0, 9.0], 8)
    x = c * (1.0 + 0.05 * rng.standard_normal(8))
    one = standards(x, c, 0.01 * c, method_sd=0.04 * c)
    order = rng.permutation(8)
    other = standards(scale * x[order], scale * c[order], 0.01 * scale * c[order],
                      method_sd=0.04 * scale * c[order])  # fmt: skip
    assert other.z == pytest.approx(np.array(one.z)[order], rel=1e-9)
    assert one.z[0] == pytest.approx((x[0] - c[0]) / (c[0] * 0.0017**0.5), rel=1e-9)
    assert one.n_materials == other.n_materials == len(set(c))
    for a, b, unit in ((one.bias, other.bias, scale), (one.relative_bias, other.relative_bias, 1)):
        assert a is not None and b is not None
        got = np.array([b.mean, b.low, b.high]) / unit
        assert got == pytest.approx([a.mean, a.low, a.high], rel=1e-7, abs=1e-12)
        assert b.p == pytest.approx(a.p, rel=1e-6)


def _batch(rng: np.random.Generator, off: float, shared: float) -> Standards:
    """Return eight readings of one standard: certified 5 with sd ``shared``, method sd 0.1."""
    true = 5.0 + shared * rng.standard_normal()
    return standards(true + off + 0.1 * rng.standard_normal(8), 5.0, shared, method_sd=0.1)


@pytest.mark.parametrize("shared", [0.0, 0.08])
def test_rate_of_false_bias(shared: float) -> None:
    """A certified value that is itself uncertain makes no bias: 95 % limits."""
    rng, n = np.random.default_rng(4), often(5000)
    found = [_batch(rng, 0.0, shared).bias for _ in range(n)]
    beyond = sum(isinstance(b, Bias) and not b.low <= 0.0 <= b.high for b in found)
    assert within_binomial(beyond, n, 0.05)
    assert beyond == sum(isinstance(b, Bias) and b.p < 0.05 for b in found)


def test_more_readings_of_one_standard_do_not_better_its_certificate() -> None:
    x = 5.0 + 0.1 * np.random.default_rng(0).standard_normal(400)
    one = standards(x, 5.0, 0.08, method_sd=0.1).bias
    many = standards(
        x, 5.0 + 1e-9 * np.arange(400), 0.08, method_sd=0.1
    ).bias  # each its own standard
    assert one is not None and many is not None
    assert one.standard_error == pytest.approx(0.08, rel=0.01)
    assert many.standard_error == pytest.approx((0.08**2 + 0.1**2) ** 0.5 / 20.0, rel=0.1)


def test_rules_of_the_chart() -> None:
    """By hand: sides are kept apart, a gap of one is bridged, a gap of two is not."""
    chart = control_chart([0.0, 2.1, 0.0, 2.2, 0.0, 0.0, 2.3, -2.4, -2.1, 3.1, 1.0], 0.0, 1.0)
    assert (chart.beyond_action, chart.two_of_three) == ((9,), (3, 8))
    assert chart.warning == (-2.0, 2.0) and chart.action == (-3.0, 3.0)
    moved = control_chart(10.0 + 0.5 * np.array(chart.z), 10.0, 0.5)
    assert moved.z == pytest.approx(chart.z)
    assert (moved.beyond_action, moved.two_of_three) == ((9,), (3, 8))


def test_rate_of_false_alarms_of_the_chart() -> None:
    """0.27 % beyond 3 sd; two of three: 2 p (1 - (1 - p)^2) with p 2.275 % a side, 0.20 %."""
    n, p = 200_000, 0.0227501
    chart = control_chart(np.random.default_rng(6).normal(3.0, 2.0, n), 3.0, 2.0)
    assert within_binomial(len(chart.beyond_action), n, 0.0026998)
    assert len(chart.two_of_three) / n == pytest.approx(2.0 * p * (1.0 - (1.0 - p) ** 2), rel=0.15)


def test_blanks_alone() -> None:
    found = blanks([0.01, 0.05, 0.02, 0.30], 0.1)
    assert (found.above, found.fraction, found.highest) == ((3,), 0.25, 0.30)
    assert found.carry_over is None and found.low < found.mean < found.high
    assert not np.isfinite(blanks([0.01], 0.1).high)
    assert blanks([0.1, 0.2, 0.1], 1.0, [4.0, 4.0, 4.0]).carry_over is None


@pytest.mark.parametrize(("part", "rate"), [(0.0, 0.05), (0.01, 1.0)])
def test_rate_of_carry_over(part: float, rate: float) -> None:
    """Of 1,000 batches of ten blanks: 5 % called without carry-over, nearly all with 1 %."""
    rng, hits = np.random.default_rng(7), 0
    for _ in range(1000):
        before = rng.uniform(1.0, 40.0, 10)
        found = blanks(part * before + rng.normal(0.0, 0.05, 10), 9.0, before)
        said = concerns(None, [], found, carried=found.carry_over)
        hits += [c.kind for c in said] == [ConcernKind.CARRY_OVER]
    assert hits > 990 if rate == 1.0 else within_binomial(hits, 1000, rate)


def test_concerns_of_a_bad_batch() -> None:
    """Standards 0.5 high, a dirty blank, a chart out of order: all is said, and no more."""
    x = 5.5 + 0.1 * np.random.default_rng(9).standard_normal(8)
    high, level = (
        standards(x, 5.0, 0.02, method_sd=0.3),
        standards([9.8, 10.2, 10.0, 10.0], 10.0, 0.0, method_sd=0.3),
    )
    charts = [
        (control_chart([0.0, 2.5, 2.6, -3.2], 0.0, 1.0), high.relative_bias),
        (control_chart([0.0, 0.1], 0.0, 1.0), level.relative_bias),
    ]
    shown = blanks([0.0, 0.0, 0.4], 0.1, [1.0, 1.0, 30.0])
    assert concerns(high, charts, shown, carried=shown.carry_over) == (
        Concern(ConcernKind.BIAS),
        Concern(ConcernKind.BIAS, 0),
        Concern(ConcernKind.STANDARD_OFF, 0, (3,)),
        Concern(ConcernKind.TWO_OF_THREE, 0, (2,)),
        Concern(ConcernKind.BLANK_HIGH, None, (2,)),
        Concern(ConcernKind.CARRY_OVER),
    )
    only = concerns(high, charts[:1], None)  # one standard: its bias is that of all
    assert [c.chart for c in only if c.kind is ConcernKind.BIAS] == [None]
    assert concerns(None, [], None) == ()


def test_rate_of_batches_called_biased() -> None:
    """Two standards, three tests of bias that share alpha: at most 5 %, and not far below it."""
    rng, n, hits = np.random.default_rng(11), often(2500), 0
    c = np.array([1.0, 1.0, 1.0, 1.0, 10.0, 10.0, 10.0, 10.0])
    for _ in range(n):
        x = c + 0.05 * c * rng.standard_normal(8)
        charts = [
            (control_chart(x[part], at, 0.05 * at),
             standards(x[part], at, 0.0, method_sd=0.05 * at).relative_bias)
            for part, at in ((slice(4), 1.0), (slice(4, 8), 10.0))
        ]  # fmt: skip
        said = concerns(standards(x, c, 0.0, method_sd=0.05 * c), charts, None)
        hits += any(each.kind is ConcernKind.BIAS for each in said)
    assert 0.02 < hits / n < 0.07


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: grubbs([1.0, 2.0]), "2 readings, at least 3"),
        (lambda: grubbs([1.0, 2.0, np.nan]), "finite"),
        (lambda: dixon(np.arange(11.0)), "3 to 10"),
        (lambda: dixon([1.0, 2.0, 3.0], 0.03), "alpha 0.1, 0.05"),
        (lambda: pooled_sd([[1.0], [2.0]]), "no group has two"),
        (lambda: huber_proposal_2([1.0, 2.0], 0.0), "above 0"),
        (lambda: interlaboratory([[1.0, 2.0]]), "at least 2 lab"),
        (lambda: relative_sd([0.0], [0.0]), "above 0"),
        (lambda: fit_precision([1.0] * 7, [1.1] * 7), "7 pairs, at least 8"),
        (lambda: fit_precision([1.0] * 9, [1.1] * 8), "9 first assays, 8 second"),
        (lambda: fit_precision([-1.0] * 9, [0.1] * 9), "at least 0"),
        (lambda: fit_precision([1.0] * 9, [1.0] * 9), "9 of 9 pairs show no difference"),
        (lambda: fit_precision([1.0, 1.0, 0.9] * 20, [1.0, 1.0, 1.1] * 20), "40 of 60 pairs"),
        (lambda: fit_precision([1.0] * 9, [1.1] * 9, method=METHODS[0]), "no two groups"),
        (lambda: fit_precision(*_pairs(0, 9), n_refits=2).sd(-1.0), "below 0"),
        (lambda: standards([1.0], 0.0, 0.1, method_sd=0.1), "certified values are above 0"),
        (lambda: standards([1.0], 1.0, 0.0, method_sd=0.0), "both 0"),
        (lambda: blanks([], 0.1), "0 blanks"),
        (lambda: blanks([0.1, 0.2], 0.1, [1.0]), "2 blanks, 1 samples"),
        (lambda: control_chart([1.0], 1.0, 0.0), "sd above 0"),
    ],
)
def test_refused(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
