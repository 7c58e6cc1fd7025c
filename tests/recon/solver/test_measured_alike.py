"""Analytes measured alike, side by side: as each of them alone says, and as dense algebra does."""

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

from oretally.flowsheet import BalanceProblem, Position
from oretally.recon.numerics import LaneFactor, LaneProducts, LevelFactor, level_pattern
from oretally.recon.reduction import (
    alike_grades,
    best_grades,
    classify,
    grades_at,
    observability,
    presolve,
)
from oretally.recon.solver import Covariance, covariance, propagate, solve
from oretally.recon.solver.grade_response import GradeResponse

Floats = NDArray[np.float64]
Maker = Callable[..., Any]

few = settings(max_examples=often(25, 0.4), deadline=None, derandomize=True)
seeds = st.integers(0, 10_000)


def _alike(
    made: Any, flows_missing: float, grades_missing: float, other: bool = False
) -> BalanceProblem:
    """Return a problem whose analytes are measured in the same places; all but one if ``other``."""
    problem: BalanceProblem = made.problem(0.03, flows_missing)
    blank = made.rng.random(problem.n_carriers) < grades_missing
    grade, sd = problem.grade.copy(), problem.grade_sd.copy()
    grade[:, blank] = sd[:, blank] = np.nan
    if other:
        grade[-1, :2] = sd[-1, :2] = np.nan
    return replace(problem, grade=grade, grade_sd=sd)


@few
@given(seed=seeds, n=st.integers(1, 25), lanes=st.integers(1, 4))
def test_selected_inverse(seed: int, n: int, lanes: int) -> None:
    """Entries of S^-1 in the pattern, D'S^-1 D and its roots, against numpy."""
    rng = np.random.default_rng(seed)
    D = np.hstack([np.eye(n), sparse.random_array((n, 2 * n), density=0.1, rng=rng).toarray()])
    V = rng.uniform(0.1, 2.0, (3 * n, lanes))
    products = LaneProducts(sparse.csc_array(D))
    factor, found = products.factor(V), products.squares(products.factor(V))
    entries = factor.selected_inverse()
    right = rng.normal(size=(n, 3))
    for lane in range(lanes):
        S = (D * V[:, lane]) @ D.T
        inverse = np.linalg.inv(S)
        for (i, j), at in products.pattern.position.items():
            assert entries[at, lane] == pytest.approx(inverse[i, j], rel=1e-9, abs=1e-11)
        assert found[:, lane] == pytest.approx(np.diag(D.T @ inverse @ D), rel=1e-9, abs=1e-11)
        alone = factor.lanes(slice(lane, lane + 1))
        expected = inverse @ right
        assert alone.solve(right[:, :, None])[:, :, 0] == pytest.approx(expected, rel=1e-8)
        stored = np.array([S[i, j] for i, j in products.pattern.position])[:, None]
        filled = np.empty_like(stored)
        filled[list(products.pattern.position.values())] = stored
        root = LevelFactor(level_pattern(products.pattern), filled).root(0, right)
        assert root.T @ root == pytest.approx(right.T @ expected, rel=1e-8, abs=1e-10)
    assert isinstance(factor, LaneFactor)


@few
@given(
    seed=seeds,
    flows_missing=st.sampled_from([0.0, 0.5, 0.9]),
    grades_missing=st.sampled_from([0.0, 0.3, 0.6]),
    other=st.booleans(),
)
def test_a_few_analytes_tell_what_all_do(
    seed: int, flows_missing: float, grades_missing: float, other: bool, random_circuit: Maker
) -> None:
    made = random_circuit(seed, 6, 9)
    problem = _alike(made, flows_missing, grades_missing, other)
    found = classify(problem)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(observability, "_COPIES", 100)
        whole = classify(problem)
    for name in ("flow_determined", "flow_checked", "grade_determined", "grade_checked"):
        assert (getattr(found, name) == getattr(whole, name)).all(), name
    assert found.degrees_of_freedom == whole.degrees_of_freedom
    assert found.unobservable_flows == whole.unobservable_flows


@few
@given(seed=seeds, missing=st.sampled_from([0.0, 0.3]), other=st.booleans(), tight=st.booleans())
def test_best_grades_equal_those_one_by_one(
    seed: int, missing: float, other: bool, tight: bool, random_circuit: Maker
) -> None:
    made = random_circuit(seed, 5, 5)
    problem = _alike(made, 0.0, missing, other)
    if tight:  # the first analyte meets its bounds
        upper = problem.grade_upper.copy()
        upper[0] = 0.95 * made.grade[0]
        problem = replace(problem, grade_upper=upper)
    reduced = presolve(problem)
    flow = reduced.basis.closed(made.flow / reduced.flow_scale)
    for one, a in zip(grades_at(reduced.analytes, flow), reduced.analytes, strict=True):
        alone = best_grades(a, flow)
        assert one.x == pytest.approx(alone.x, rel=1e-9, abs=1e-10)
        assert one.value == pytest.approx(alone.value, rel=1e-9, abs=1e-12)
        size = np.abs(alone.lam).max(initial=0.0)
        assert one.lam == pytest.approx(alone.lam, rel=1e-7, abs=1e-9 * size)
        assert (one.at_upper == alone.at_upper).all()
        assert (one.pattern.moving == alone.pattern.moving).all()


