"""Plans of measurements as arrays: predicted errors, the best plan, the plan that tells errors."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from published import REFERENCE

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    Position,
    SharedSource,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.recon.plan import identifiable
from oretally.recon.plan.design import Design, Offers, criterion_weights
from oretally.recon.plan.identifiable import NO_TRACE, cheapest_identifiable, confused
from oretally.recon.plan.linearised import Tangent, tangent_at
from oretally.recon.plan.moves import Exchanges, filled, least_readings, open_answers
from oretally.recon.plan.relaxation import Relaxation
from oretally.recon.plan.rounding import best_plan, cheapest_plan
from oretally.recon.signatures import NEAR, equivalent_sets, signatures_of
from oretally.recon.solver import prepare, solve

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
KG, MASS_FRACTION = parse_unit("kg"), parse_unit("%")
TABLE = Circuit.build({"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})


class Small:
    """A circuit with true flows and grades, and everything on offer at plain prices."""

    def __init__(
        self, circuit: Circuit, flow: Floats, grade: Floats, *, most: int = 2,
        prices: tuple[float, float] = (10.0, 20.0), least: float = 0.0, sample: float = 0.0,
        sds: tuple[float, float] = (0.01, 0.03), stays: float = 0.0, shared: float = 0.0,
        answers: int = 1,
    ) -> None:  # fmt: skip
        self.circuit, self.flow, self.grade = circuit, flow, grade
        self.analytes = tuple(Analyte(f"a{k}", MASS_FRACTION) for k in range(len(grade)))
        self.blank = Survey(Basis.BATCH, KG, self.analytes, ())
        problem = balance_problem(circuit, self.blank)
        rows = positions(circuit, self.blank).rows
        self.names = [(row.stream, row.quantity) for row in rows]
        self.places = [row.place for row in rows]
        self.tangent = tangent_at(problem, flow, grade, named=self.places)
        value = np.array([flow[j] if k is None else grade[k, j] for k, j in self.places])
        is_flow = np.array([p.analyte is None for p in self.places])
        self.value, n = value, len(value)
        # one shared source for the first analyte's grades, if any; with the feed's among them it
        # would cancel in the recoveries
        moved = [p.analyte == 0 and p.carrier != 0 for p in self.places]
        self.loading = np.where(moved, shared * value, 0.0)
        T = self.tangent.rows(self.places)
        offers = Offers(
            rows=np.column_stack([T, self.loading]) if shared else T,
            prior=np.eye(T.shape[1] + 1)[-1:] if shared else np.zeros((0, T.shape[1])),
            own=np.where(is_flow, *sds) * value,
            stays=np.where(is_flow, 0.0, stays) * value,
            given=np.zeros(n, dtype=np.intp),
            most=np.full(n, most),
            price=np.where(is_flow, *prices),
            batch=np.array([0 if p.analyte is None else 1 + p.analyte for p in self.places]),
            least_charge=np.array([0.0, *[least] * len(grade)]),
            sample=np.array([-1 if p.analyte is None else p.carrier for p in self.places]),
            sample_price=np.full(len(flow), sample),
        )
        streams = circuit.stream_names
        feed = streams.index(circuit.feeds[0])
        gradients = []
        for k in range(len(grade)):
            for product in circuit.products[:answers]:
                g = recovery_gradient(self.tangent, k, streams.index(product), feed)
                gradients.append(np.append(g, 0.0) if shared else g)
        plain = Design(offers, np.array(gradients), np.ones(len(gradients)))
        self.design = replace(plain, weights=criterion_weights(plain, None))
        self.asked = [(k, streams.index(p)) for k in range(len(grade))
                      for p in circuit.products[:answers]]  # fmt: skip
        self.feed = feed

    def once(self) -> float:
        """Return what everything costs, read once."""
        return self.design.offers.cost(np.ones(self.design.offers.n, dtype=np.intp))


def recovery_gradient(tangent: Tangent, k: int, j: int, feed: int) -> Floats:
    F, x = tangent.flow, tangent.grade[k]
    R = F[j] * x[j] / (F[feed] * x[feed])
    slopes = {Position(None, j): R / F[j], Position(None, feed): -R / F[feed]}
    slopes |= {Position(k, j): R / x[j], Position(k, feed): -R / x[feed]}
    return tangent.gradient(slopes)


def two_products(recovery: float, pull: float, **more: Any) -> Small:
    feed = 1e-4
    grade = np.array([[feed, feed * recovery / pull, feed * (1 - recovery) / (1 - pull)]])
    return Small(TABLE, np.array([1.0, pull, 1.0 - pull]), grade, **more)


def table(n_analytes: int = 1, **more: Any) -> Small:
    conc = np.array([[0.20], [0.05], [0.30]])[:n_analytes]
    tails = np.array([[0.01], [0.10], [0.20]])[:n_analytes]
    grade = np.hstack([0.3 * conc + 0.7 * tails, conc, tails])
    return Small(TABLE, np.array([100.0, 30.0, 70.0]), grade, **more)


def drawn(random_circuit: Callable[..., Any], seed: int, *size: int, **more: Any) -> Small:
    found = random_circuit(seed, *size)
    return Small(found.circuit, found.flow, found.grade, **more)


# ---- predicted errors


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
    "case", ["table", "table, sampling", "table, shared batch", "random 2", "random 5", "random 9"]
)
def test_predicted_errors_are_those_of_simulated_surveys(
    case: str, random_circuit: Callable[..., Any]
) -> None:
    """The sd over the surveys is within 4 of its own standard errors (1.3 % for 3000 of them)."""
    few: dict[str, Any] = {"sds": (0.002, 0.006), "most": 3, "answers": 2}
    if case.startswith("random"):
        small = drawn(random_circuit, int(case.split()[1]), 4, 2, **few)
    else:
        more = {"table, sampling": {"stays": 0.008}, "table, shared batch": {"shared": 0.03}}
        small = table(2, **few, **more.get(case, {}))
    rng = np.random.default_rng(5)
    readings = rng.integers(0, 4, small.design.offers.n)
    readings[0] = max(readings[0], 1)  # the scale
    missing = np.flatnonzero(readings == 0)
    while not np.isfinite(small.design.criterion(readings)):
        readings[missing[0]], missing = 1, missing[1:]
    n = 200 if small.loading.any() else 3000  # with shared errors each is balanced by itself
    predicted = np.sqrt(small.design.variances(readings))
    seen = simulated(small, readings, n, seed=11)
    assert np.abs(seen / predicted - 1.0).max() < 4.0 / np.sqrt(2.0 * n)


def test_repeats_do_not_lessen_the_sampling_error() -> None:
    offers = table(stays=0.04).design.offers
    assay = 1
    many = offers.sd(np.full(offers.n, 10_000))
    assert many[assay] == pytest.approx(offers.stays[assay], rel=1e-3)
    ones, fours = offers.sd(np.full(offers.n, 1)), offers.sd(np.full(offers.n, 4))
    assert ones[assay] ** 2 == pytest.approx(offers.own[assay] ** 2 + offers.stays[assay] ** 2)
    assert fours[assay] ** 2 == pytest.approx(offers.own[assay] ** 2 / 4 + offers.stays[assay] ** 2)


@pytest.mark.parametrize("seed", range(4))
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


def test_what_is_charged() -> None:
    """Least charge of a batch, the sample once a stream, nothing for what is there."""
    small = table(prices=(10.0, 20.0), least=50.0, sample=8.0)
    o = small.design.offers
    assert small.names[:4] == [("feed", "dry mass"), ("feed", "a0"), ("conc", "dry mass"),
                               ("conc", "a0")]  # fmt: skip
    assert o.cost(np.array([1, 0, 1, 0, 0, 0])) == 20.0
    assert o.cost(np.array([0, 2, 0, 0, 0, 0])) == 50.0 + 8.0
    assert o.cost(np.array([1, 2, 0, 1, 0, 0])) == 10.0 + 60.0 + 16.0
    kept = replace(o, given=np.array([1, 1, 0, 0, 0, 0]))
    assert kept.cost(np.array([1, 1, 0, 0, 0, 0])) == 0.0
    assert kept.cost(np.array([1, 2, 0, 1, 0, 0])) == 50.0 + 8.0


# ---- the best plan


def exhaustive(design: Design, budget: float) -> float:
    """Return the least criterion of all plans within a budget."""
    o = design.offers
    ranges = [range(g, m + 1) for g, m in zip(o.given, o.most, strict=True)]
    plans = (np.array(plan) for plan in itertools.product(*ranges))
    return min(design.criterion(p) for p in plans if o.cost(p) <= budget + 1e-9)


SMALL_CASES: dict[str, Callable[[], Small]] = {
    "two products": lambda: two_products(0.8, 0.05, most=2, least=50.0, sample=8.0),
    "three readings": lambda: table(most=3, prices=(15.0, 20.0)),
    "sampling": lambda: table(most=2, stays=0.03, sample=12.0),
    "shared batch": lambda: table(most=2, shared=0.03, least=30.0),
    "two analytes": lambda: table(2, most=1, least=30.0, sample=5.0, answers=2),
}


@pytest.mark.parametrize("name", SMALL_CASES)
def test_the_best_plan_is_that_of_exhaustive_search(name: str) -> None:
    """Proven best, as the list of all plans says; the relaxed problem bounds it from below."""
    small = SMALL_CASES[name]()
    relaxation, found = Relaxation(small.design), 0
    for share in (0.3, 0.6, 0.9, 1.2):
        budget = share * small.once()
        chosen, best = best_plan(small.design, relaxation, budget), exhaustive(small.design, budget)
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
        assert exhaustive(design, cost - 0.01) == np.inf


# ---- the plan that tells errors


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
    design = table(most=2, prices=prices, least=25.0, sample=8.0).design
    best = cheapest_by_list(design)
    assert np.isfinite(best)
    if searched == "by cuts":
        monkeypatch.setattr(identifiable, "_LISTED", 1)
        monkeypatch.setattr(identifiable, "_MOST_OTHERS", 1000)
        found = cheapest_identifiable(design, rounds=1000)
    else:
        found = cheapest_identifiable(design)
    assert found is not None and found.proven
    assert found.cost == pytest.approx(best)
    assert confused(design, found.readings) == []


def test_no_plan_tells_errors_with_one_reading_each() -> None:
    """Assays of one analyte around one node stand in one balance: they have one trace."""
    assert cheapest_identifiable(table(most=1).design) is None


def test_errors_are_confused_as_the_balance_confuses_them(
    random_circuit: Callable[..., Any],
) -> None:
    """Single readings: the same groups as `recon.equivalence` finds from the balance itself."""
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
    design = table(most=3).design
    nothing = np.zeros(design.offers.n, dtype=np.intp)
    for times, wrong in ((1, [(1, 1, NO_TRACE)]), (2, [(1, 1, 1.0)]), (3, [])):
        plan = nothing.copy()
        plan[1] = times
        assert confused(design, plan) == [pytest.approx(w) for w in wrong]
