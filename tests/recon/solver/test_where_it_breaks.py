"""Thirteen kinds of data on which balances of this form are known to break, one test each.

Common practice, no source, where none is given.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import (
    BalanceModel,
    BalanceProblem,
    Circuit,
    ContradictoryValues,
    NotBalanceable,
)
from oretally.recon.reduction import classify
from oretally.recon.reduction.exact_values import named
from oretally.recon.result import ValueClass
from oretally.recon.solution import StopReason
from oretally.recon.solver import prepare, propagate, solve

Floats = NDArray[np.float64]
Maker = Callable[..., Any]
CLOSED = 1e-10


def _ladder(flows: list[float], grades: list[float]) -> tuple[BalanceProblem, Floats, Floats]:
    """Return separators in line, each with a product of the given flow and grade, exact data."""
    n = len(flows) - 1  # nodes; products 0..n-1, the last flow is what remains
    tail = np.cumsum(flows[::-1])[::-1]  # what enters each node, then what leaves the last
    metal = np.cumsum((np.array(flows) * grades)[::-1])[::-1]
    flow = np.concatenate([tail[:n], flows[:n], tail[n:]])
    grade = np.concatenate([(metal / tail)[:n], grades[:n], (metal / tail)[n:]])[None]
    A = np.zeros((n, 2 * n + 1))
    for i in range(n):
        A[i, i], A[i, n + i], A[i, i + 1 if i + 1 < n else 2 * n] = 1.0, -1.0, -1.0
    rows, zero = sparse.csr_array(A), np.zeros(n)
    problem = BalanceProblem(
        flow_balance=rows, flow_source=zero, analyte_balance=(rows,), analyte_source=(zero,),
        tie=np.arange(flow.size), flow=flow, flow_sd=0.02 * flow, flow_lower=np.zeros(flow.size),
        grade=grade, grade_sd=0.02 * grade, grade_lower=np.zeros(grade.shape),
        grade_upper=np.ones(grade.shape),
    )  # fmt: skip
    return problem, flow, grade


def _open_by(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the largest residual of a balance over what passes its node."""
    worst, A = 0.0, problem.flow_balance.toarray()
    for amounts in (flow, *(flow * x for x in grade)):
        passing = 0.5 * np.abs(A) @ np.abs(amounts)
        worst = max(worst, float((np.abs(A @ amounts) / np.where(passing > 0, passing, 1)).max()))
    return worst


def test_01_large_errors_do_not_jam_at_flow_zero(random_circuit: Maker) -> None:
    """40 % sd, a tail assay three times too high: every survey ends, and says how."""
    made = random_circuit(3, 5, 3)
    rng = np.random.default_rng(1)
    base = made.problem(0.4)
    flows = np.abs(made.flow * (1.0 + 0.4 * rng.standard_normal((60, made.flow.size))))
    grades = np.abs(made.grade * (1.0 + 0.4 * rng.standard_normal((60, *made.grade.shape))))
    grades[:, 0, -1] *= 3.0
    many = prepare(base).solve_many(flows, grades)
    assert all(isinstance(word, StopReason) for word in many.status)
    assert many.converged.mean() >= 0.95
    assert (many.max_imbalance[many.converged] <= CLOSED).all()
    assert (many.flow >= 0.0).all()


def test_02_pivots_of_many_decades() -> None:
    """Flow squared times grade variance over 1e14: each balance closes by its own throughput."""
    problem, flow, grade = _ladder([1e7, 1.0, 1e5, 1e-1, 1e2], [1e-6, 0.5, 1e-5, 0.3, 1e-3])
    rng = np.random.default_rng(2)
    noisy = replace(
        problem,
        flow=flow * (1.0 + 0.02 * rng.standard_normal(flow.shape)),
        grade=grade * (1.0 + 0.02 * rng.standard_normal(grade.shape)),
    )
    found = solve(noisy)
    assert found.converged
    assert _open_by(problem, found.flow, found.grade) <= CLOSED


def test_03_flows_over_nine_decades() -> None:
    """Without noise the truth comes back, the smallest flow to nine digits."""
    problem, flow, grade = _ladder([1e6, 1e-3, 1e3, 1.0], [0.01, 0.3, 0.1, 0.2])
    found = solve(replace(problem, flow=flow * np.r_[1.02, np.ones(flow.size - 1)]))
    assert found.converged
    exact = solve(problem)
    assert exact.flow == pytest.approx(flow, rel=1e-9)
    assert exact.grade == pytest.approx(grade, rel=1e-9)


