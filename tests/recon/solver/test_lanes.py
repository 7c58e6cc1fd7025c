"""Lanes: factors, best grades, derivatives and batches, against dense and one-by-one results."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often
from scipy import sparse

from oretally.flowsheet import BalanceProblem, ContradictoryValues
from oretally.recon.batch import (
    Curvature,
    Elimination,
    GradeData,
    LaneMinimum,
    Lanes,
    Layout,
    minimise_lanes,
    minimise_large,
)
from oretally.recon.batch.curvature import GradeSlopes
from oretally.recon.numerics import (
    LaneFactor,
    LevelFactor,
    StackFactor,
    lane_pattern,
    level_pattern,
)
from oretally.recon.reduction import ReducedProblem, best_grades, presolve
from oretally.recon.solver import prepare, solve, survey_blocks
from oretally.recon.solver.prepared import Prepared

Floats = NDArray[np.float64]
Maker = Callable[..., Any]

few = settings(max_examples=often(25, 0.4), deadline=None, derandomize=True)
seeds = st.integers(0, 10_000)


@few
@given(seed=seeds, n=st.integers(1, 30), lanes=st.integers(1, 4))
def test_factors_solve_random_sparse_systems(seed: int, n: int, lanes: int) -> None:
    """Row by row, level by level and dense, over pivots of 10 decades, against numpy."""
    rng = np.random.default_rng(seed)
    edges = [(int(a), int(b)) for a, b in rng.integers(0, n, (2 * n, 2))]
    S = np.zeros((lanes, n, n))
    for lane in S:
        lane[np.diag_indices(n)] = 1.0
        for i, j in edges:
            row = np.zeros(n)
            row[i], row[j] = rng.normal(size=2)
            lane += np.outer(row, row)
    size = 10.0 ** rng.uniform(-5, 5, n)
    S *= size[:, None] * size
    right = rng.normal(size=(n, lanes)) * size[:, None]
    expected = np.linalg.solve(S / (size[:, None] * size), (right / size[:, None]).T[:, :, None])
    expected = expected[:, :, 0].T / size[:, None]
    for wide in (False, True):
        pattern = lane_pattern(n, edges, wide=wide)
        entries = np.zeros((pattern.n_entries, lanes))
        for (i, j), at in pattern.position.items():
            entries[at] = S[:, i, j]
        for factor in (
            LaneFactor(pattern, entries.copy()),
            LevelFactor(level_pattern(pattern), entries.copy()),
        ):
            assert factor.solve(right) * size[:, None] == pytest.approx(
                expected * size[:, None], rel=1e-9, abs=1e-9
            )
    stack = StackFactor(S.transpose(1, 2, 0).reshape(n * n, lanes), n)
    assert stack.solve(right) * size[:, None] == pytest.approx(
        expected * size[:, None], rel=1e-9, abs=1e-9
    )


def _same(missing: float) -> float:
    """Return how well values agree.

    Where grades are unmeasured, the rounding of a balance times its multiplier is up to 1e-7 of
    the value; objectives are promised to 1e-6.
    """
    return 1e-6 if missing else 1e-8


def _data(reduced: ReducedProblem) -> GradeData:
    def lane(name: str) -> Any:
        return np.array([getattr(a, name) for a in reduced.analytes], dtype=float).T[:, :, None]

    weight, fixed = lane("weight"), lane("fixed") > 0.0
    free = (weight == 0.0) & ~fixed
    return GradeData(lane("target"), weight, free, lane("lower"), lane("upper"), lane("source"))


@few
@given(seed=seeds, missing=st.sampled_from([0.0, 0.3]), layout=st.sampled_from(list(Layout)))
def test_best_grades_equal_the_dense_ones(
    seed: int, missing: float, layout: Layout, random_circuit: Maker
) -> None:
    made = random_circuit(seed, 5, 3)
    reduced = presolve(made.problem(0.05, 0.0, missing))
    assume(reduced.analytes[0].rows.sparse.shape[0])
    lanes, data = Lanes(reduced.analytes[0].rows, layout), _data(reduced)
    flow = made.flow / reduced.flow_scale
    point = lanes.evaluate(data, flow[:, None])
    assume(point.settled[0])  # else it is said so, and the survey is solved another way
    dense = [best_grades(a, flow) for a in reduced.analytes]
    assert point.value[0] == pytest.approx(
        sum(d.value for d in dense), rel=_same(missing), abs=1e-9
    )
    for k, d in enumerate(dense):
        seen = reduced.analytes[k].weight > 0.0
        assert point.x[seen, k, 0] == pytest.approx(d.x[seen], abs=1e-6)
    assert np.abs(lanes.balance(flow[:, None, None], point.x, data)).max() <= 1e-9


@few
@given(seed=seeds)
def test_derivatives_against_finite_differences(seed: int, random_circuit: Maker) -> None:
    """Gradient against differences of the value, second derivatives against the gradient's."""
    made = random_circuit(seed, 4, 2)
    reduced = presolve(made.problem(0.05))
    rows = reduced.analytes[0].rows
    assume(rows.sparse.shape[0])
    data, Z = _data(reduced), reduced.basis.Z
    loose = replace(data, lower=data.lower - 1e9, upper=data.upper + 1e9)  # smooth: no bounds
    flow = made.flow / reduced.flow_scale
    flow = reduced.basis.closed(flow * np.random.default_rng(seed).uniform(0.9, 1.1, flow.size))
    assume(flow.min() > 0.02)  # steps must be small against every flow
    h, near = 1e-6, 1e-4
    found = []
    for layout in (Layout.STACK, Layout.TAPE):
        lanes = Lanes(rows, layout)
        point = lanes.evaluate(loose, flow[:, None])

        def slope(F: Floats, lanes: Lanes = lanes) -> Floats:
            return lanes.gradient(lanes.evaluate(loose, F[:, None]))[:, 0]

        def value(F: Floats, lanes: Lanes = lanes) -> float:
            return float(lanes.evaluate(loose, F[:, None]).value[0])

        gradient = Z.T @ slope(flow)
        steps = h * Z.T
        differences = [(value(flow + s) - value(flow - s)) / (2 * h) for s in steps]
        scale = 1.0 + float(np.abs(gradient).max(initial=0.0))
        assert gradient == pytest.approx(np.array(differences), rel=near, abs=near * scale)
        H = Curvature(lanes, Z, reduced.flow_weight[:, None]).matrices(
            GradeSlopes.at(lanes, point)
        )[0]
        expected = np.array(
            [(Z.T @ (slope(flow + s) - slope(flow - s))) / (2 * h) for s in steps]
        ).reshape(H.shape) + Z.T @ (reduced.flow_weight[:, None] * Z)
        size = 1.0 + float(np.abs(expected).max(initial=0.0))
        assert H == pytest.approx(expected, rel=near, abs=near * size)
        found.append(H)
    assert found[0] == pytest.approx(found[1], rel=1e-6, abs=1e-6 * (1.0 + np.abs(found[0]).max()))


