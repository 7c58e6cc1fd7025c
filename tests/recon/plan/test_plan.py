"""Predicted errors of plans, and what one reading more or less does."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from often import NIGHTLY, often
from plan_problems import (
    KG,
    MASS_FRACTION,
    Floats,
    Ints,
    Small,
    drawn,
    table_plan,
    two_products,
)
from published import REFERENCE

from oretally.flowsheet import (
    Basis,
    Measurement,
    Position,
    SharedSource,
    Survey,
    balance_problem,
    positions,
)
from oretally.recon.plan.moves import Exchanges, filled, least_readings, open_answers
from oretally.recon.plan.rounding import cheapest_plan
from oretally.recon.solver import prepare


def test_every_admissible_change_keeps_the_balances(random_circuit: Callable[..., Any]) -> None:
    for seed in range(6):
        small = drawn(random_circuit, seed, 4, 2)
        problem = balance_problem(small.circuit, small.blank)
        tangent, A = small.tangent, problem.flow_balance.toarray()
        at = {place: i for i, place in enumerate(tangent.places)}
        n = len(small.flow)
        dF = tangent.T[[at[Position(None, j)] for j in range(n)]]
        assert np.abs(A @ dF).max() < 1e-9 * np.abs(small.flow).max()
        for k in range(2):
            dx = tangent.T[[at[Position(k, j)] for j in range(n)]]
            change = A @ (small.grade[k][:, None] * dF + small.flow[:, None] * dx)
            assert np.abs(change).max() < 1e-9 * np.abs(small.flow).max()
            ties = problem.tie
            assert np.allclose(dx, dx[ties], rtol=0.0, atol=1e-12 * np.abs(dx).max())


def amplifications() -> list[dict[str, float]]:
    lines = (REFERENCE / "two_product_error_amplification.csv").read_text("utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{k: float(v) for k, v in row.items()} for row in rows]


@pytest.mark.parametrize("row", amplifications(), ids=lambda r: f"{r['recovery_R']}-{r['yield_Y']}")
def test_three_assays_of_two_products(row: dict[str, float]) -> None:
    """Exact first-order amplification of assay errors; the file names where it comes from."""
    R, Y, sd = row["recovery_R"], row["yield_Y"], 0.02
    small = two_products(R, Y, sds=(0.01, sd))
    assays = np.array([int(p.analyte is not None) for p in small.places], dtype=np.intp)
    pull = small.tangent.gradient({Position(None, 1): 1.0, Position(None, 0): -Y})
    design = replace(
        small.design, gradients=np.vstack([small.design.gradients, pull]), weights=np.ones(2)
    )
    of_recovery, of_yield = np.sqrt(design.variances(assays))
    assert of_recovery / R / sd == pytest.approx(row["first_order_exact_recovery"], rel=1e-6)
    assert of_yield / Y / sd == pytest.approx(row["first_order_exact_yield"], rel=1e-6)


def simulated(small: Small, readings: Ints, n: int, seed: int) -> Floats:
    """Return the sd of each recovery over planned measurements, drawn and balanced."""
    o, rng = small.design.offers, np.random.default_rng(seed)
    taken = np.flatnonzero(readings)
    own = np.sqrt(o.own[taken] ** 2 / readings[taken] + o.stays[taken] ** 2)
    loading = small.loading[taken]
    moved = {small.names[i][0]: small.loading[i] for i in taken if small.loading[i]}
    shared = (SharedSource("batch", "a0", moved),) if moved else ()
    total = np.hypot(own, loading)
    measurements = []
    for i, sd in zip(taken, total, strict=True):
        (stream, quantity), unit = small.names[i], KG if small.places[i].analyte is None else (
            MASS_FRACTION)  # fmt: skip
        measurements.append(Measurement(stream, quantity, unit.from_base(small.value[i]), unit,
                                        unit.from_base(float(sd))))  # fmt: skip
    survey = Survey(Basis.BATCH, KG, small.analytes, tuple(measurements), shared=shared)
    problem = balance_problem(small.circuit, survey)
    at = positions(small.circuit, survey).readings
    noise = own * rng.standard_normal((n, len(taken)))
    noise += loading * rng.standard_normal((n, 1))
    flows, grades = np.tile(problem.flow, (n, 1)), np.tile(problem.grade, (n, 1, 1))
    for column, i in enumerate(taken):
        k, j = at[small.names[i]]
        if k is None:
            flows[:, j] = small.value[i] + noise[:, column]
        else:
            grades[:, k, j] = small.value[i] + noise[:, column]
    found = prepare(problem).solve_many(flows, grades)
    assert found.converged.all()
    F, x, f = found.flow, found.grade, small.feed
    recoveries = [F[:, j] * x[:, k, j] / (F[:, f] * x[:, k, f]) for k, j in small.asked]
    return np.asarray(np.array(recoveries).std(axis=1, ddof=1))


@pytest.mark.parametrize(
    "case",
    ["table_plan", "table, sampling", "table, shared batch", "random 2", "random 5", "random 9"],
)
def test_predicted_errors_are_those_of_simulated_surveys(
    case: str, random_circuit: Callable[..., Any]
) -> None:
    """The sd over the surveys is within 4 of its own standard errors (3 % for 600 of them)."""
    few: dict[str, Any] = {"sds": (0.002, 0.006), "most": 3, "answers": 2}
    if case.startswith("random"):
        small = drawn(random_circuit, int(case.split()[1]), 4, 2, **few)
    else:
        more = {"table, sampling": {"stays": 0.008}, "table, shared batch": {"shared": 0.03}}
        small = table_plan(2, **few, **more.get(case, {}))
    rng = np.random.default_rng(5)
    readings = rng.integers(0, 4, small.design.offers.n)
    readings[0] = max(readings[0], 1)  # the scale
    missing = np.flatnonzero(readings == 0)
    while not np.isfinite(small.design.criterion(readings)):
        readings[missing[0]], missing = 1, missing[1:]
    n = often(200 if small.loading.any() else 3000)  # shared: each is balanced by itself
    predicted = np.sqrt(small.design.variances(readings))
    seen = simulated(small, readings, n, seed=11)
    assert np.abs(seen / predicted - 1.0).max() < 4.0 / np.sqrt(2.0 * n)


def test_repeats_do_not_lessen_the_sampling_error() -> None:
    offers = table_plan(stays=0.04).design.offers
    assay = 1
    many = offers.sd(np.full(offers.n, 10_000))
    assert many[assay] == pytest.approx(offers.stays[assay], rel=1e-3)
    ones, fours = offers.sd(np.full(offers.n, 1)), offers.sd(np.full(offers.n, 4))
    assert ones[assay] ** 2 == pytest.approx(offers.own[assay] ** 2 + offers.stays[assay] ** 2)
    assert fours[assay] ** 2 == pytest.approx(offers.own[assay] ** 2 / 4 + offers.stays[assay] ** 2)


@pytest.mark.parametrize("seed", range(4 if NIGHTLY else 1))
@pytest.mark.parametrize("kind", ["plain", "sampling", "shared batch", "one answer", "given"])
def test_exchanges_are_those_worked_out_anew(
    seed: int, kind: str, random_circuit: Callable[..., Any]
) -> None:
    """One reading more or less, and one for another, at full plans and at some that see little."""
    more: dict[str, Any] = {"sampling": {"stays": 0.02}, "shared batch": {"shared": 0.03}}
    small = drawn(random_circuit, seed, 3, 2, **more.get(kind, {}))
    design, rng = small.design, np.random.default_rng(seed)
    n = design.offers.n
    if kind == "one answer":  # then most measurements tell something that nobody wants to know
        design = replace(design, weights=np.eye(len(design.weights))[0])
    if kind == "given":
        given = (rng.random(n) < 0.2).astype(np.intp)
        design = replace(design, offers=replace(design.offers, given=given))
    given, kinds = design.offers.given, set[tuple[bool, bool]]()
    thin = cheapest_plan(design)
    assert thin is not None
    plans = [np.ones(n, dtype=np.intp), thin, np.maximum(rng.integers(0, 2, n), given)]
    plans += [np.maximum(rng.integers(0, 3, n), given), given]
    for plan in plans:
        at = Exchanges(design, plan)
        fewer, further = np.maximum(plan - 1, given), np.minimum(plan + 1, 2)
        for other in (fewer, further):
            found = at.changed(other)
            for i in range(n):
                trial = plan.copy()
                trial[i] = other[i]
                anew = design.criterion(trial)
                assert found[i] == pytest.approx(anew, rel=1e-6)
                kinds.add((at.known, bool(np.isfinite(anew))))
        pairs = at.exchanged(fewer, further)
        for i, j in itertools.product(range(n), range(n)):
            trial = plan.copy()
            trial[i], trial[j] = fewer[i], further[j]
            if i == j or fewer[i] == plan[i] or further[j] == plan[j]:
                assert pairs[i, j] == np.inf
            else:
                assert pairs[i, j] == pytest.approx(design.criterion(trial), rel=1e-6)
    assert {(True, True), (True, False), (False, False)} <= kinds


def test_what_leaves_an_answer_open_is_as_much_as_can_be(
    random_circuit: Callable[..., Any],
) -> None:
    """Filled up in any order: an answer is open still, and with anything more none is."""
    small = drawn(random_circuit, 1, 4, 2)
    design, rng = small.design, np.random.default_rng(3)
    n = design.offers.n
    ones, nothing = np.ones(n, dtype=np.intp), np.zeros(n, dtype=np.intp)
    for _ in range(10):
        order = rng.permutation(n).tolist()
        full = filled(design, nothing, ones, order=order, directions=open_answers(design))
        assert design.criterion(full) == np.inf
        for i in np.flatnonzero(full == 0):
            trial = full.copy()
            trial[i] = 1
            assert np.isfinite(design.criterion(trial))
    least = least_readings(design)
    found = cheapest_plan(replace(design, offers=replace(design.offers, price=np.ones(n))))
    assert found is not None and 0 < least <= int(found.sum())
