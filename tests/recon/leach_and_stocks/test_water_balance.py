"""Balances of water and solution: an independent optimiser, a textbook exercise, leaching."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced
from often import often, some
from pulp_plant import RATE, SHARE, Plant
from pulp_rival import compare, reconciled, same_classes
from water_plants import leach_plant, measured, mill_and_thickener, water_plant

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
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import solution_unit
from oretally.recon import reconcile
from oretally.recon.solver import solve

W, DRY = Content.SOLUTION, Content.DRY


@pytest.mark.parametrize("seed", range(10))
def test_water_against_an_optimiser_in_amounts(seed: int) -> None:
    """10 circuits: IPOPT on solids, water and dissolved metal, from two starts; also every sd."""
    pytest.importorskip("casadi")
    plant = water_plant(seed)
    compare(plant, measured(plant))


@pytest.mark.parametrize("seed", range(22, 27))
def test_leaching_against_an_optimiser_in_amounts(seed: int) -> None:
    """5 circuits in which gold passes from the solids to the solution, some with a recycle."""
    pytest.importorskip("casadi")
    plant = leach_plant(seed, recycle=seed % 3 == 0)
    compare(plant, measured(plant))


@pytest.mark.parametrize("seed", range(50, 56))
def test_a_declared_loss_of_pulp_against_an_optimiser(seed: int) -> None:
    """6 circuits that lose 3 % of the mill's discharge, water and all; some with sizes."""
    pytest.importorskip("casadi")
    streams, nodes = mill_and_thickener(dry_feed=seed % 3 == 0, divider=False)
    streams.append(Stream("loss", "mill", None, like="discharge"))
    plant = Plant(
        np.random.default_rng(seed), streams, nodes, (150.0, 38.0) if seed % 2 else (), ("Au",),
        water=True, dissolved=("Au",) if seed % 4 < 2 else (),
    )  # fmt: skip
    found = [m for m in measured(plant) if m.stream != "loss"]
    compare(plant, [*found, Measurement("loss", "dry rate", 0.0, RATE, 20.0)])


def test_classes_of_incomplete_surveys_with_water() -> None:
    """Circuits with a third of the numbers: what null spaces of the physics say."""
    pytest.importorskip("casadi")
    for seed in some(range(40, 60), 5):
        plant = water_plant(seed) if seed % 2 else leach_plant(seed, recycle=seed % 3 == 0)
        assert same_classes(plant, measured(plant, 0.5)) > 15


def test_percent_solids_of_a_published_exercise(
    reference: Callable[[str], dict[str, Any]],
) -> None:
    """A timed litre of pulp: dry rate and % solids give the water, exactly.

    Open engineering course on mineral processing, lecture 3, exercises I and II; see
    tests/reference/slurry_percent_solids.json. Pulp of 1400 kg/m3 at 8 s a litre is 630 kg/h wet.
    """
    case = reference("slurry_percent_solids")
    solids = case["recomputed"]["ex2"]["solids_mass_pct"]
    rate = case["recomputed"]["ex2"]["solids_kg_per_h"][0]
    kg = parse_unit("kg/h")
    circuit = Circuit.build({"pulp": (None, "sump"), "out": ("sump", None)}, {"sump": "mixer"})
    found = (Measurement("pulp", "dry rate", rate, kg, 1.0),
             Measurement("out", "% solids", solids, SHARE, 0.5))  # fmt: skip
    ours = reconciled(circuit, Survey(Basis.RATE, kg, (), found, water=True))
    wet = 3600.0 / 8.0 * 1.4  # kg/h: 450 L/h of 1.4 kg/L
    for stream in ("pulp", "out"):
        assert ours.value(stream, "wet rate") == pytest.approx(wet, rel=1e-8)
        assert ours.value(stream, "water") == pytest.approx(wet - rate, rel=1e-8)
        assert ours.value(stream, "% solids") == pytest.approx(45.88, abs=0.01)
    # dW = dF (1/s - 1) - F ds/s2
    s = solids / 100.0
    sd = ((1.0 / s - 1.0) ** 2 + (rate * 0.005 / s**2) ** 2) ** 0.5
    assert ours.rows["out", "water"].adjusted_sd == pytest.approx(sd, rel=1e-9)
    # the first exercise: a pulp of 1667 kg/m3 is 65 % solids, its water what is left of 1 m3
    share = case["inputs"]["ex1"]["solids_mass_pct"]
    density, volume = case["recomputed"]["ex1"].values()
    found = (Measurement("pulp", "wet rate", density, kg, 1.0),
             Measurement("out", "% solids", share, SHARE, 0.5))  # fmt: skip
    survey = Survey(Basis.RATE, kg, (), found, water=True)
    ours = reconciled(circuit, survey)
    assert ours.value("out", "water") == pytest.approx(1000.0 * (1.0 - volume / 100.0), rel=1e-6)
    assert only_balanced(circuit, survey).value("out", "dry rate").adjusted == pytest.approx(
        case["inputs"]["ex1"]["solids_density"] * volume / 100.0, rel=1e-6
    )