def test_04_very_incomplete_data(random_circuit: Maker) -> None:
    """60 % of grades and 90 % of flows missing, 30 nodes: balances close, no stop on the way."""
    problem = random_circuit(21, 30, 6).problem(0.03, 0.9, 0.6)
    found = solve(problem)
    assert found.converged, found.status
    assert found.max_imbalance <= CLOSED
    assert found.stationarity <= 1e-8 * (1.0 + found.objective)


def test_05_a_stopped_stream_is_exactly_at_rest(two_products: Circuit, make_survey: Maker) -> None:
    survey = make_survey(
        {"feed": (10.0, 0.1), "conc": (0.0, 1e-3), "tails": (10.3, 0.01)},
        {"X": {"feed": (1.0, 0.1), "conc": (5.0, 0.1), "tails": (1.0, 0.1)}},
    )
    balance = only_balanced(two_products, survey)
    assert balance.value("conc", "dry mass").adjusted == 0.0
    assert balance.value("conc", "X").adjusted is None
    assert balance.value("conc", "X").value_class is ValueClass.ABSENT
    assert balance.notes[0] == (
        "The balance puts the dry mass of 'conc' at 0: a stream that carries nothing has no grade."
    )


def test_06_a_flow_that_nothing_touches(make_survey: Maker) -> None:
    circuit = Circuit.build(
        {"feed": (None, "a"), "out": ("a", None), "idle in": (None, "b"), "idle out": ("b", None)}
    )
    survey = make_survey({"feed": (10.0, 0.1), "out": (10.1, 0.1)})
    balance = only_balanced(circuit, survey, feed="feed")
    assert balance.value("feed", "dry mass").adjusted == pytest.approx(10.05)
    assert balance.value("idle in", "dry mass").adjusted is None
    assert any("idle in" in note for note in balance.notes)


def test_07_nothing_fixes_the_scale(
    random_circuit: Maker, two_products: Circuit, make_survey: Maker
) -> None:
    problem = random_circuit(4).problem()
    none = np.full(problem.n_carriers, np.nan)
    assert classify(replace(problem, flow=none, flow_sd=none)).scale_free
    survey = make_survey({}, {"X": {"feed": (1, 0.1), "conc": (20, 1), "tails": (0.2, 0.01)}})
    with pytest.raises(NotBalanceable, match="Measure the dry mass of one stream, best"):
        only_balanced(two_products, survey)


def test_08_sd_that_goes_to_zero_is_an_equality(random_circuit: Maker) -> None:
    """A relative sd of 1e-12 and an exact value give the same balance; contradictions are named."""
    made = random_circuit(9, 3, 1)
    problem = made.problem(0.03)
    sd = problem.flow_sd.copy()
    sd[0] = 1e-12 * problem.flow[0]
    near = solve(replace(problem, flow_sd=sd))
    exact = solve(replace(problem, flow_sd=np.where(np.arange(sd.size) == 0, 0.0, sd)))
    assert near.converged
    assert exact.converged
    assert exact.flow[0] == pytest.approx(problem.flow[0], rel=1e-14)
    assert near.flow == pytest.approx(exact.flow, rel=1e-6)
    # one analyte a billion times surer than it is right: solved or said, never silent
    surer = solve(replace(problem, grade_sd=1e-9 * problem.grade_sd))
    assert surer.converged == (surer.status in (
        StopReason.OPTIMUM, StopReason.ROUNDING, StopReason.STOPPED))  # fmt: skip
    # one inlet, two outlets, all exact and wrong
    ladder, flow, _ = _ladder([2.0, 1.0], [0.1, 0.2])
    with pytest.raises(ContradictoryValues) as refused:
        solve(replace(ladder, flow=flow + np.array([0.1, 0, 0]), flow_sd=np.zeros(3)))
    assert refused.value.flows == (0, 1, 2)


def test_08_contradictions_are_named(two_products: Circuit, make_survey: Maker) -> None:
    survey = make_survey({"feed": (10.0, 0.1)}, {"X": {"tails": (0.1, 0.01)}})
    error = named(ContradictoryValues((0, 1), ((0, 2),)), BalanceModel(two_products, survey))
    assert str(error).startswith(
        "These exact values contradict each other: dry mass of 'feed', dry mass of 'conc', "
        "X in 'tails'. No balance satisfies them all."
    )