@pytest.fixture(scope="module")
def two_in_line() -> BalanceProblem:
    """Return a separator and a pump behind one of its products."""
    rows, zero = sparse.csr_array([[1.0, -1.0, -1.0, 0.0], [0.0, 1.0, 0.0, -1.0]]), np.zeros(2)
    flow, grade = np.array([100.0, 30.0, 70.0, 30.0]), np.array([[0.1, 0.25, 0.04, 0.25]])
    return BalanceProblem(
        flow_balance=rows, flow_source=zero, analyte_balance=(rows,), analyte_source=(zero,),
        tie=np.arange(4), flow=flow, flow_sd=0.02 * flow, flow_lower=np.zeros(4), grade=grade,
        grade_sd=0.02 * grade, grade_lower=np.zeros((1, 4)), grade_upper=np.ones((1, 4)),
    )  # fmt: skip


@pytest.fixture(scope="module")
def batch(random_circuit: Maker) -> tuple[Prepared, Floats, Floats]:
    """Return 700 surveys of one circuit, some of them with a tail assay ten times too high."""
    made = random_circuit(11, 5, 3)
    base = made.problem(0.05)
    rng = np.random.default_rng(3)
    flows = made.flow * (1.0 + 0.05 * rng.standard_normal((700, made.flow.size)))
    grades = made.grade * (1.0 + 0.05 * rng.standard_normal((700, *made.grade.shape)))
    grades[::50, 0, -1] *= 10.0
    return prepare(base), flows, grades


def test_many_equal_one_by_one(batch: tuple[Prepared, Floats, Floats]) -> None:
    prepared, flows, grades = batch
    many = prepared.solve_many(flows, grades)
    assert many.converged.all()
    assert (many.max_imbalance <= 1e-10).all()
    assert len(many.status) == len(flows)
    for i in (0, 1, 2, 50, 100, 699):
        alone = solve(replace(prepared.problem, flow=flows[i], grade=grades[i]))
        assert many.objective[i] == pytest.approx(alone.objective, rel=1e-9)
        assert many.flow[i] == pytest.approx(alone.flow, rel=1e-6)


