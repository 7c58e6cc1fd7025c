"""The problem in natural variables and its Newton system, against differences and dense algebra.

Derivatives: central differences, exact for the balances, which are of second degree, and for the
objective's slope, but for rounding. The linear system: numpy on the whole matrix, nothing
eliminated, every second derivative a difference of the Lagrangian's gradient. All data are random.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often
from scipy import sparse
from sound_surveys import smallest_mill, sound_survey

from oretally.flowsheet import BalanceProblem, Circuit, balance_problem
from oretally.recon.natural.natural_form import NaturalForm, Point, natural_form
from oretally.recon.natural.newton_system import Hessian, NewtonSystem, Step
from oretally.recon.natural.slacks import Slacks, against_bounds, slack_change, slacks
from oretally.recon.reduction import presolve

Floats = NDArray[np.float64]
Circuits = Callable[..., Any]
CASES = ("mill", "splitter with parts", "bulk", "bulk, incomplete", "passed through")


def _problem(case: str, random_circuit: Circuits) -> BalanceProblem:
    if case == "mill":
        made = smallest_mill()
        return balance_problem(made.circuit, made.survey)
    if case == "splitter with parts":
        made = sound_survey(20)
        assert "splitter" in made.features and made.survey.sizes.n_classes > 1
        return balance_problem(made.circuit, made.survey)
    if case == "passed through":
        return _passed_through()
    missing = (0.3, 0.4) if "incomplete" in case else (0.0, 0.0)
    problem: BalanceProblem = random_circuit(11, n_nodes=4, n_analytes=2).problem(0.05, *missing)
    return problem


def _passed_through() -> BalanceProblem:
    """Two separators with a pump between them; nothing is assayed there."""
    ends = {"feed": (None, "one"), "to": ("one", "pump"), "from": ("pump", "two"),
            "p": ("one", None), "q": ("two", None), "r": ("two", None)}  # fmt: skip
    A = sparse.csr_array(Circuit.build(ends).incidence())
    flow = np.array([10.0, np.nan, np.nan, 3.0, 2.0, np.nan])
    grade = np.array([[0.1, np.nan, np.nan, 0.05, 0.3, 0.06], [0.02, np.nan, np.nan, 0.01, 0.1, 0]])
    grade[1, 5] = np.nan
    return BalanceProblem(
        flow_balance=A, flow_source=np.zeros(3), analyte_balance=(A, A),
        analyte_source=(np.zeros(3),) * 2, tie=np.arange(6), flow=flow, flow_sd=0.02 * flow,
        flow_lower=np.zeros(6), grade=grade, grade_sd=0.03 * grade,
        grade_lower=np.zeros((2, 6)), grade_upper=np.ones((2, 6)),
    )  # fmt: skip


def _form(problem: BalanceProblem) -> NaturalForm:
    bare = replace(problem, proportion=np.zeros((0, 4), dtype=np.intp))
    return natural_form(problem, presolve(bare))


def _made(case: str, random_circuit: Circuits) -> tuple[NaturalForm, Point, np.random.Generator]:
    """A form, and a point that balances nothing."""
    form = _form(_problem(case, random_circuit))
    rng = np.random.default_rng(3)
    flow = np.where(form.known, form.flow, rng.uniform(0.5, 1.5, form.n_flows))
    return form, Point(flow, rng.uniform(0.1, 0.9, form.cells.amount.size)), rng


def _joined(point: Point) -> Floats:
    return np.concatenate([point.flow, point.cell])


def _apart(form: NaturalForm, z: Floats) -> Point:
    return Point(z[: form.n_flows], z[form.n_flows :])


def _slope(value: Callable[[Floats], Any], z: Floats, h: float = 0.5) -> Floats:
    """Return derivatives by central differences, one row for each number of the value."""
    columns = [(np.atleast_1d(value(z + h * e)) - np.atleast_1d(value(z - h * e))) / (2.0 * h)
               for e in np.eye(z.size)]  # fmt: skip
    return np.array(columns).T


@pytest.mark.parametrize("case", CASES)
def test_derivatives_against_differences(case: str, random_circuit: Circuits) -> None:
    form, point, rng = _made(case, random_circuit)
    z = _joined(point)
    J = _slope(lambda v: form.residual(_apart(form, v)), z)
    size = np.abs(J).max()
    flow, cell = rng.standard_normal(form.n_flows), rng.standard_normal(point.cell.size)
    step, multiplier = np.concatenate([flow, cell]), rng.standard_normal(form.n_rows)
    assert form.along(point, flow, cell) == pytest.approx(J @ step, abs=1e-9 * size)
    through = np.concatenate(form.through_rows(point, multiplier))
    assert through == pytest.approx(J.T @ multiplier, abs=1e-9 * size)
    gradient = np.concatenate(form.gradient(point))
    by_difference = _slope(lambda v: form.objective(_apart(form, v)), z)[0]
    assert gradient == pytest.approx(by_difference, abs=1e-8 * np.abs(gradient).max())
    B = _slope(lambda v: np.concatenate(_finite(form, v)), z)
    change = np.concatenate(slack_change(form, Step(flow, cell, multiplier)).parts())
    bounded = np.concatenate([np.isfinite(s) for s in slacks(form, point).parts()])
    assert np.where(bounded, change, 0.0) == pytest.approx(B @ step, abs=1e-9)
    push = [np.where(np.isfinite(s), rng.standard_normal(s.size), 0.0)
            for s in slacks(form, point).parts()]  # fmt: skip
    back = np.concatenate(against_bounds(form, Slacks(*push)))
    assert back == pytest.approx(B.T @ np.concatenate(push), abs=1e-9)


def _finite(form: NaturalForm, z: Floats) -> list[Floats]:
    """Return the distances to the bounds, 0 where there is none."""
    return [np.where(np.isfinite(s), s, 0.0) for s in slacks(form, _apart(form, z)).parts()]


@settings(deadline=None, max_examples=often(40, 0.4))
@given(seed=st.integers(0, 10_000), case=st.sampled_from(CASES))
def test_the_transposed_derivative_is_that(seed: int, case: str, random_circuit: Circuits) -> None:
    """<J v, w> = <v, J'w> for any v and w, at any point."""
    form, _, _ = _made(case, random_circuit)
    rng = np.random.default_rng(seed)
    n, m = form.n_flows, form.cells.amount.size
    point = Point(10.0 ** rng.uniform(-4.0, 1.0, n), 10.0 ** rng.uniform(-4.0, 0.0, m))
    flow, cell, w = (rng.standard_normal(k) for k in (n, m, form.n_rows))
    by_flow, by_cell = form.through_rows(point, w)
    forth, back = form.along(point, flow, cell) @ w, flow @ by_flow + cell @ by_cell
    size = np.abs(form.along(point, np.abs(flow), np.abs(cell))) @ np.abs(w)
    assert forth == pytest.approx(back, abs=1e-12 * max(float(size), 1.0))