def test_09_parallel_streams_are_indistinguishable(random_circuit: Maker) -> None:
    """Two streams between the same nodes: |P_12| = sqrt(P_11 P_22) for their grades."""
    A = np.array([[1.0, -1.0, -1.0, 0.0], [0.0, 1.0, 1.0, -1.0]])
    rows, zero = sparse.csr_array(A), np.zeros(2)
    flow, grade = np.array([10.0, 4.0, 6.0, 10.0]), np.array([[0.1, 0.07, 0.12, 0.1]])
    problem = BalanceProblem(
        flow_balance=rows, flow_source=zero, analyte_balance=(rows,), analyte_source=(zero,),
        tie=np.arange(4), flow=flow, flow_sd=0.01 * flow, flow_lower=np.zeros(4), grade=grade,
        grade_sd=0.02 * grade, grade_lower=np.zeros((1, 4)), grade_upper=np.ones((1, 4)),
    )  # fmt: skip
    covariance = propagate(problem, solve(problem)).grade_grade(0)
    sd = problem.grade_sd[0]
    P = np.eye(4) - covariance / np.outer(sd, sd)
    assert abs(P[1, 2]) == pytest.approx(np.sqrt(P[1, 1] * P[2, 2]), rel=1e-9)
    assert abs(P[0, 1]) < 0.999 * np.sqrt(P[0, 0] * P[1, 1])


def test_10_classes_do_not_depend_on_values(random_circuit: Maker) -> None:
    """Structural: the same for other measured values, even absurd ones."""
    for seed in range(20):
        problem = random_circuit(seed, 4, 2).problem(0.03, 0.6, 0.4)
        rng = np.random.default_rng(seed)
        first = classify(problem)
        other = classify(
            replace(
                problem,
                flow=problem.flow * rng.lognormal(0.0, 2.0, problem.flow.shape),
                grade=problem.grade * rng.lognormal(0.0, 2.0, problem.grade.shape) * 1e-2,
            )
        )
        for name in ("flow_determined", "flow_checked", "grade_determined", "grade_checked"):
            assert (getattr(first, name) == getattr(other, name)).all()
        assert first.degrees_of_freedom == other.degrees_of_freedom


def test_11_starts_that_agree_are_counted(random_circuit: Maker) -> None:
    problem = random_circuit(7, 4, 3).problem(0.02)
    usual, sought = solve(problem), solve(problem, starts=6)
    assert sought.starts >= 6
    assert sought.agreeing == sought.starts
    assert sought.objective == pytest.approx(usual.objective, rel=1e-9)


def test_12_nothing_is_compiled_at_start() -> None:
    """The solver needs numpy and scipy only; times are for the benchmarks to measure."""
    code = (
        "import sys, oretally.recon.solver.ways;"
        "print([m for m in ('numba', 'jax', 'casadi', 'cvxpy', 'pandas', 'matplotlib')"
        " if m in sys.modules])"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


@pytest.mark.parametrize("kind", ["zero grades", "equal grades", "one flow", "small units", "off",
                                  "clipped"])  # fmt: skip
def test_13_odd_but_legal(kind: str, random_circuit: Maker) -> None:
    made = random_circuit(12, 4, 2)
    problem = made.problem(0.03)
    rng = np.random.default_rng(4)
    one = np.where(np.arange(made.flow.size) == 0, problem.flow, np.nan)
    floor, last = 0.1 * made.grade, np.arange(made.flow.size) == made.flow.size - 1
    changed = {
        "zero grades": {"grade": np.zeros_like(problem.grade)},
        "equal grades": {"grade": np.full_like(problem.grade, 0.02)},
        "one flow": {"flow": one, "flow_sd": 0.02 * one},
        "small units": {"flow": 1e-9 * problem.flow, "flow_sd": 1e-9 * problem.flow_sd},
        "off": {"flow": np.where(last, 0.0, problem.flow),
                "flow_sd": np.where(last, 1e-6, problem.flow_sd)},
        "clipped": {"grade": np.maximum(made.grade * rng.normal(0.0, 1.0, made.grade.shape), 0.0),
                    "grade_sd": floor + 0.5 * made.grade},
    }[kind]  # fmt: skip
    found = solve(replace(problem, **changed))
    assert found.converged, found.status
    assert found.max_imbalance <= CLOSED
    assert (found.flow >= 0.0).all()
