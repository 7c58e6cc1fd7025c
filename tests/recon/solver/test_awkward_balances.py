"""Balances that are awkward but legal, contradictions, and errors against simulation."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from balance_cases import Maker, only_balanced
from scipy import sparse

from oretally.flowsheet import (
    BalanceProblem,
    Circuit,
    NotBalanceable,
)
from oretally.recon import ValueClass, reconcile
from oretally.recon.reduction import classify
from oretally.recon.solver import prepare, propagate, solve


def _plain(**changes: Any) -> BalanceProblem:
    """Return a separator with two products, everything measured."""
    A = np.array([[1.0, -1.0, -1.0]])
    problem = BalanceProblem(
        flow_balance=sparse.csr_array(A),
        flow_source=np.zeros(1),
        analyte_balance=(sparse.csr_array(A),),
        analyte_source=(np.zeros(1),),
        tie=np.arange(3),
        flow=np.array([100.0, 4.0, 97.0]),
        flow_sd=np.array([1.0, 0.1, 1.0]),
        flow_lower=np.zeros(3),
        grade=np.array([[0.01, 0.2, 0.002]]),
        grade_sd=np.array([[0.0005, 0.005, 0.0001]]),
        grade_lower=np.zeros((1, 3)),
        grade_upper=np.ones((1, 3)),
    )
    return replace(problem, **changes)


def _awkward() -> Iterator[tuple[str, BalanceProblem]]:
    zeros = np.zeros((1, 3))
    none = np.zeros((0, 3))
    yield "all grades zero", _plain(grade=zeros)
    yield "identical grades everywhere", _plain(grade=np.full((1, 3), 0.01))
    yield "no grades", _plain(analyte_balance=(), analyte_source=(), grade=none, grade_sd=none,
                              grade_lower=none, grade_upper=none)  # fmt: skip
    one = np.array([100.0, np.nan, np.nan])
    yield "one flow only", _plain(flow=one, flow_sd=one / 100.0)
    yield "units changed by 1e-9", _plain(flow=1e-9 * np.array([100.0, 4.0, 97.0]),
                                          flow_sd=1e-9 * np.array([1.0, 0.1, 1.0]))  # fmt: skip
    yield "an off stream", _plain(flow=np.array([100.0, 0.0, 97.0]),
                                  flow_sd=np.array([1.0, 1e-6, 1.0]))  # fmt: skip
    yield (
        "noise clipped at the detection limit",
        _plain(grade=np.array([[0.001, 0.02, 0.0]]), grade_sd=np.array([[0.0005, 0.005, 0.001]])),
    )


@pytest.mark.parametrize(("name", "problem"), list(_awkward()))
def test_awkward_but_legal(name: str, problem: BalanceProblem) -> None:
    solution = solve(problem)
    assert solution.converged, (name, solution.status)
    assert solution.max_imbalance <= 1e-9
    assert (solution.flow >= 0.0).all()


def test_nothing_fixes_the_scale(two_products: Circuit, make_survey: Maker) -> None:
    survey = make_survey({}, {"X": {"feed": (1, 0.1), "conc": (20, 1), "tails": (0.2, 0.01)}})
    with pytest.raises(NotBalanceable) as refused:
        only_balanced(two_products, survey)
    assert str(refused.value) == (
        "No dry mass was measured, so nothing fixes the scale: every dry mass could be twice as "
        "large and the balances would still hold.\n"
        "Measure the dry mass of one stream, best that of 'feed'.\n"
        "Or, to have what the assays alone can tell, per 100 kg of feed, enter for 'feed' a dry "
        "mass of 100 kg with an error of 0.01 kg; 'check' says what is missing then."
    )


def test_stream_that_nothing_determines_is_said_so(make_survey: Maker) -> None:
    """Two unmeasured streams side by side: None, and the measurement that would settle it."""
    circuit = Circuit.build(
        {"feed": (None, "a"), "left": ("a", "b"), "right": ("a", "b"), "out": ("b", None)}
    )
    balance = only_balanced(circuit, make_survey({"feed": (10.0, 0.1)}))
    assert balance.value("left", "dry mass").adjusted is None
    assert balance.value("left", "dry mass").value_class is ValueClass.UNOBSERVABLE
    assert balance.value("out", "dry mass").adjusted == pytest.approx(10.0)
    assert balance.notes == (
        "Not determined by any balance: dry mass of 'left', dry mass of 'right'.",
        "All would be determined by measuring dry mass of 'left'.",
    )


def test_parallel_streams_cannot_be_told_apart(make_survey: Maker) -> None:
    """Grade errors of two streams between the same nodes form one group of suspects."""
    circuit = Circuit.build(
        {"feed": (None, "a"), "left": ("a", "b"), "right": ("a", "b"), "out": ("b", None)}
    )
    survey = make_survey(
        {"feed": (10.0, 0.05), "left": (5.0, 0.05), "right": (5.0, 0.05), "out": (10.0, 0.05)},
        {"X": {"feed": (1.0, 0.01), "left": (1.4, 0.01), "right": (1.0, 0.01),
               "out": (1.0, 0.01)}},
    )  # fmt: skip
    first = reconcile(circuit, survey).suspects[0]
    assert {(m.where, m.quantity) for m in first.group} == {("left", "X"), ("right", "X")}


def test_contradictory_exact_values_are_refused(linear_problem: Maker) -> None:
    A = np.array([[1.0, -1.0], [1.0, -1.0]])
    problem = linear_problem(A, np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.ones(2))
    with pytest.raises(NotBalanceable, match="contradict each other"):
        solve(problem)


def test_standard_deviations_against_simulation(random_circuit: Maker) -> None:
    """20,000 surveys drawn from one true balance (fixed seed): sd within their sampling error."""
    made = random_circuit(7, 4, 1)
    base = made.problem(0.005)
    truth = replace(base, flow=made.flow, grade=made.grade)
    predicted = propagate(truth, solve(truth))
    rng = np.random.default_rng(5)
    drawn = prepare(truth).solve_many(
        made.flow + truth.flow_sd * rng.standard_normal((20_000, *made.flow.shape)),
        made.grade + truth.grade_sd * rng.standard_normal((20_000, *made.grade.shape)),
    )
    assert drawn.converged.all()
    # the sd of 20,000 draws is itself known to 1/sqrt(40,000) = 0.5 %; four of those
    assert np.std(drawn.flow, axis=0) == pytest.approx(predicted.flow_sd, rel=0.02)
    assert np.std(drawn.grade, axis=0) == pytest.approx(predicted.grade_sd, rel=0.02)


def test_objective_follows_chi_square(random_circuit: Maker) -> None:
    """Over 250 surveys with the stated errors the objective averages its degrees of freedom."""
    made = random_circuit(11, 4, 2)
    base = made.problem(0.01)
    rng = np.random.default_rng(6)
    dof = classify(base).degrees_of_freedom
    values = [
        solve(
            replace(
                base,
                flow=made.flow + base.flow_sd * rng.standard_normal(made.flow.shape),
                grade=made.grade + base.grade_sd * rng.standard_normal(made.grade.shape),
            )
        ).objective
        for _ in range(250)
    ]
    assert np.mean(values) == pytest.approx(dof, abs=4.0 * (2.0 * dof / 250.0) ** 0.5)


def test_measurements_of_one_grade_check_each_other(make_survey: Maker) -> None:
    """Two outlets of a splitter have one grade: measured twice, each number checks the other."""
    circuit = Circuit.build(
        {"feed": (None, "pipe"), "left": ("pipe", None), "right": ("pipe", None)},
        {"pipe": "splitter"},
    )
    survey = make_survey({"feed": (10.0, 0.1)}, {"X": {"left": (1.0, 0.1), "right": (1.2, 0.1)}})
    balance = only_balanced(circuit, survey)
    left = balance.value("left", "X")
    assert left.value_class is ValueClass.REDUNDANT
    assert left.adjusted == pytest.approx(1.1)
    assert left.redundancy == pytest.approx(0.5)
    assert left.standardised == pytest.approx(2.0**0.5)
    assert balance.global_test.dof == 1
    assert balance.objective == pytest.approx(2.0)
    assert balance.value("feed", "X").adjusted == pytest.approx(1.1)
    assert balance.value("left", "dry mass").value_class is ValueClass.UNOBSERVABLE
