"""The best plan, and the plan that tells every error, against exhaustive search."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from often import NIGHTLY
from plan_problems import (
    KG,
    MASS_FRACTION,
    Ints,
    Small,
    drawn,
    table_plan,
    two_products,
)

from oretally.flowsheet import (
    Measurement,
    balance_problem,
)
from oretally.recon.plan import identifiable as plan_identifiable
from oretally.recon.plan import relaxation as plan_relaxation
from oretally.recon.plan.cone_form import least_by_cones
from oretally.recon.plan.design import Design
from oretally.recon.plan.identifiable import NO_TRACE, cheapest_identifiable, confused
from oretally.recon.plan.relaxation import Relaxation
from oretally.recon.plan.rounding import best_plan, cheapest_plan
from oretally.recon.signatures import NEAR, equivalent_sets, signatures_of
from oretally.recon.solver import solve


def test_what_is_charged() -> None:
    """Least charge of a batch, the sample once a stream, nothing for what is there."""
    small = table_plan(prices=(10.0, 20.0), least=50.0, sample=8.0)
    o = small.design.offers
    assert small.names[:4] == [("feed", "dry mass"), ("feed", "a0"), ("conc", "dry mass"),
                               ("conc", "a0")]  # fmt: skip
    assert o.cost(np.array([1, 0, 1, 0, 0, 0])) == 20.0
    assert o.cost(np.array([0, 2, 0, 0, 0, 0])) == 50.0 + 8.0
    assert o.cost(np.array([1, 2, 0, 1, 0, 0])) == 10.0 + 60.0 + 16.0
    kept = replace(o, given=np.array([1, 1, 0, 0, 0, 0]))
    assert kept.cost(np.array([1, 1, 0, 0, 0, 0])) == 0.0
    assert kept.cost(np.array([1, 2, 0, 1, 0, 0])) == 50.0 + 8.0


def exhaustive(design: Design, budgets: Sequence[float]) -> list[float]:
    """Return the least criterion of all plans within each budget."""
    o = design.offers
    ranges = [range(g, m + 1) for g, m in zip(o.given, o.most, strict=True)]
    plans = [np.array(plan) for plan in itertools.product(*ranges)]
    cost = np.array([o.cost(p) for p in plans])
    least = np.array([
        design.criterion(p) if c <= max(budgets) + 1e-9 else np.inf
        for p, c in zip(plans, cost, strict=True)
    ])  # fmt: skip
    return [float(least[cost <= budget + 1e-9].min()) for budget in budgets]


SMALL_CASES: dict[str, Callable[[], Small]] = {
    "two products": lambda: two_products(0.8, 0.05, most=2, least=50.0, sample=8.0),
    "three readings": lambda: table_plan(most=3, prices=(15.0, 20.0)),
    "sampling": lambda: table_plan(most=2, stays=0.03, sample=12.0),
    "shared batch": lambda: table_plan(most=2, shared=0.03, least=30.0),
    "two analytes": lambda: table_plan(2, most=1, least=30.0, sample=5.0, answers=2),
}


@pytest.mark.parametrize("name", SMALL_CASES)
def test_the_best_plan_is_that_of_exhaustive_search(name: str) -> None:
    """Proven best, as the list of all plans says; the relaxed problem bounds it from below."""
    small = SMALL_CASES[name]()
    relaxation, found = Relaxation(small.design), 0
    budgets = [share * small.once() for share in (0.3, 0.6, 0.9, 1.2)]
    for budget, best in zip(budgets, exhaustive(small.design, budgets), strict=True):
        chosen = best_plan(small.design, relaxation, budget)
        if chosen is None:
            assert best == np.inf
            continue
        found += 1
        assert small.design.offers.cost(chosen.readings) <= budget + 1e-6
        assert small.design.criterion(chosen.readings) == pytest.approx(chosen.criterion)
        assert chosen.criterion == pytest.approx(best, rel=5e-6)
        assert chosen.gap == 0.0
        relaxed = relaxation.solve(budget)
        assert relaxed is not None and relaxed[0] <= best * (1.0 + 1e-6)
        assert chosen.relaxed <= chosen.bound * (1.0 + 1e-9) <= best * (1.0 + 1e-5)
    assert found >= 2


@pytest.mark.parametrize("kind", ["plain", "sampling", "shared batch", "given", "free"])
def test_the_relaxed_plan_is_that_of_the_cone_solver(
    kind: str, random_circuit: Callable[..., Any]
) -> None:
    """The same least criterion as from cones, where every level can be paid; never above a plan's.

    Where the budget does not pay some level alone, it has no share here: the bound is no lower.
    """
    more: dict[str, dict[str, Any]] = {
        "sampling": {"stays": 0.02, "sample": 12.0},
        "shared batch": {"shared": 0.03, "least": 30.0, "most": 3},
        "free": {"prices": (0.0, 20.0)},
    }
    for seed in range(3 if NIGHTLY else 1):
        small = drawn(random_circuit, seed, 3, 2, **more.get(kind, {}))
        design, rng = small.design, np.random.default_rng(seed)
        n = design.offers.n
        if kind == "given":
            given = (rng.random(n) < 0.3).astype(np.intp)
            design = replace(design, offers=replace(design.offers, given=given))
        relaxation, once = Relaxation(design), design.offers.cost(np.ones(n, dtype=np.intp))
        for share in (0.6, 1.0, 1.6):
            found = relaxation.solve(share * once)
            cones = least_by_cones(design, share * once)
            assert found is not None and cones is not None
            assert found[0] == pytest.approx(cones[0], rel=1e-6)
            levels = relaxation.levels
            reached = design.slope(levels.base + levels.gain @ found[1])
            assert reached is not None
            assert found[0] * (1.0 - 1e-7) <= reached[0] <= found[0] * (1.0 + 2e-6)
            assert (levels.chosen @ found[1]).max() <= 1.0 + 1e-9
        few = relaxation.solve(0.1 * once)
        cones = least_by_cones(design, 0.1 * once)
        assert few is None or (cones is not None and few[0] >= cones[0] * (1.0 - 1e-6))


def test_a_search_that_ends_short_goes_to_the_cones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three steps leave a bound that holds, if not close; the cones close it."""
    small = table_plan(2, most=2, least=30.0, sample=5.0, answers=2)
    relaxation, budget = Relaxation(small.design), small.once()
    whole = relaxation.solve(budget)
    monkeypatch.setattr(plan_relaxation, "_MOST_STEPS", 3)
    by_cones = relaxation.solve(budget)
    monkeypatch.setattr(plan_relaxation, "least_by_cones", lambda *_: None)
    short = relaxation.solve(budget)
    assert whole is not None and by_cones is not None and short is not None
    assert by_cones[0] == pytest.approx(whole[0], rel=1e-6)
    assert short[0] < whole[0] * (1.0 - 1e-4)