@few
@given(seed=seeds, missing=st.sampled_from([0.0, 0.3]), m=st.integers(1, 4))
def test_back_is_the_transpose_of_ahead(
    seed: int, missing: float, m: int, random_circuit: Maker
) -> None:
    """For several analytes and for one; together as each alone."""
    made = random_circuit(seed, 5, 5)
    reduced = presolve(_alike(made, 0.0, missing))
    grades = [
        g
        for g in grades_at(reduced.analytes, reduced.basis.closed(made.flow / reduced.flow_scale))
        if not (g.at_lower | g.at_upper).any()  # others hold other grades
    ]
    assume(grades)
    together = GradeResponse.side_by_side(grades)
    assert together is not None
    rng = np.random.default_rng(seed)
    n_groups, K = together.x.shape
    along = rng.normal(size=(made.flow.size, m))
    errors, slopes = rng.normal(size=(len(together.V), m, K)), rng.normal(size=(n_groups, m, K))
    ahead = together.ahead(along, errors)
    by_flow, by_error = together.back(slopes)
    one_way = np.einsum("gmk,gmk->mk", slopes, ahead)
    other_way = np.einsum("cmk,cm->mk", by_flow, along) + np.einsum("emk,emk->mk", by_error, errors)
    assert one_way == pytest.approx(other_way, rel=1e-7, abs=1e-7 * np.abs(slopes).sum())
    for k, g in enumerate(grades):
        alone = GradeResponse.of(g).ahead(along, errors[:, :, [k]])
        size = np.abs(alone).max(initial=0.0)
        assert ahead[:, :, [k]] == pytest.approx(alone, rel=1e-7, abs=1e-8 * size)


@few
@given(seed=seeds, missing=st.sampled_from([0.0, 0.3]), other=st.booleans())
def test_covariance_together_and_one_by_one(
    seed: int, missing: float, other: bool, random_circuit: Maker
) -> None:
    """All ways to ask for it agree, and so do analytes by themselves."""
    made = random_circuit(seed, 5, 5)
    problem = _alike(made, 0.2, missing, other)
    solution = solve(problem)
    found = propagate(problem, solution)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(covariance, "_FEW", 100)
        patch.setattr(alike_grades, "_FEW", 100)
        again = solve(problem)
        alone = Covariance(problem, replace(again, flow=solution.flow, grade=solution.grade))
        assert found.flow_sd == pytest.approx(alone.flow_sd, rel=1e-7, abs=1e-12, nan_ok=True)
        assert found.grade_sd == pytest.approx(alone.grade_sd, rel=1e-7, abs=1e-12, nan_ok=True)
    n, K = problem.n_carriers, problem.n_analytes
    places = [Position(None, j) for j in range(n)]
    places += [Position(k, j) for k in range(K) for j in range(n)]
    whole = found.joint(places)
    sd = np.concatenate([found.flow_sd, found.grade_sd.ravel()])
    size = np.nanmax(sd, initial=0.0) * np.ones(len(places))
    assert np.sqrt(np.diag(whole)) == pytest.approx(sd, rel=1e-7, abs=1e-12, nan_ok=True)
    R = found.flow_root
    for k in range(K):
        own = slice(n * (k + 1), n * (k + 2))
        through, rest = found.grade_root(k)
        near: dict[str, Any] = {"rel": 1e-7, "abs": 1e-9 * float(size[0]) ** 2, "nan_ok": True}
        assert whole[own, :n] == pytest.approx(through @ R.T, **near)
        assert whole[own, own] == pytest.approx(through @ through.T + rest @ rest.T, **near)
    rng = np.random.default_rng(seed)
    known = np.flatnonzero(np.isfinite(sd))
    functions = [
        {places[i]: float(rng.normal()) for i in some}
        for some in (known, known[::3], known[:0], known[-1:])
    ]
    flows, grades = found.many_with_all(functions)
    for i, slopes in enumerate(functions):
        at = [places.index(place) for place in slopes]
        expected = whole[:, at] @ np.array([*slopes.values()])
        together = np.concatenate([flows[i], grades[i].ravel()])
        one = np.concatenate([part.ravel() for part in found.with_all(slopes)])
        close: dict[str, Any] = {"rel": 1e-7, "abs": 1e-9 * float(size[0]) ** 2, "nan_ok": True}
        determined = np.isfinite(sd)
        assert together[determined] == pytest.approx(expected[determined], **close)
        assert np.isnan(together[~determined]).all()
        assert together == pytest.approx(one, **close)
