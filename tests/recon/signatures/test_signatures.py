"""Traces of errors against problems solved again: left out, pushed, with a loss put in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from often import often
from random_circuits import RandomCircuit

from oretally.flowsheet import BalanceProblem, Circuit, Position, Survey, balance_problem
from oretally.recon.signatures import LOSS_UNIT, NEAR, equivalent_sets, signatures_of
from oretally.recon.solver import corrected, propagate, refit, solve, with_losses, without_readings

Maker = Callable[..., Survey]
few = settings(max_examples=often(20, 0.4), deadline=None, derandomize=True)


def _reading(problem: BalanceProblem, place: Position) -> tuple[float, float]:
    k, j = place
    if k is None:
        return float(problem.flow[j]), float(problem.flow_sd[j])
    return float(problem.grade[place]), float(problem.grade_sd[place])


@given(seed=st.integers(0, 10_000), missing=st.sampled_from([0.0, 0.3]))
@few
def test_projection(
    seed: int, missing: float, random_circuit: Callable[..., RandomCircuit]
) -> None:
    """P is a projection of rank dof on the measurements; r is what P leaves of the residuals."""
    circuit = random_circuit(seed)
    problem = circuit.problem(flows_missing=missing, grades_missing=missing / 2)
    solution = solve(problem)
    signatures, n = signatures_of(problem, solution), 0
    n = len(signatures.readings)
    P, r = signatures.P[:n, :n], signatures.r[:n]
    at_bound = solution.flow_at_bound.any() or solution.grade_at_bound.any()
    assume(solution.converged and not at_bound)
    assert np.abs(P @ P - P).max() < 1e-8
    assert np.trace(P) == pytest.approx(solution.classes.degrees_of_freedom, abs=1e-7)
    assert P @ r == pytest.approx(r, abs=1e-5)
    assert r @ r == pytest.approx(solution.objective, rel=1e-5, abs=1e-6)
    # a loss leaves what some errors of measurements would leave
    reach = signatures.P[n:, :n] @ signatures.P[:n, n:]
    scale = np.abs(signatures.P[n:, n:]).max(initial=1.0)
    assert np.abs(signatures.P[n:, n:] - reach).max(initial=0.0) < 1e-7 * scale
    assert signatures.r[n:] == pytest.approx(signatures.P[n:, :n] @ r, abs=1e-4 * scale**0.5)


def test_redundancy_is_that_of_the_covariance(random_circuit: Callable[..., RandomCircuit]) -> None:
    problem = random_circuit(7).problem(flows_missing=0.3)
    solution = solve(problem)
    signatures, covariance = signatures_of(problem, solution), propagate(problem, solution)
    for i, (k, j) in enumerate(signatures.readings):
        sd = covariance.flow_sd[j] if k is None else covariance.grade_sd[k, j]
        own = _reading(problem, Position(k, j))[1]
        assert signatures.redundancy[i] == pytest.approx(1.0 - (sd / own) ** 2, abs=1e-9)


def test_leaving_out_is_what_the_trace_says(random_circuit: Callable[..., RandomCircuit]) -> None:
    """Drop of the objective and estimated error, against the survey balanced again (sd 0.3 %)."""
    problem = random_circuit(11).problem(sd=0.003)
    solution = solve(problem)
    signatures = signatures_of(problem, solution)
    for i in np.flatnonzero(signatures.redundancy[: len(signatures.readings)] > 0.2):
        place = signatures.readings[i]
        again = refit(without_readings(problem, [place]))
        assert again is not None
        drop = solution.objective - again.objective
        assert drop == pytest.approx(signatures.statistic[i] ** 2, rel=0.05, abs=0.02)
        k, j = place
        said = again.flow[j] if k is None else again.grade[k, j]
        value, sd = _reading(problem, place)
        error = signatures.r[i] / signatures.P[i, i]
        assert (value - said) / sd == pytest.approx(error, rel=0.03, abs=0.05)


def test_leaving_out_several(random_circuit: Callable[..., RandomCircuit]) -> None:
    problem = random_circuit(12, n_nodes=5).problem(sd=0.003)
    solution = solve(problem)
    signatures = signatures_of(problem, solution)
    chosen = np.argsort(-signatures.redundancy[: len(signatures.readings)])[:3].tolist()
    again = refit(without_readings(problem, [signatures.readings[i] for i in chosen]))
    assert again is not None
    products, r = signatures.without(chosen)
    n = len(signatures.readings)
    assert r[:n] @ r[:n] == pytest.approx(again.objective, rel=0.03)
    assert np.abs(products.at(chosen, range(len(products)))).max() < 1e-9


def test_a_loss_is_found_with_its_size(random_circuit: Callable[..., RandomCircuit]) -> None:
    """A true loss of 5 %: its statistic stands out, its size is estimated, its refit fits."""
    made = random_circuit(5, n_nodes=4, n_analytes=3)
    problem = made.problem(sd=0.003)
    node = 1
    solution = solve(problem)
    row = problem.flow_balance[[node]].toarray()[0]
    into = np.where(row > 0.0, solution.flow, 0.0)
    lost = 0.05 * into.sum()
    grades = solution.grade @ into / into.sum()
    # the same readings, of a plant that loses as much there: balanced with the loss as a source
    A = problem.flow_balance
    source = np.zeros(A.shape[0])
    source[node] = lost
    plant = replace(
        problem,
        flow_source=source,
        analyte_source=tuple(source * g for g in grades),
    )
    true = solve(plant)
    seen = replace(problem, flow=true.flow, grade=true.grade)
    found = solve(seen)
    signatures = signatures_of(seen, found)
    n = len(signatures.readings)
    i = n + signatures.nodes.index(node)
    best = int(np.argmax(np.abs(signatures.statistic)))
    assert abs(signatures.statistic[best]) == pytest.approx(abs(signatures.statistic[i]), rel=0.02)
    size = signatures.r[i] / signatures.P[i, i] * signatures.unit[i]
    assert size == pytest.approx(lost, rel=0.08)
    again = refit(with_losses(seen, {node: (grades, 1.0)}))
    assert again is not None
    assert again.objective < 1e-3 * found.objective
    assert again.flow[-1] == pytest.approx(lost, rel=0.02)
    assert signatures.unit[i] == pytest.approx(LOSS_UNIT * (row.clip(0.0) @ found.flow), rel=1e-12)


def test_feed_weight_and_loss_at_its_node_are_one(
    two_products: Circuit, make_survey: Maker
) -> None:
    """A feed weighed too high and material lost at its node cannot be told apart."""
    survey = make_survey(
        {"feed": (25.0, 0.1), "conc": (0.42, 0.01), "tails": (24.0, 0.1)},
        {"Sn": {"feed": (0.8, 0.02), "conc": (30.0, 0.5), "tails": (0.3, 0.01)}},
    )
    problem = balance_problem(two_products, survey)
    groups = equivalent_sets(signatures_of(problem, solve(problem)))
    n = len(groups.signatures.readings)
    feed = groups.signatures.readings.index(Position(None, two_products.stream_names.index("feed")))
    assert any(feed in m and (m >= n).any() for m in groups.members)


@given(seed=st.integers(0, 10_000))
@few
def test_members_of_a_group_explain_the_same(
    seed: int, random_circuit: Callable[..., RandomCircuit]
) -> None:
    """Leaving out either of two equivalent measurements leaves the same objective."""
    problem = random_circuit(seed, n_nodes=3).problem(sd=0.01)
    groups = equivalent_sets(signatures_of(problem, solve(problem)))
    n = len(groups.signatures.readings)
    for members in groups.members:
        rows = members[members < n]
        # a short trace drowns in the solver's tolerance
        if rows.size < 2 or groups.signatures.redundancy[rows].min() < 1e-3:
            continue
        left = [refit(without_readings(problem, [groups.signatures.readings[i]])) for i in rows]
        objectives = [s.objective for s in left if s is not None]
        assert objectives == pytest.approx([objectives[0]] * len(objectives), rel=1e-6, abs=1e-7)


def test_near_groups(random_circuit: Callable[..., RandomCircuit]) -> None:
    problem = random_circuit(3, n_nodes=6).problem()
    groups = equivalent_sets(signatures_of(problem, solve(problem)))
    C = groups.correlations[np.arange(groups.first.size)]
    assert np.abs(np.abs(C) - np.eye(len(C))).max() < 1.0  # no two groups are the same
    for g in range(len(C)):
        near = groups.near(g)
        assert all(abs(C[g, h]) == pytest.approx(c, abs=1e-12) for h, c in near)
        assert all(c >= NEAR for _, c in near)
        assert len(near) == int((np.abs(C[g]) >= NEAR).sum()) - 1


def test_corrected_and_without(random_circuit: Callable[..., RandomCircuit]) -> None:
    problem = random_circuit(4).problem()
    place, flow = Position(0, 1), Position(None, 0)
    changed = corrected(problem, {place: (0.25, 0.01), flow: (7.0, 0.5)})
    assert (changed.grade[0, 1], changed.grade_sd[0, 1]) == (0.25, 0.01)
    assert (changed.flow[0], changed.flow_sd[0]) == (7.0, 0.5)
    assert np.isnan(without_readings(problem, [place]).grade[0, 1])
    assert problem.grade[0, 1] != 0.25