def test_nothing_is_relaxed_that_the_budget_does_not_pay() -> None:
    """With no money only what is free has a share; None where that leaves answers open."""
    design = table_plan(most=2).design
    assert Relaxation(design).solve(0.0) is None
    free = replace(design, offers=replace(design.offers, price=np.zeros(design.offers.n)))
    found = Relaxation(free).solve(0.0)
    assert found is not None
    assert found[0] == pytest.approx(free.criterion(free.offers.most), rel=1e-6)


def test_more_money_never_makes_it_worse(random_circuit: Callable[..., Any]) -> None:
    """Also where a problem is too large for a proof: a larger budget starts from the last plan."""
    for seed in (2,):
        small = drawn(random_circuit, seed, 3, 2, most=3, least=30.0, sample=5.0)
        relaxation, last, plans = Relaxation(small.design), np.inf, list[Ints]()
        for share in np.linspace(0.4, 1.8, 4):
            chosen = best_plan(small.design, relaxation, share * small.once(), starts=plans)
            if chosen is None:
                assert last == np.inf
                continue
            assert chosen.criterion <= last * (1.0 + 1e-9)
            assert chosen.bound <= chosen.criterion * (1.0 + 1e-9)
            last, plans = chosen.criterion, [chosen.readings]
        assert last < np.inf