@pytest.mark.parametrize("case", CASES)
def test_residuals_are_those_of_the_balance_problem(case: str, random_circuit: Circuits) -> None:
    """At flows and grades written into both: the analyte balances that presolve kept, by hand."""
    problem = _problem(case, random_circuit)
    form, rng = _form(problem), np.random.default_rng(5)
    bare = replace(problem, proportion=np.zeros((0, 4), dtype=np.intp))
    reduced, c = presolve(bare), form.cells
    flow = np.where(form.known, form.flow, rng.uniform(0.5, 1.5, form.n_flows))
    cell = rng.uniform(0.1, 0.9, c.amount.size)
    point = Point(flow, np.where(c.amount, cell * flow[c.carrier], cell))
    apart = np.bincount(c.link_cell, flow[c.link_carrier] != flow[c.carrier[c.link_cell]])
    alike = ~(c.amount & (apart > 0))  # amounts of several carriers: their flows must be one
    gap = form.residual(point)
    A = reduced.basis.A[reduced.basis.rows]
    first = A.shape[0]
    assert gap[:first] == pytest.approx(A @ flow - reduced.basis.b[reduced.basis.rows], abs=1e-12)
    for k, a in enumerate(reduced.analytes):
        x = np.where(a.fixed, a.target, 0.0)
        own = c.analyte == k
        x[c.group[own]] = cell[own]
        whole = a.rows.sparse @ (flow * x[a.group]) - a.source
        unlike = np.zeros(x.size, dtype=bool)
        unlike[c.group[own & ~alike]] = True
        plain = (abs(a.rows.sparse) @ unlike[a.group].astype(float)) == 0.0
        at = slice(first, first + whole.size)
        assert gap[at][plain] == pytest.approx(whole[plain], abs=1e-12)
        first += whole.size
    if len(problem.proportion):
        part, wholes, share = problem.shares
        q = cell[c.analyte < 0]
        assert gap[first:] == pytest.approx(q[share] * flow[wholes] - flow[part], abs=1e-12)
        means = form.shares(flow)[c.analyte < 0]
        assert means == pytest.approx(
            np.bincount(share, flow[part]) / np.bincount(share, flow[wholes])
        )
    terms = np.abs(_terms(form, point)).sum(axis=1) + np.abs(form.right)
    assert form.passing(point) == pytest.approx(terms, abs=1e-12)