@pytest.mark.parametrize("seed", some((1, 3, 4, 5), 2))
def test_what_a_thickener_and_a_splitter_hold_equal(seed: int) -> None:
    """One solution grade behind a thickener; one pulp behind a splitter."""
    streams, nodes = mill_and_thickener(dry_feed=False, divider=True)
    plant = Plant(np.random.default_rng(seed), streams, nodes, (150.0, 38.0), ("Au",),
                  water=True, dissolved=("Au",))  # fmt: skip
    ours = reconciled(plant.circuit, plant.survey(measured(plant)))
    solution = [ours.rows[s, "Au in solution"] for s in ("clear", "thick")]
    assert solution[0].adjusted == pytest.approx(solution[1].adjusted, rel=1e-12)
    assert solution[0].adjusted_sd == pytest.approx(solution[1].adjusted_sd, rel=1e-9)
    for quantity in plant.quantities("half"):
        one, other = ours.rows["half", quantity], ours.rows["other half", quantity]
        if quantity not in ("dry rate", "water", "wet rate") and one.adjusted is not None:
            assert other.adjusted == pytest.approx(one.adjusted, rel=1e-9), quantity
    ratios = [ours.value("half", q) / ours.value("other half", q)
              for q in ("dry rate", "water", "wet rate")]  # fmt: skip
    assert ratios == pytest.approx([ratios[0]] * 3, rel=1e-9)


def test_recoveries_of_a_leach_by_hand() -> None:
    """Recovery = what a stream has in solids and solution together, over that of the ore."""
    plant = leach_plant(31, recycle=False)
    survey = plant.survey(measured(plant, 1.2))
    balance = only_balanced(plant.circuit, survey, feed="ore")

    def metal(stream: str, analyte: str) -> float:
        total = 0.0
        for flow, grade, unit in (("dry rate", analyte, 1e-2), ("water", "Au in solution", 1e-6)):
            try:
                F, x = balance.value(stream, flow).adjusted, balance.value(stream, grade).adjusted
            except KeyError:
                continue
            assert F is not None
            assert x is not None
            total += F * x * unit * (analyte == "Au" or flow == "dry rate")
        return total

    for analyte in plant.analytes:
        for stream in plant.circuit.stream_names[1:]:
            by_hand = 100.0 * metal(stream, analyte) / metal("ore", analyte)
            if analyte == "Cu" and plant.content[stream] is W:
                with pytest.raises(KeyError):  # what does not dissolve is not in the solution
                    balance.recovery(stream, analyte)
            else:
                told = balance.recovery(stream, analyte).recovery
                assert told == pytest.approx(by_hand, rel=1e-9), (stream, analyte)
    out = sum(metal(s, "Au") for s in plant.circuit.products)
    entered = sum(metal(s, "Au") for s in plant.circuit.feeds)
    assert out == pytest.approx(entered, rel=1e-10)