@few
@given(seed=seeds)
def test_unmeasured_grades_taken_out_of_many(seed: int, random_circuit: Maker) -> None:
    """The minimum of one by itself, and grades that close every balance inside their bounds."""
    made = random_circuit(seed, 5, 3)
    problem = made.problem(0.02, 0.0, 0.35)
    ready = prepare(problem)
    assume(ready.blocks.alike and not ready.reduced.classes.unobservable_flows)
    engine = ready.blocks.alike_places
    assume(engine.lanes.elimination is not None)
    rng = np.random.default_rng(seed)
    flows, grades = (
        x * np.exp(0.02 * rng.standard_normal((20, *x.shape)))
        for x in (problem.flow, problem.grade)
    )
    many, _ = ready.blocks.solved(engine, flows, grades)
    known = ready.reduced.classes.grade_determined
    A = problem.flow_balance
    for i in np.flatnonzero(many.converged)[:3]:
        alone = solve(replace(problem, flow=flows[i], grade=grades[i]))
        assert many.objective[i] == pytest.approx(alone.objective, rel=1e-8, abs=1e-8)
        np.testing.assert_allclose(many.flow[i], alone.flow, rtol=1e-6)
        close = 1e-6 * np.nanmax(alone.grade)
        np.testing.assert_allclose(many.grade[i][known], alone.grade[known], rtol=1e-6, atol=close)
        amounts = many.flow[i] * many.grade[i]
        assert np.abs(A @ amounts.T).max() <= 1e-9 * np.abs(amounts).max()
        assert (many.grade[i] >= 0.0).all()


def test_what_nothing_determines_stays_inside_its_bounds() -> None:
    """Two unmeasured grades that differ by much: the plain least change would make one negative."""
    rows = sparse.csr_array([[1.0, -1.0, -1.0]])
    B = rows.toarray()[:, [0, 1]]
    elimination = Elimination(
        np.ones((2, 1), dtype=bool), (sparse.csr_array((1, 1)),), (np.array([0, 1]),), (B,),
        (np.asarray(np.linalg.pinv(B), dtype=float),),
    )  # fmt: skip
    first = np.array([[0.2, 0.2], [0.2, 0.2]])
    other = np.array([1.0, 0.1])  # what the third stream holds
    room = np.zeros((2, 2)), np.full((2, 2), 5.0)
    found = elimination.completed(0, B @ first - other, room, first)
    assert (found >= 0.0).all()
    np.testing.assert_allclose((B @ found)[0], other, rtol=1e-12)


