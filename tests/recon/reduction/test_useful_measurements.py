"""What to measure: each is the one that settles most, as classifying anew with each has it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often
from random_circuits import RandomCircuit

from oretally.flowsheet import BalanceModel, BalanceProblem
from oretally.recon.reduction import classify, undetermined, useful_measurements

_Place = tuple[int | None, int]


def _with(problem: BalanceProblem, place: _Place) -> BalanceProblem:
    k, j = place
    if k is None:
        flow, sd = problem.flow.copy(), problem.flow_sd.copy()
        flow[j], sd[j] = 1.0, 0.1
        return replace(problem, flow=flow, flow_sd=sd)
    grade, sd = problem.grade.copy(), problem.grade_sd.copy()
    grade[k, j], sd[k, j] = 1e-3, 1e-4
    return replace(problem, grade=grade, grade_sd=sd)


@settings(derandomize=True, max_examples=often(8))
@given(
    seed=st.integers(0, 10_000), nodes=st.integers(1, 4), analytes=st.integers(1, 3),
    missing=st.sampled_from([0.5, 0.7, 0.9]),
)  # fmt: skip
def test_each_settles_most(seed: int, nodes: int, analytes: int, missing: float) -> None:
    """The first of those that leave fewest undetermined, until none is; found by classifying."""
    made = RandomCircuit(seed, nodes, analytes)
    model = BalanceModel(made.circuit, made.survey(missing=missing))
    problem, shown = model.problem, model.positions.shown
    for place in useful_measurements(problem, shown):
        waiting = undetermined(classify(problem), shown)
        left = [len(undetermined(classify(_with(problem, other)), shown)) for other in waiting]
        assert place == waiting[int(np.argmin(left))]
        problem = _with(problem, place)
    assert not undetermined(classify(problem), shown)


@pytest.mark.parametrize("n", [6, 22])
def test_many_are_searched_as_few_are(n: int) -> None:
    """Among hundreds of open values too each measurement settles as many as it can."""
    made = RandomCircuit(7, n, 3)
    model = BalanceModel(made.circuit, made.survey(missing=0.8))
    problem, shown = model.problem, model.positions.shown
    open_values, chosen = (
        undetermined(classify(problem), shown),
        useful_measurements(problem, shown),
    )
    assert len(chosen) < len(open_values)
    for place in chosen:
        problem = _with(problem, place)
    assert not undetermined(classify(problem), shown)