def test_sd_of_a_recovery_by_simulation() -> None:
    """300 surveys of one leach, seed fixed: the spread of the recoveries is the stated sd.

    The sd of n draws has itself an sd of 1/sqrt(2n); four times that is allowed.
    """
    plant = leach_plant(32, recycle=False)
    exact = [plant.measure(s, q, 0.01, noise=0.0) for s in plant.circuit.stream_names
             for q in plant.quantities(s) if q != "wet rate"]  # fmt: skip
    survey = plant.survey(exact)
    told = only_balanced(plant.circuit, survey, feed="ore").recovery("pregnant", "Au")
    assert told.sd is not None
    problem = balance_problem(plant.circuit, survey)
    places = positions(plant.circuit, survey)
    at = {(r.stream, r.quantity): r.place.carrier for r in places.rows}
    rng, n, found = np.random.default_rng(5), often(300, 0.1), []
    for _ in range(n):
        drawn = replace(
            problem,
            flow=problem.flow + problem.flow_sd * rng.standard_normal(problem.flow.shape),
            grade=problem.grade + problem.grade_sd * rng.standard_normal(problem.grade.shape),
        )
        solution = solve(drawn)
        assert solution.converged
        metal = solution.flow * solution.grade[0]
        found.append(100.0 * metal[at["pregnant", "water"]] / metal[at["ore", "dry rate"]])
    assert np.std(found, ddof=1) == pytest.approx(told.sd, rel=4.0 / (2 * n) ** 0.5)
    assert np.mean(found) == pytest.approx(told.recovery, abs=4.0 * told.sd / n**0.5)


@pytest.mark.parametrize(
    ("stream", "quantity"), [("overflow", "% solids"), ("clear", "Au in solution")]
)
def test_a_gross_error_is_found(stream: str, quantity: str) -> None:
    """12 sd on top of one number of a complete survey: the first suspect is that one."""
    streams, nodes = mill_and_thickener(dry_feed=False, divider=False)
    plant = Plant(np.random.default_rng(8), streams, nodes, (), ("Au",), water=True,
                  dissolved=("Au",))  # fmt: skip
    found = [plant.measure(s, q, 0.02) for s in plant.circuit.stream_names
             for q in plant.quantities(s)]  # fmt: skip
    assert (stream, quantity) in _first_suspect(plant, found, stream, quantity)


def _first_suspect(
    plant: Plant, found: Sequence[Measurement], stream: str, quantity: str
) -> list[tuple[str, str]]:
    at = next(i for i, m in enumerate(found) if (m.stream, m.quantity) == (stream, quantity))
    spoilt = list(found)
    spoilt[at] = replace(found[at], value=found[at].value + 12.0 * found[at].sd)
    first = reconcile(
        plant.circuit, plant.survey(spoilt), feed="feed", second_opinions=False
    ).suspects[0]
    assert abs(first.estimated_error - 12.0 * found[at].sd) < 4.0 * first.sd
    return [(p.where, p.quantity) for p in first.group]


def test_a_litre_weighs_a_kilogram() -> None:
    """1 mg/L counts as 1e-6 by mass: 100 t/h of ore at 2 g/t gives 200 t/h of solution 1 mg/L."""
    circuit = Circuit.from_parts(
        [Stream("ore", None, "tank", content=DRY), Stream("lixiviant", None, "tank", content=W),
         Stream("pulp", "tank", None)], [Node("tank", NodeKind.LEACH)],
    )  # fmt: skip
    t, g, mg = parse_unit("t/h"), parse_unit("g/t"), solution_unit("mg/L")
    found = (
        Measurement("ore", "dry rate", 100.0, t, 1.0), Measurement("ore", "Au", 2.5, g, 0.1),
        Measurement("lixiviant", "water", 200.0, t, 2.0),
        Measurement("lixiviant", "Au in solution", 0.0, mg, 1e-6),
        Measurement("pulp", "Au", 0.5, g, 0.02),
    )  # fmt: skip
    survey = Survey(Basis.RATE, t, (Analyte("Au", g),), found, water=True,
                    dissolved=frozenset({"Au"}))  # fmt: skip
    ours = reconciled(circuit, survey)
    assert ours.value("pulp", "Au in solution") == pytest.approx(1.0, rel=1e-6)
    assert ours.value("pulp", "% solids") == pytest.approx(100.0 / 3.0)
