"""Balances by size class: an independent optimiser, and what must hold whatever the data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from pulp_plant import PERCENT, RATE, SHARE, Plant
from pulp_rival import Reconciled, compare, reconciled, same_classes
from scipy.special import chdtri

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    Node,
    NodeKind,
    Stream,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import Run, SizeGrid, class_share, without_measurement
from oretally.recon import ValueClass, check, reconcile
from oretally.recon.signatures import signatures_of
from oretally.recon.solver import solve

Floats = NDArray[np.float64]
KG = parse_unit("kg")
OPENINGS = (300.0, 150.0, 75.0, 38.0, 20.0)
Parts = tuple[list[Stream], list[Node]]


def _grinding(
    *, divider: bool, flotation: bool, direct: bool, kind: NodeKind = NodeKind.SPLITTER
) -> Parts:
    """A mill and a cyclone in closed circuit; the feed goes to the mill or to the sump.

    With a divider a part of the underflow passes by the mill.
    """
    streams = [
        Stream("feed", None, "mill" if direct else "sump"),
        Stream("cyclone feed", "sump", "cyclone"),
        Stream("overflow", "cyclone", "cell" if flotation else None),
        Stream("discharge", "mill", "sump"),
    ]
    nodes = [Node("sump", NodeKind.MIXER), Node("mill", NodeKind.MILL)]
    if divider:
        streams += [Stream("underflow", "cyclone", "divider"), Stream("to mill", "divider", "mill"),
                    Stream("bypass", "divider", "sump")]  # fmt: skip
        nodes.append(Node("divider", kind))
    else:
        streams.append(Stream("underflow", "cyclone", "mill"))
    if flotation:
        streams += [Stream("conc", "cell", None), Stream("tails", "cell", None)]
    return streams, nodes


def _plant(seed: int, *, divider: bool | None = None, n_classes: int | None = None) -> Plant:
    """A random grinding circuit, all by the seed."""
    rng = np.random.default_rng(seed)
    split = seed % 2 == 0 if divider is None else divider
    streams, nodes = _grinding(divider=split, flotation=seed % 3 > 0, direct=seed % 5 == 0)
    n = 3 + seed % 4 if n_classes is None else n_classes
    return Plant(rng, streams, nodes, OPENINGS[: n - 1], ("Pb", "Zn")[: 1 + seed % 2])


def _measured(
    plant: Plant, chances: tuple[float, float, float, float], sd: float = 0.02
) -> list[Measurement]:
    """Measurements at random: chance of a rate, of a share, of a class grade, of a bulk grade."""
    found = []
    rate, share, by_class, bulk = chances
    for stream in plant.circuit.stream_names:
        for quantity in plant.quantities(stream):
            chance = {"dry rate": rate, "Pb": bulk, "Zn": bulk}.get(
                quantity, share if quantity.startswith("mass in") else by_class
            )
            if (stream, quantity) == ("feed", "dry rate") or plant.rng.random() < chance:
                found.append(plant.measure(stream, quantity, sd))
    return found


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


@pytest.mark.parametrize("seed", range(10))
def test_against_an_optimiser_in_amounts(seed: int) -> None:
    """10 circuits, half with a divider: IPOPT on class masses and metals, from two starts.

    The true plant is one start, a point 30 % around it the other; also every sd and class.
    """
    pytest.importorskip("casadi")
    plant = _plant(seed)
    compare(plant, _measured(plant, (0.5, 0.8, 0.5, 0.6)))


@pytest.mark.parametrize("seed", range(100, 104))
def test_stacks_that_lack_sieves(seed: int) -> None:
    """Some streams are sieved, and one assayed, with two or three classes taken as one."""
    pytest.importorskip("casadi")
    plant = _plant(seed, n_classes=5)
    runs: list[Run] = [(1, 2), (2, 4)]
    found = [m for m in _measured(plant, (0.5, 0.8, 0.4, 0.7))
             if not (m.stream in ("overflow", "discharge") and " in " in m.quantity)]  # fmt: skip
    coarse = [f"mass in {plant.label(run)}" for run in ((0, 0), (1, 1), (2, 4))]
    found += [plant.measure("overflow", q, 0.02, runs) for q in coarse]
    found.append(plant.measure("discharge", f"mass in {plant.label((1, 2))}", 0.02, runs))
    found.append(plant.measure("overflow", f"Pb in {plant.label((2, 4))}", 0.02, runs))
    ours = compare(plant, found, runs)
    whole = sum(ours.value("overflow", f"mass in {plant.label((c, c))}") for c in (2, 3, 4))
    assert ours.value("overflow", coarse[2]) == pytest.approx(whole, rel=1e-12)


@pytest.mark.parametrize("block", range(5))
def test_classes_of_incomplete_surveys(block: int) -> None:
    """50 circuits with half of the numbers and fewer: what null spaces of the physics say."""
    pytest.importorskip("casadi")
    chances = ((0.2, 0.5, 0.2, 0.4), (0.5, 0.2, 0.5, 0.3), (0.1, 0.8, 0.0, 0.7))
    for seed in range(200 + 10 * block, 210 + 10 * block):
        plant = _plant(seed, n_classes=3 + seed % 2)
        assert same_classes(plant, _measured(plant, chances[seed % 3])) > 20


@pytest.mark.parametrize("seed", range(300, 304))
def test_classes_in_the_grid_that_nobody_measured(seed: int) -> None:
    """A grid alone changes nothing; nor does one sieved stream, which nothing can check."""
    plant = _plant(seed)
    bulk = _measured(plant, (0.8, 0.0, 0.0, 0.9))
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
    found = _measured(plant, (1.0, 1.0, 0.0, 1.0))
    ours = reconciled(circuit, plant.survey([m for m in found if m.stream != "feed"
                                             or " in " not in m.quantity]))  # fmt: skip
    assert not [q for s, q in ours.rows if s == "feed" and " in " in q]
    assert ("ground", "mass in +300 um") in ours.rows


@pytest.mark.parametrize("seed", range(401, 408, 2))
def test_classes_merged_where_all_measure_them_as_one(seed: int) -> None:
    """Two classes that no stack separates are one class: nothing else changes, to 1e-8."""
    plant = _plant(seed, n_classes=4)
    pair, openings = (1, 2), plant.openings
    gone = [f" in {plant.label((c, c))}" for c in pair]
    found = [m for m in _measured(plant, (0.5, 0.9, 0.4, 0.7))
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
    plant = _plant(seed)
    ours = reconciled(plant.circuit, plant.survey(_measured(plant, (0.9, 0.9, 0.5, 1.0))))
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
    plant = _plant(600, n_classes=4)
    found = _measured(plant, (0.7, 0.8, 0.4, 0.7))
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


@pytest.mark.parametrize("seed", range(700, 704))
def test_outlets_of_a_splitter_differ_in_their_flow_only(seed: int) -> None:
    """And so does what a separator divides, if the case says that one outlet is like the other."""
    plant = _plant(seed, divider=True)
    found = _measured(plant, (0.6, 0.8, 0.5, 0.7))
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
    for seed in range(3):
        plant = Plant(np.random.default_rng(seed), circuit.streams, circuit.nodes, OPENINGS[:3])
        compare(plant, _measured(plant, (0.5, 0.7, 0.4, 0.6)))


def _losing(seed: int, sd: float) -> tuple[Plant, list[Measurement]]:
    """A grinding circuit that loses 3 % of the underflow, and a loss declared as 0 with a sd."""
    streams, nodes = _grinding(divider=seed % 2 == 0, flotation=False, direct=False)
    streams.append(Stream("loss", "cyclone", None, like="underflow"))
    plant = Plant(np.random.default_rng(seed), streams, nodes, OPENINGS[: 2 + seed % 3], ("Pb",))
    found = [m for m in _measured(plant, (0.9, 0.9, 0.6, 0.8)) if m.stream != "loss"]
    return plant, [*found, Measurement("loss", "dry rate", 0.0, RATE, sd)]


@pytest.mark.parametrize("seed", range(800, 806))
def test_a_declared_loss_against_an_optimiser(seed: int) -> None:
    """6 circuits, some of which lose and some not by what was measured: IPOPT, as above."""
    pytest.importorskip("casadi")
    plant, found = _losing(seed, 20.0)
    compare(plant, found)


@pytest.mark.parametrize("sd", [0.01, 1.0, 100.0])
@pytest.mark.parametrize("like", ["of", "uf", "feed"])
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
    balance = reconcile(Circuit.from_parts(streams), with_loss)
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


def _complete(seed: int) -> tuple[Plant, list[Measurement]]:
    plant = _plant(seed, divider=False, n_classes=4)
    return plant, _measured(plant, (1.0, 1.0, 1.0, 1.0))


def _first_suspect(plant: Plant, found: Sequence[Measurement], stream: str, quantity: str) -> None:
    """Put an error of 12 sd into one number and look whether the first suspect is that one."""
    spoilt = [
        replace(m, value=m.value + 12.0 * m.sd) if (m.stream, m.quantity) == (stream, quantity)
        else m for m in found
    ]  # fmt: skip
    sd = next(m.sd for m in found if (m.stream, m.quantity) == (stream, quantity))
    first = reconcile(plant.circuit, plant.survey(spoilt)).suspects[0]
    assert (stream, quantity) in [(p.where, p.quantity) for p in first.group]
    assert abs(first.estimated_error - 12.0 * sd) < 4.0 * first.sd


@pytest.mark.parametrize(
    ("stream", "quantity"), [("overflow", "mass in -150+75 um"), ("tails", "Pb in -75 um")]
)
def test_a_gross_error_is_found(stream: str, quantity: str) -> None:
    plant, found = _complete(802)
    _first_suspect(plant, found, stream, quantity)


def test_names_of_the_test_are_names_of_the_engine() -> None:
    """What the plant calls a class is what the grid calls it."""
    plant = _plant(1)
    grid = SizeGrid(tuple(plant.openings))
    assert [plant.label((c, c)) for c in range(plant.C)] == [grid.label(r) for r in grid.all_runs]
    assert Analyte("Pb", PERCENT) in plant.survey([]).analytes


# ---- shares that were made from masses

_HYDRO = Circuit.build({"feed": (None, "screen"), "coarse": ("screen", None),
                        "fine": ("screen", None)})  # fmt: skip
_HYDRO_GRID = SizeGrid((400.0, 200.0, 100.0))
_HYDRO_FLOWS = {"coarse": np.array([9.0, 24.0, 8.0, 1.0]), "fine": np.array([1.0, 6.0, 32.0, 19.0])}
_HYDRO_FLOWS["feed"] = _HYDRO_FLOWS["coarse"] + _HYDRO_FLOWS["fine"]


def _sieved(shares: dict[str, Floats], sd: dict[str, Floats], *, stacks: bool) -> Survey:
    """Return a survey of a screen, all masses known; ``sd`` as part of the whole."""
    found = []
    for name, flows in _HYDRO_FLOWS.items():
        whole = float(flows.sum())
        found.append(Measurement(name, "dry mass", whole, KG, 0.001 * whole))
        found += [
            Measurement(name, class_share(_HYDRO_GRID.label((c, c))),
                        100.0 * float(shares[name][c]), SHARE, 100.0 * float(sd[name][c]))
            for c in range(4)
        ]  # fmt: skip
    return Survey(Basis.BATCH, KG, (), tuple(found), sizes=_HYDRO_GRID,
                  stacks=frozenset(_HYDRO_FLOWS) if stacks else frozenset())  # fmt: skip


def _quadratic(survey: Survey) -> tuple[int, list[tuple[str, str]], Floats]:
    """Return degrees of freedom, and what makes the chi-square of errors in units of their sd."""
    problem = balance_problem(_HYDRO, survey)
    solution = solve(problem)
    signatures = signatures_of(problem, solution)
    places = positions(_HYDRO, survey)
    n = len(signatures.readings)
    names = [places.named[p] for p in signatures.readings]
    return solution.classes.degrees_of_freedom, names, signatures.P[:n, :n]


@pytest.mark.parametrize("kind", ["relative", "absolute"])
def test_chi_square_of_shares_made_from_masses(kind: str) -> None:
    """4,000 surveys whose masses have independent errors: mean and 95 % point of the chi-square.

    Shares add up to 1 by construction, so that as many of them as there are stacks check nothing.
    What was done before, the marginal sd of a share and a degree of freedom for each, is off; the
    sd of the mass with one degree less a stack and no free factor is right only for variances in
    proportion to the mass.
    """
    shares = {name: flows / flows.sum() for name, flows in _HYDRO_FLOWS.items()}
    sd = {n: 0.02 * p if kind == "relative" else np.full(4, 0.01) for n, p in shares.items()}
    rng = np.random.default_rng(11)
    draws = 4000
    moved = {}
    for name, p in shares.items():
        masses = p + sd[name] * rng.standard_normal((draws, 4))
        moved[name] = masses / masses.sum(axis=1, keepdims=True) - p
    flows = {name: rng.standard_normal(draws) for name in shares}
    marginal = {n: np.sqrt(sd[n] ** 2 * (1.0 - 2.0 * p) + p**2 * (sd[n] ** 2).sum())
                for n, p in shares.items()}  # fmt: skip
    found = {}
    for what, used, stacks in (
        ("free", sd, True), ("held", sd, False), ("marginal", marginal, False)
    ):  # fmt: skip
        dof, names, P = _quadratic(_sieved(shares, used, stacks=stacks))
        label = [_HYDRO_GRID.label((c, c)) for c in range(4)]
        errors = np.stack([
            flows[s] if q == "dry mass"
            else moved[s][:, label.index(q[8:])] / used[s][label.index(q[8:])]
            for s, q in names
        ])  # fmt: skip
        chi_square = ((P @ errors) * errors).sum(axis=0)
        found[what] = dof, float(chi_square.mean()), float(np.quantile(chi_square, 0.95))
    dof, mean, top = found["free"]
    # unknown: 4 classes of 2 streams and 3 factors; read: 3 dry masses and 12 shares
    assert dof == 15 - 8 - 3
    assert abs(mean - dof) < 4.0 * (2.0 * dof / draws) ** 0.5
    assert top == pytest.approx(float(chdtri(dof, 0.05)), rel=0.06)
    assert found["held"][0] == found["marginal"][0] == dof + 3
    # a degree of freedom for each share is too many: what does not fit goes unseen
    assert found["marginal"][1] < dof + 3 - 1.0
    assert found["marginal"][2] < 0.9 * float(chdtri(dof + 3, 0.05))
    assert found["held"][1] > dof + 0.15 and found["held"][1] < dof + 3 - 1.0


def test_chi_square_of_one_survey_is_the_quadratic() -> None:
    """The form that was simulated is what a balance reports, and `check` counts alike."""
    shares = {name: flows / flows.sum() for name, flows in _HYDRO_FLOWS.items()}
    sd = {name: 0.02 * p for name, p in shares.items()}
    _, names, P = _quadratic(_sieved(shares, sd, stacks=True))
    rng = np.random.default_rng(5)
    read = {}
    for name, p in shares.items():
        masses = p * (1.0 + 0.02 * rng.standard_normal(4))
        read[name] = masses / masses.sum()
    label = [_HYDRO_GRID.label((c, c)) for c in range(4)]
    errors = np.array([
        0.0 if q == "dry mass"
        else (read[s] - shares[s])[label.index(q[8:])] / sd[s][label.index(q[8:])]
        for s, q in names
    ])  # fmt: skip
    survey = _sieved(read, sd, stacks=True)
    balance = reconcile(_HYDRO, survey)
    assert balance.objective == pytest.approx(float(errors @ P @ errors), rel=0.1)
    assert balance.global_test.dof == check(_HYDRO, survey).degrees_of_freedom == 4
    assert balance.gross_errors.variance_factors[0].checks == pytest.approx(4.0)
    for s in balance.sizes.streams:
        assert sum(r.share[0] for r in s.classes) == pytest.approx(100.0)


def test_a_stack_that_nothing_checks_by_hand() -> None:
    """Shares m/M of masses alone: the law of propagation with (1 - p)/M and -p/M.

    Of 60, 30 and 10 g, each ± 1 g, the first share is known to hypot(0.4, 0.6 sqrt(2)) %, and
    nothing can be checked: the stack has three readings, three unknowns.
    """
    circuit = Circuit.build({"in": (None, "n"), "a": ("n", None), "b": ("n", None)})
    grid = SizeGrid((200.0, 100.0))
    found = [Measurement(s, "dry mass", v, KG, 0.1) for s, v in (("in", 10.0), ("a", 4.0))]
    found += [Measurement("a", class_share(grid.label((c, c))), v, SHARE, 1.0)
              for c, v in enumerate((60.0, 30.0, 10.0))]  # fmt: skip
    survey = Survey(Basis.BATCH, KG, (), tuple(found), sizes=grid, stacks=frozenset({"a"}))
    balance = reconcile(circuit, survey)
    assert balance.global_test.dof == 0
    (a,) = balance.sizes.streams
    by_hand = [math.hypot(1.0 - p, p * 2.0**0.5) for p in (0.6, 0.3, 0.1)]
    assert [r.share[1] for r in a.classes] == pytest.approx(by_hand)
    rows = [v for v in balance.values if v.measured is not None and v.quantity.startswith("mass")]
    assert [v.value_class for v in rows] == [ValueClass.NONREDUNDANT] * 3
    assert [v.adjusted for v in rows] == pytest.approx([60.0, 30.0, 10.0])
    assert [v.adjusted_sd for v in rows] == pytest.approx(by_hand)
    # without one of the masses their sum is not known, nor any share of it
    fewer = reconcile(circuit, without_measurement(survey, "a", "mass in +200 um"))
    assert fewer.sizes.streams == () and fewer.converged


def test_a_factor_of_the_sample_does_not_matter() -> None:
    """A stack read 3 % too high, all of it alike, says the same as before."""
    shares = {name: flows / flows.sum() for name, flows in _HYDRO_FLOWS.items()}
    shares["feed"] = shares["feed"] + np.array([0.004, -0.003, 0.002, -0.003])
    sd = {name: 0.02 * p for name, p in shares.items()}
    one = reconcile(_HYDRO, _sieved(shares, sd, stacks=True))
    shares["fine"], sd["fine"] = 1.03 * shares["fine"], 1.03 * sd["fine"]
    other = reconcile(_HYDRO, _sieved(shares, sd, stacks=True))
    assert one.objective > 1.0 and other.objective == pytest.approx(one.objective, rel=1e-8)
    for a, b in zip(one.values, other.values, strict=True):
        assert a.adjusted == pytest.approx(b.adjusted, rel=1e-8)
        assert a.adjusted_sd == pytest.approx(b.adjusted_sd, rel=1e-6)
        assert a.standardised == pytest.approx(b.standardised, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("seed", range(950, 956))
def test_from_where_another_survey_was_the_same_balance_is_found(seed: int) -> None:
    """One reading left out: from the flows with it, from scratch, and from flows of no use."""
    plant, found = _complete(seed)
    survey = plant.survey(found)
    problem = balance_problem(plant.circuit, survey)
    whole = solve(problem)
    less = without_measurement(
        survey, found[seed % len(found)].stream, found[seed % len(found)].quantity
    )
    changed = balance_problem(plant.circuit, less)
    plain = solve(changed)
    for near in (whole.flow, np.ones(3), np.zeros(changed.n_carriers)):
        again = solve(changed, near=near)
        assert again.converged
        assert again.objective == pytest.approx(plain.objective, rel=1e-8)
        assert again.flow == pytest.approx(plain.flow, rel=1e-6)