def test_the_last_few_go_on_by_themselves(
    random_circuit: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forty surveys, two of them far out: these go on without the others, to the same end."""
    made = random_circuit(4, 6, 3)
    ready = prepare(made.problem())
    rng, (K, n) = np.random.default_rng(8), made.grade.shape
    far = np.where(np.isin(np.arange(40), [7, 23]), 0.3, 0.001)
    flows = made.flow * np.exp(far[:, None] * rng.standard_normal((40, n)))
    grades = made.grade * np.exp(far[:, None, None] * rng.standard_normal((40, K, n)))
    sizes = list[int]()

    def counted(*args: Any, **others: Any) -> LaneMinimum:
        found = minimise_lanes(*args, **others)
        sizes.append(found.value.size)
        return found

    monkeypatch.setattr(survey_blocks, "minimise_lanes", counted)
    many = ready.solve_block(flows, grades)
    assert sizes[0] == 40 and 1 <= sizes[1] <= 10
    for i in (0, 7, 23):
        one = ready.solve(flows[i], grades[i])
        assert many.converged[i] and one.converged
        assert many.objective[i] == pytest.approx(one.objective, rel=1e-9)
        np.testing.assert_allclose(many.flow[i], one.flow, rtol=1e-6)


def test_workers_change_nothing(batch: tuple[Prepared, Floats, Floats]) -> None:
    prepared, flows, grades = batch
    one = prepared.solve_many(flows, grades)
    two = prepared.solve_many(np.tile(flows, (3, 1)), np.tile(grades, (3, 1, 1)), workers=2)
    assert two.flow[:700] == pytest.approx(one.flow, rel=1e-9)
    assert two.objective[700:1400] == pytest.approx(one.objective, rel=1e-9)


def test_no_surveys_are_no_solutions(batch: tuple[Prepared, Floats, Floats]) -> None:
    prepared, flows, grades = batch
    none = prepared.solve_many(flows[:0], grades[:0], workers=2)
    assert none.flow.shape == flows[:0].shape
    assert none.status.size == 0


def test_exact_flows_may_change(random_circuit: Maker) -> None:
    """What is exact is built into the basis: another exact value is not taken for the old one."""
    problem = random_circuit(9, 3, 2).problem(0.03)
    sd = problem.flow_sd.copy()
    sd[0] = 0.0
    prepared = prepare(replace(problem, flow_sd=sd))
    flow = problem.flow.copy()
    flow[0] *= 1.05
    assert prepared.solve(flow, problem.grade).flow[0] == pytest.approx(flow[0], rel=1e-12)
    many = prepared.solve_many(np.array([problem.flow, flow]), np.array([problem.grade] * 2))
    assert many.flow[:, 0] == pytest.approx([problem.flow[0], flow[0]], rel=1e-12)


def test_contradictory_exact_grades_of_another_survey(two_in_line: BalanceProblem) -> None:
    sd = two_in_line.grade_sd.copy()
    sd[0, [1, 3]] = 0.0
    grade = two_in_line.grade.copy()
    grade[0, [1, 3]] = 0.25
    prepared = prepare(replace(two_in_line, grade=grade, grade_sd=sd))
    other = grade.copy()
    other[0, 3] = 0.27
    with pytest.raises(ContradictoryValues):
        prepared.solve(grade=other)


@pytest.mark.parametrize("starts", [0, -1])
def test_no_starts_are_refused(starts: int, two_in_line: BalanceProblem) -> None:
    with pytest.raises(ValueError, match="one at least is needed"):
        solve(two_in_line, starts)


def test_values_missing_elsewhere_are_refused(batch: tuple[Prepared, Floats, Floats]) -> None:
    prepared, flows, grades = batch
    gone = grades[:2].copy()
    gone[0, 0, 0] = np.nan
    with pytest.raises(ValueError, match="prepare one problem for each set of missing values"):
        prepared.solve_many(flows[:2], gone)


@few
@given(seed=seeds, missing=st.sampled_from([0.0, 0.2]))
def test_conjugate_gradients_reach_the_same_minimum(
    seed: int, missing: float, random_circuit: Maker
) -> None:
    problem = random_circuit(seed, 12, 4).problem(0.03, 0.5 * missing, missing)
    prepared = prepare(problem)
    usual = prepared.solve()
    assume(prepared.blocks.alike and usual.converged)
    assume((usual.flow >= 1e-6 * usual.flow.max()).all())
    reduced = prepared.reduced
    lanes, flows = prepared.blocks.large
    least, stopping = minimise_large(lanes, flows, _data(reduced), measured=reduced.flow)
    assume(least.done[0])  # what it does not solve is left to the careful way, and is said so
    assert not stopping.any()
    aside = sum(a.remainder for a in reduced.analytes)
    assert 2.0 * (least.value[0] + aside) <= usual.objective * (1.0 + _same(missing)) + 1e-8


def test_a_large_circuit(random_circuit: Maker) -> None:
    """250 nodes and 6 analytes, complete: without matrices of second derivatives."""
    made = random_circuit(5, 250, 6)
    prepared = prepare(made.problem(0.02))
    assert prepared.blocks.is_large
    found = prepared.solve()
    assert found.converged
    assert found.max_imbalance <= 1e-10
    assert found.objective == pytest.approx(found.classes.degrees_of_freedom, rel=0.2)


def test_a_large_circuit_with_a_stream_that_stops(random_circuit: Maker) -> None:
    made = random_circuit(5, 250, 3)
    problem: BalanceProblem = made.problem(0.02)
    outlets = np.flatnonzero(np.asarray(problem.flow_balance.sum(axis=0)).ravel() < 0.0)
    off = int(outlets[np.argmin(made.flow[outlets])])
    flow = problem.flow.copy()
    flow[off] = -0.05 * made.flow[off]
    found = prepare(replace(problem, flow=flow, flow_sd=np.where(
        np.arange(flow.size) == off, 1e-6 * made.flow[off], problem.flow_sd))).solve()  # fmt: skip
    assert found.converged
    assert found.flow[off] == 0.0
    assert np.isnan(found.grade[:, off]).all()
    assert found.max_imbalance <= 1e-10
