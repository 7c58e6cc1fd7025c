"""Hypotheses that are proposed, by themselves and in families: against a plain mapping."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import NIGHTLY, often, some
from random_circuits import RandomCircuit

from oretally.io import read_case
from oretally.recon import reconcile
from oretally.recon.gross_errors import findings, search
from oretally.recon.gross_errors.hypotheses import Hypothesis, Proposals
from oretally.recon.solver import Work

N = 4
EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
HYPOTHESES = st.builds(
    lambda rows, mixups: Hypothesis(tuple(sorted(rows)), tuple(sorted(mixups))),
    st.sets(st.integers(0, N - 1), max_size=3), st.sets(st.integers(0, 1), max_size=1),
)  # fmt: skip
VALUES = st.sampled_from([-3.0, -1.0, 0.5, 2.0])
STEPS = st.one_of(
    st.tuples(st.just("add"), HYPOTHESES, VALUES),
    st.tuples(st.just("drop"), HYPOTHESES, st.none()),
    st.tuples(st.just("rows"), HYPOTHESES, st.lists(st.one_of(VALUES, st.just(-np.inf)),
                                                    min_size=N, max_size=N)),
)  # fmt: skip


@settings(derandomize=True, deadline=None, max_examples=often(300))
@given(steps=st.lists(STEPS, max_size=12), least=VALUES)
def test_what_comes_later_replaces_what_was(steps: list[tuple[str, Hypothesis, object]],
                                            least: float) -> None:  # fmt: skip
    """No hypothesis is there twice, whatever family it is in; values are the latest ones."""
    found, plain = Proposals(), dict[Hypothesis, float]()
    for what, h, value in steps:
        if isinstance(value, float):
            found.add({h: value})
            plain[h] = value
        elif isinstance(value, list):
            score = np.array([-np.inf if i in h.rows else v for i, v in enumerate(value)])
            found.add_rows(h, score)
            plain |= {h.and_row(i): float(v) for i, v in enumerate(score) if np.isfinite(v)}
        else:
            assert what == "drop"
            found.drop(h)
            plain.pop(h, None)
    assert found.above(-np.inf) == plain
    assert found.above(least) == {h: v for h, v in plain.items() if v >= least}
    assert found.best == max(plain.values(), default=-np.inf)
    assert {h: found.get(h) for h in plain} == plain
    copied = Proposals()
    copied.update(found)
    assert copied.above(-np.inf) == plain


@pytest.mark.parametrize("example", ["wrong_assay", "wrong_weight"])
def test_a_very_large_survey(example: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With no work for balancing again a survey has the same first suspect, and says so."""
    case = read_case(EXAMPLES / example)
    whole = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    for module in (findings, search):
        monkeypatch.setattr(module, "LARGEST", 3)
    monkeypatch.setattr(findings, "WORK", Work(units=0))
    large = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    first, same = whole.gross_errors.suspects[0], large.gross_errors.suspects[0]
    assert same.group == first.group
    assert same.probability > 0.5
    assert same.statistic == pytest.approx(first.statistic, rel=1e-9)
    assert large.gross_errors.left_out > 0.9
    assert not large.gross_errors.opinions
    assert not large.gross_errors.hidden
    assert replace(large, gross_errors=whole.gross_errors, notes=()) == replace(whole, notes=())


@pytest.mark.skipif(not NIGHTLY, reason="takes 9 s")
def test_errors_that_rounding_leaves_nothing_of_stop_no_search() -> None:
    """Ten rows beside a mix-up, never balanced again: slips of them left a singular matrix."""
    drawn = RandomCircuit(31, n_nodes=4, n_analytes=2, n_feeds=2)
    survey = drawn.survey(0.03, missing=0.2, wrong=4)
    assert reconcile(drawn.circuit, survey, trials=0, second_opinions=False).suspects


@pytest.mark.parametrize(
    ("seed", "nodes", "analytes", "missing"), some([(46, 3, 2, 0.0), (43, 4, 2, 0.4)], 1)
)
def test_variances_that_rounding_puts_below_nothing(
    seed: int, nodes: int, analytes: int, missing: float
) -> None:
    """No warning of an overflow or of the logarithm of less than nothing: here they are errors."""
    drawn = RandomCircuit(seed, n_nodes=nodes, n_analytes=analytes, n_feeds=1 + seed % 2)
    survey = drawn.survey(0.03, missing=missing, wrong=1 + seed % 4)
    assert reconcile(drawn.circuit, survey, trials=0, second_opinions=False).suspects