def test_the_cheapest_plan_that_tells_the_answers() -> None:
    for name in ("two products", "shared batch", "two analytes"):
        design = SMALL_CASES[name]().design
        found = cheapest_plan(design)
        assert found is not None and np.isfinite(design.criterion(found))
        cost = design.offers.cost(found)
        assert exhaustive(design, [cost - 0.01]) == [np.inf]


def cheapest_by_list(design: Design) -> float:
    o = design.offers
    ranges = [range(g, m + 1) for g, m in zip(o.given, o.most, strict=True)]
    plans = sorted((np.array(p) for p in itertools.product(*ranges)), key=o.cost)
    for plan in plans:
        if np.isfinite(design.criterion(plan)) and not confused(design, plan):
            return o.cost(plan)
    return np.inf


@pytest.mark.parametrize("prices", [(10.0, 20.0), (30.0, 12.0)])
@pytest.mark.parametrize("searched", ["listed", "by cuts"])
def test_the_plan_that_tells_every_error(
    prices: tuple[float, float], searched: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cheapest, by the list of all plans; found by listing and by cuts."""
    design = table_plan(most=2, prices=prices, least=25.0, sample=8.0).design
    best = cheapest_by_list(design)
    assert np.isfinite(best)
    if searched == "by cuts":
        monkeypatch.setattr(plan_identifiable, "_LISTED", 1)
        monkeypatch.setattr(plan_identifiable, "_MOST_OTHERS", 1000)
        found = cheapest_identifiable(design, rounds=1000)
    else:
        found = cheapest_identifiable(design)
    assert found is not None and found.proven
    assert found.cost == pytest.approx(best)
    assert confused(design, found.readings) == []


def test_no_plan_tells_errors_with_one_reading_each() -> None:
    """Assays of one analyte around one node stand in one balance: they have one trace."""
    assert cheapest_identifiable(table_plan(most=1).design) is None


def test_errors_are_confused_as_the_balance_confuses_them(
    random_circuit: Callable[..., Any],
) -> None:
    """Single readings: the same groups as `equivalent_sets` finds from the balance itself."""
    compared = 0
    for seed in range(5):
        small = drawn(random_circuit, seed, 3, 2)
        design = small.design
        rng = np.random.default_rng(seed)
        plan = (rng.random(design.offers.n) < 0.8).astype(np.intp)
        plan[0] = 1
        sd = design.offers.own
        measured = tuple(
            Measurement(s, q, unit.from_base(small.value[i]), unit, unit.from_base(sd[i]))
            for i, (s, q) in enumerate(small.names)
            if plan[i]
            for unit in [KG if small.places[i].analyte is None else MASS_FRACTION]
        )
        survey = replace(small.blank, measurements=measured)
        problem = balance_problem(small.circuit, survey)
        signatures = signatures_of(problem, solve(problem))
        places = {place: i for i, place in enumerate(small.places)}
        number = [places[p] for p in signatures.readings]
        n, groups = len(number), equivalent_sets(signatures)
        silent = {number[r] for r in range(n) if groups.of(r) is None}
        pairs = {
            tuple(sorted((number[a], number[b])))
            for a in range(n)
            for b in range(a)
            if abs(signatures.correlation[a, b]) >= NEAR
        }
        found = confused(design, plan)
        assert {i for i, _, size in found if size == NO_TRACE} == silent
        assert {(a, b) for a, b, size in found if size != NO_TRACE} == pairs
        compared += len(pairs)
    assert compared > 10


def test_two_readings_alone_cannot_be_told_apart_three_can() -> None:
    design = table_plan(most=3).design
    nothing = np.zeros(design.offers.n, dtype=np.intp)
    for times, wrong in ((1, [(1, 1, NO_TRACE)]), (2, [(1, 1, 1.0)]), (3, [])):
        plan = nothing.copy()
        plan[1] = times
        assert confused(design, plan) == [pytest.approx(w) for w in wrong]