def _terms(form: NaturalForm, point: Point) -> Floats:
    """Return the terms of each balance: entries on flows, then on links."""
    rows, columns, values = form.linear
    c = form.cells
    on_flows = sparse.coo_array((values * point.flow[columns], (rows, np.arange(rows.size))),
                                shape=(form.n_rows, rows.size))  # fmt: skip
    amounts = c.value * form.amounts(point)[c.link]
    on_links = sparse.coo_array((amounts, (c.row, np.arange(c.row.size))),
                                shape=(form.n_rows, c.row.size))  # fmt: skip
    return np.hstack([on_flows.toarray(), on_links.toarray()])


def _dense(form: NaturalForm, point: Point, multiplier: Floats, curvature: Hessian) -> Floats:
    """Return the whole matrix without the damping of the balances, by differences."""
    z, n = _joined(point), form.n_flows

    def lagrangian(v: Floats) -> Floats:
        at = _apart(form, v)
        through = form.through_rows(at, multiplier if curvature.whole else 0.0 * multiplier)
        return np.concatenate(form.gradient(at)) + np.concatenate(through)

    H = _slope(lagrangian, z)
    B = _slope(lambda v: np.concatenate(_finite(form, v)), z)
    bend = np.concatenate([curvature.flow, curvature.low, curvature.high])
    J = _slope(lambda v: form.residual(_apart(form, v)), z)
    H = H + B.T @ (bend[:, None] * B)
    unknown = np.concatenate([~form.known, np.ones(z.size - n, dtype=bool)])
    H, J = H[np.ix_(unknown, unknown)], J[:, unknown]
    return np.block([[H, J.T], [J, np.zeros((len(J), len(J)))]])


def _bends(form: NaturalForm, point: Point, rng: np.random.Generator, size: float) -> Hessian:
    """Curvatures of all bounds that there are."""
    flow, low, high = (np.where(np.isfinite(s), size * rng.uniform(0.5, 2.0, s.size), 0.0)
                       for s in slacks(form, point).parts())  # fmt: skip
    return Hessian(flow, low, high)


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("case", CASES)
def test_step_against_a_dense_solve(case: str, whole: bool, random_circuit: Circuits) -> None:
    """All unknowns at once, by numpy; its least-squares solution, as balances may depend on one
    another: multipliers then differ, and steps do not.
    """
    form, point, rng = _made(case, random_circuit)
    multiplier = 0.1 * rng.standard_normal(form.n_rows)
    curvature = replace(_bends(form, point, rng, 30.0), whole=whole)
    one = np.ones(form.n_rows)
    system = NewtonSystem(form, np.ones(form.n_flows), np.ones(point.cell.size), one)
    assert system.factor(point, multiplier, curvature)
    along = rng.standard_normal(form.n_flows), rng.standard_normal(point.cell.size)
    flow, cell = (rng.standard_normal(k) for k in (form.n_flows, point.cell.size))
    gap = form.along(point, *(np.where(form.known, 0.0, along[0]), along[1]))  # one that is met
    step = system.solve(flow, cell, gap)
    K = _dense(form, point, multiplier, curvature)
    right = np.concatenate([flow[~form.known], cell, gap])
    found = np.linalg.lstsq(K, right, rcond=1e-14)[0]
    n = int((~form.known).sum())
    assert (step.flow[form.known] == 0.0).all()
    own = np.concatenate([step.flow[~form.known], step.cell, step.multiplier])
    size = np.abs(K).max() * np.abs(own).max()
    assert np.abs(K @ own - right).max() < 1e-16 * size  # refined: numpy leaves more
    largest = np.abs(found[: n + cell.size]).max()
    assert own[: n + cell.size] == pytest.approx(found[: n + cell.size], abs=1e-8 * largest)


