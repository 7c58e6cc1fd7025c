"""Balances by size class: an independent optimiser, and what must hold whatever the data."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from balance_cases import only_balanced
from often import NIGHTLY, some
from pulp_plant import RATE, SHARE, Plant
from pulp_rival import Reconciled, compare, reconciled, same_classes
from size_balances import OPENINGS, grinding_sizes, measured_sizes, random_plant

from oretally.flowsheet import (
    Basis,
    Circuit,
    Measurement,
    Node,
    NodeKind,
    Stream,
    Survey,
    balance_problem,
    parse_unit,
)
from oretally.flowsheet.survey import Run, SizeGrid, class_share


def _equal(one: Reconciled, other: Reconciled, rel: float = 1e-8, but: str = "") -> int:
    """Assert that rows of the same name are the same in two balances; return how many are."""
    alike = [name for name in one.rows if name in other.rows and not (but and but in name[1])]
    for name in alike:
        a, b = one.rows[name], other.rows[name]
        assert a.value_class == b.value_class, name
        assert a.adjusted == (None if b.adjusted is None else pytest.approx(b.adjusted, rel=rel))
        assert a.adjusted_sd == (
            None if b.adjusted_sd is None else pytest.approx(b.adjusted_sd, rel=rel)
        )
    return len(alike)


@pytest.mark.parametrize("seed", some(range(10), 4))
def test_against_an_optimiser_in_amounts(seed: int) -> None:
    """Circuits, half of them with a divider: IPOPT on class masses and metals, from two starts.

    The true plant is one start, a point 30 % around it the other; also every sd and class.
    """
    pytest.importorskip("casadi")
    plant = random_plant(seed)
    compare(plant, measured_sizes(plant, (0.5, 0.8, 0.5, 0.6)))


@pytest.mark.parametrize("seed", some(range(100, 104), 2))
def test_stacks_that_lack_sieves(seed: int) -> None:
    """Some streams are sieved, and one assayed, with two or three classes taken as one."""
    pytest.importorskip("casadi")
    plant = random_plant(seed, n_classes=5)
    runs: list[Run] = [(1, 2), (2, 4)]
    found = [m for m in measured_sizes(plant, (0.5, 0.8, 0.4, 0.7))
             if not (m.stream in ("overflow", "discharge") and " in " in m.quantity)]  # fmt: skip
    coarse = [f"mass in {plant.label(run)}" for run in ((0, 0), (1, 1), (2, 4))]
    found += [plant.measure("overflow", q, 0.02, runs) for q in coarse]
    found.append(plant.measure("discharge", f"mass in {plant.label((1, 2))}", 0.02, runs))
    found.append(plant.measure("overflow", f"Pb in {plant.label((2, 4))}", 0.02, runs))
    ours = compare(plant, found, runs)
    whole = sum(ours.value("overflow", f"mass in {plant.label((c, c))}") for c in (2, 3, 4))
    assert ours.value("overflow", coarse[2]) == pytest.approx(whole, rel=1e-12)


@pytest.mark.parametrize("block", some(range(5), 1))
def test_classes_of_incomplete_surveys(block: int) -> None:
    """10 circuits a block, half of the numbers and fewer: what null spaces of the physics say."""
    pytest.importorskip("casadi")
    chances = ((0.2, 0.5, 0.2, 0.4), (0.5, 0.2, 0.5, 0.3), (0.1, 0.8, 0.0, 0.7))
    for seed in range(200 + 10 * block, 210 + 10 * block):
        plant = random_plant(seed, n_classes=3 + seed % 2)
        assert same_classes(plant, measured_sizes(plant, chances[seed % 3])) > 20


@pytest.mark.parametrize("seed", some(range(300, 304), 2))
def test_classes_in_the_grid_that_nobody_measured(seed: int) -> None:
    """A grid alone changes nothing; nor does one sieved stream, which nothing can check."""
    plant = random_plant(seed)
    bulk = measured_sizes(plant, (0.8, 0.0, 0.0, 0.9))
    survey = plant.survey(bulk)
    plain = reconciled(plant.circuit, replace(survey, sizes=SizeGrid()))
    with_grid = reconciled(plant.circuit, survey)
    assert _equal(plain, with_grid) == len(plain.rows)
    assert with_grid.solution.objective == plain.solution.objective
    shares = [plant.measure("cyclone feed", q, 0.02) for q in plant.quantities("cyclone feed")
              if q.startswith("mass in")]  # fmt: skip
    sieved = reconciled(plant.circuit, plant.survey([*bulk, *shares]))
    assert _equal(plain, sieved) == len(plain.rows)
    sizes = plain.solution.classes.degrees_of_freedom
    assert sieved.solution.classes.degrees_of_freedom == sizes + 1  # they sum to 100 %


def test_sieving_behind_a_mill_leaves_the_sizes_before_it_alone() -> None:
    """Sizes of the product only: the feed has none, and its bulk values are those without."""
    circuit = Circuit.build(
        {"feed": (None, "mill"), "ground": ("mill", "screen"), "coarse": ("screen", None),
         "fine": ("screen", None)}, {"mill": "mill"},
    )  # fmt: skip
    plant = Plant(np.random.default_rng(1), circuit.streams, circuit.nodes, OPENINGS[:2])
    found = measured_sizes(plant, (1.0, 1.0, 0.0, 1.0))
    ours = reconciled(circuit, plant.survey([m for m in found if m.stream != "feed"
                                             or " in " not in m.quantity]))  # fmt: skip
    assert not [q for s, q in ours.rows if s == "feed" and " in " in q]
    assert ("ground", "mass in +300 um") in ours.rows


@pytest.mark.parametrize("seed", some(range(401, 408, 2), 2))
def test_classes_merged_where_all_measure_them_as_one(seed: int) -> None:
    """Two classes that no stack separates are one class: nothing else changes, to 1e-8."""
    plant = random_plant(seed, n_classes=4)
    pair, openings = (1, 2), plant.openings
    gone = [f" in {plant.label((c, c))}" for c in pair]
    found = [m for m in measured_sizes(plant, (0.5, 0.9, 0.4, 0.7))
             if not m.quantity.endswith(tuple(gone))]  # fmt: skip
    for stream in plant.circuit.stream_names:
        found.append(plant.measure(stream, f"mass in {plant.label(pair)}", 0.02, [pair]))
        if plant.rng.random() < 0.5:
            found.append(plant.measure(stream, f"Pb in {plant.label(pair)}", 0.02, [pair]))
    fine = plant.survey(found, [pair])
    coarse = replace(fine, sizes=SizeGrid((openings[0], openings[2])))
    one, other = reconciled(plant.circuit, coarse), reconciled(plant.circuit, fine)
    assert _equal(one, other) > len(plant.circuit.streams) * 5
    assert one.solution.objective == pytest.approx(other.solution.objective, rel=1e-10)
    # one stream sieved finer: with the same sum and the same error of the sum, it says no more
    label = plant.label(pair)
    whole = next(m for m in found if (m.stream, m.quantity) == ("feed", f"mass in {label}"))
    parts = [
        replace(whole, quantity=f"mass in {plant.label((c, c))}", value=part * whole.value,
                sd=whole.sd * 0.5**0.5)
        for c, part in zip(pair, (0.4, 0.6), strict=True)
    ]  # fmt: skip
    finer = [*(m for m in found if m is not whole), *parts]
    third = reconciled(plant.circuit, plant.survey(finer, [pair]))
    for name in one.rows:
        if name in third.rows and name != ("feed", f"mass in {label}"):
            adjusted = one.rows[name].adjusted
            near = None if adjusted is None else pytest.approx(adjusted, rel=1e-8)
            assert third.rows[name].adjusted == near, name
    assert third.solution.objective == pytest.approx(one.solution.objective, rel=1e-9)


@pytest.mark.parametrize("seed", range(500, 503))
def test_a_mill_conserves_solids_and_metal_but_not_sizes(seed: int) -> None:
    plant = random_plant(seed)
    ours = reconciled(plant.circuit, plant.survey(measured_sizes(plant, (0.9, 0.9, 0.5, 1.0))))
    into, out = plant.circuit.inlets("mill"), plant.circuit.outlets("mill")

    def amount(stream: str, analyte: str | None) -> float:
        grade = 1.0 if analyte is None else ours.value(stream, analyte)
        return ours.value(stream, "dry rate") * grade

    for analyte in (None, *plant.analytes):
        entering = sum(amount(s, analyte) for s in into)
        assert sum(amount(s, analyte) for s in out) == pytest.approx(entering, rel=1e-10)
    coarse = f"mass in {plant.label((0, 0))}"
    entering = sum(ours.value(s, "dry rate") * ours.value(s, coarse) for s in into)
    assert ours.value("discharge", "dry rate") * ours.value("discharge", coarse) < 0.99 * entering


def test_sizes_before_and_behind_a_mill_do_not_touch() -> None:
    """Shares that add up cost nothing, however unlike they are; nothing but the sum checks them."""
    circuit = Circuit.build({"feed": (None, "mill"), "ground": ("mill", None)}, {"mill": "mill"})
    grid, rate = SizeGrid((150.0, 38.0)), parse_unit("t/h")
    shares = {"feed": (90.0, 7.0, 3.0), "ground": (1.0, 20.0, 79.0)}
    found = [Measurement("feed", "dry rate", 50.0, rate, 1.0),
             Measurement("ground", "dry rate", 50.0, rate, 2.0)]  # fmt: skip
    found += [Measurement(s, f"mass in {grid.label((c, c))}", v, SHARE, 1.0)
              for s, values in shares.items() for c, v in enumerate(values)]  # fmt: skip
    survey = Survey(Basis.RATE, rate, (), tuple(found), sizes=grid)
    ours = reconciled(circuit, survey)
    assert ours.solution.objective == pytest.approx(0.0, abs=1e-18)
    assert ours.solution.classes.degrees_of_freedom == 3
    row = ours.rows["ground", "mass in -38 um"]
    assert row.adjusted == pytest.approx(79.0)
    assert row.adjusted_sd == pytest.approx((2.0 / 3.0) ** 0.5)


def test_units_do_not_matter() -> None:
    """Openings 1.7 times as wide, rates in kg/h: the same shares, grades and sd."""
    plant = random_plant(600, n_classes=4)
    found = measured_sizes(plant, (0.7, 0.8, 0.4, 0.7))
    survey = plant.survey(found)
    wide = SizeGrid(tuple(1.7 * o for o in plant.openings))
    names = {
        quantity.format(old): quantity.format(new)
        for c in range(plant.C)
        for old, new in [(survey.sizes.label((c, c)), wide.label((c, c)))]
        for quantity in ("mass in {}", *(f"{a} in {{}}" for a in plant.analytes))
    }
    kg = parse_unit("kg/h")
    other = [
        replace(m, value=1000.0 * m.value, sd=1000.0 * m.sd, unit=kg) if m.quantity == "dry rate"
        else replace(m, quantity=names.get(m.quantity, m.quantity))
        for m in found
    ]  # fmt: skip
    one = reconciled(plant.circuit, survey)
    two = reconciled(
        plant.circuit, replace(survey, measurements=tuple(other), sizes=wide, flow_unit=kg)
    )
    assert two.solution.objective == pytest.approx(one.solution.objective, rel=1e-10)
    for (stream, quantity), row in one.rows.items():
        scaled = two.rows[stream, names.get(quantity, quantity)]
        size = 1000.0 if quantity == "dry rate" else 1.0
        for a, b in ((row.adjusted, scaled.adjusted), (row.adjusted_sd, scaled.adjusted_sd)):
            assert b == (None if a is None else pytest.approx(size * a, rel=1e-9))


@pytest.mark.parametrize("seed", some(range(700, 704), 2))
def test_outlets_of_a_splitter_differ_in_their_flow_only(seed: int) -> None:
    """And so does what a separator divides, if the case says that one outlet is like the other."""
    plant = random_plant(seed, divider=True)
    found = measured_sizes(plant, (0.6, 0.8, 0.5, 0.7))
    ours = reconciled(plant.circuit, plant.survey(found))
    for quantity in plant.quantities("bypass"):
        one, two = ours.rows["bypass", quantity], ours.rows["to mill", quantity]
        if quantity != "dry rate" and one.adjusted is not None:
            assert two.adjusted == pytest.approx(one.adjusted, rel=1e-9)
            assert two.adjusted_sd == pytest.approx(one.adjusted_sd, rel=1e-9)
    streams = [replace(s, like="to mill") if s.name == "bypass" else s
               for s in plant.circuit.streams]  # fmt: skip
    nodes = [Node(n.name) if n.kind is NodeKind.SPLITTER else n for n in plant.circuit.nodes]
    told = reconciled(Circuit.from_parts(streams, nodes), plant.survey(found))
    assert told.solution.objective == pytest.approx(ours.solution.objective, rel=1e-9)
    assert _equal(ours, told, rel=1e-6) == len(ours.rows)


def test_three_ways_out_of_a_splitter_and_a_way_together_again() -> None:
    """Three parts of a stream, two of which meet again; IPOPT agrees."""
    pytest.importorskip("casadi")
    ends: dict[str, tuple[str | None, str | None]] = {
        "feed": (None, "screen"), "over": ("screen", None), "under": ("screen", "box"),
        "a": ("box", "sump"), "b": ("box", "sump"), "c": ("box", None), "both": ("sump", "pump"),
        "pumped": ("pump", None),
    }  # fmt: skip
    circuit = Circuit.build(ends, {"box": "splitter", "sump": "mixer"})
    for seed in some(range(3), 1):
        plant = Plant(np.random.default_rng(seed), circuit.streams, circuit.nodes, OPENINGS[:3])
        compare(plant, measured_sizes(plant, (0.5, 0.7, 0.4, 0.6)))


def _losing(seed: int, sd: float) -> tuple[Plant, list[Measurement]]:
    """A grinding circuit that loses 3 % of the underflow, and a loss declared as 0 with a sd."""
    streams, nodes = grinding_sizes(divider=seed % 2 == 0, flotation=False, direct=False)
    streams.append(Stream("loss", "cyclone", None, like="underflow"))
    plant = Plant(np.random.default_rng(seed), streams, nodes, OPENINGS[: 2 + seed % 3], ("Pb",))
    found = [m for m in measured_sizes(plant, (0.9, 0.9, 0.6, 0.8)) if m.stream != "loss"]
    return plant, [*found, Measurement("loss", "dry rate", 0.0, RATE, sd)]


@pytest.mark.parametrize("seed", some(range(800, 806), 3))
def test_a_declared_loss_against_an_optimiser(seed: int) -> None:
    """Circuits, some of which lose and some not by what was measured: IPOPT, as above."""
    pytest.importorskip("casadi")
    plant, found = _losing(seed, 20.0)
    compare(plant, found)


@pytest.mark.parametrize(
    ("like", "sd"),
    list(product(("of", "uf", "feed"), (0.01, 1.0, 100.0)))
    if NIGHTLY
    else [("of", 0.01), ("uf", 100.0), ("feed", 1.0)],
)
def test_a_loss_that_stands_still_changes_nothing(like: str, sd: float) -> None:
    """Invented: more was measured behind the cyclone than before it, so that nothing is lost.

    Then the balance is that without the loss.
    """
    rates = {"feed": 95.0, "of": 36.0, "uf": 68.0}
    sieved = {"feed": (20.0, 30.0, 25.0, 25.0), "of": (1.0, 9.0, 30.0, 60.0),
              "uf": (30.0, 42.0, 20.0, 8.0)}  # fmt: skip
    grid = SizeGrid((300.0, 150.0, 75.0))
    streams = [Stream("feed", None, "cyclone"), Stream("of", "cyclone", None),
               Stream("uf", "cyclone", None)]  # fmt: skip
    found = [Measurement(s, "dry rate", v, RATE, 0.02 * v) for s, v in rates.items()]
    found += [Measurement(s, class_share(grid.label((c, c))), v, SHARE, 1.0)
              for s, own in sieved.items() for c, v in enumerate(own)]  # fmt: skip
    without = Survey(Basis.RATE, RATE, (), tuple(found), sizes=grid)
    plain = reconciled(Circuit.from_parts(streams), without)
    declared = Measurement("loss", "dry rate", 0.0, RATE, sd)
    with_loss = replace(without, measurements=(*found, declared))
    streams.append(Stream("loss", "cyclone", None, like=like))
    ours = reconciled(Circuit.from_parts(streams), with_loss)
    assert ours.value("loss", "dry rate") == 0.0
    assert ours.solution.objective == pytest.approx(plain.solution.objective, rel=1e-9)
    for name, row in plain.rows.items():
        assert ours.rows[name].adjusted == pytest.approx(row.adjusted, rel=1e-7), name
    balance = only_balanced(Circuit.from_parts(streams), with_loss)
    assert balance.converged


def test_streams_in_proportion_where_one_stands_still() -> None:
    """F_a F_d = F_b F_c to first order: what stands still has the parts of the other."""
    streams = [
        Stream("feed", None, "box"),
        Stream("one", "box", None),
        Stream("other", "box", None),
    ]
    grid = SizeGrid((150.0,))
    found = (Measurement("feed", "dry rate", 10.0, RATE, 0.1),
             Measurement("feed", class_share(grid.label((0, 0))), 40.0, SHARE, 1.0))  # fmt: skip
    circuit = Circuit.from_parts(streams, [Node("box", NodeKind.SPLITTER)])
    problem = balance_problem(circuit, Survey(Basis.RATE, RATE, (), found, sizes=grid))
    ((a, b, c, d),) = problem.proportion.tolist()
    flow = np.full(problem.n_carriers, 1.0)
    for part, whole, other_part, other in ((a, b, c, d), (c, d, a, b)):
        flow[[part, whole, other_part, other]] = 0.0, 0.0, 0.3, 1.5
        near = problem.linearised(flow)
        row = near.flow_balance.toarray()[-1]
        assert {j: row[j] for j in np.flatnonzero(row)} == pytest.approx({part: 1.0, whole: -0.2})