@pytest.mark.parametrize("case", CASES)
def test_inertia_against_eigenvalues(case: str, random_circuit: Circuits) -> None:
    """The factor is accepted if and only if the matrix has as many positive eigenvalues as
    unknowns: with small multipliers it has, with large ones it has not.
    """
    form, point, rng = _made(case, random_circuit)
    n, told = int((~form.known).sum()) + point.cell.size, []
    for size in (0.01, 1.0, 30.0, 1e3, 1e4):
        multiplier = size * rng.standard_normal(form.n_rows)
        curvature = _bends(form, point, rng, 1.0)
        one = np.ones(form.n_rows)
        system = NewtonSystem(
            form, np.ones(form.n_flows), np.ones(point.cell.size), one, dual_damping=1e-6
        )
        K = _dense(form, point, multiplier, curvature)
        at = np.arange(n, len(K))
        K[at, at] = -1e-6
        positive = int((np.linalg.eigvalsh(K) > 0.0).sum())
        told.append(system.factor(point, multiplier, curvature))
        assert told[-1] == (positive == n), size
    assert told[0] and not told[-1]


def test_an_amount_of_several_carriers(random_circuit: Circuits) -> None:
    """What passes a node unchanged and is assayed nowhere is one amount, with a link on each side.

    The amount enters both balances as it is; its bounds are those of one flow.
    """
    form, point, _ = _made("passed through", random_circuit)
    c = form.cells
    several = np.flatnonzero(c.amount & (np.bincount(c.link_cell) > 1))
    assert several.size == 2  # one for each analyte
    for own in several:
        links = np.flatnonzero(c.link_cell == own)
        carriers = c.link_carrier[links]
        assert set(carriers.tolist()) == {1, 2}
        assert form.amounts(point)[links] == pytest.approx(point.cell[own])
        assert c.link_bound[links].sum() == 1
        rows = [c.row[np.isin(c.link, [link])] for link in links]
        assert all(row.size == 1 for row in rows) and rows[0] != rows[1]


def test_shares_in_common(random_circuit: Circuits) -> None:
    """Outlets of a splitter: each class has one share, the same in all, however they are sieved."""
    form, point, _ = _made("splitter with parts", random_circuit)
    c = form.cells
    shares = np.flatnonzero(c.analyte < 0)
    assert shares.size and not c.amount[shares].any()
    assert (np.bincount(c.link_cell, minlength=c.amount.size)[shares] == 2).all()
    flow = point.flow.copy()
    found = form.shares(flow)
    rows, columns, _ = form.linear
    part_of = {int(r): int(j) for r, j in zip(rows, columns, strict=True)}
    for own in shares:
        links = np.flatnonzero(c.link_cell == own)
        parts = [part_of[int(c.row[c.link == link][0])] for link in links]
        wholes = c.link_carrier[links]
        assert found[own] == pytest.approx(flow[parts].sum() / flow[wholes].sum())
        flow[parts] = found[own] * flow[wholes]
    cell = np.where(c.analyte < 0, form.shares(flow), point.cell)
    first = form.n_rows - sum(int((c.link_cell == own).sum()) for own in shares)
    assert np.abs(form.residual(Point(flow, cell))[first:]).max() < 1e-14
