"""Variants of one survey side by side, and what may have been mixed up in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from oretally.flowsheet import (
    Analyte,
    BalanceProblem,
    Basis,
    Circuit,
    Measurement,
    Position,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.recon.gross_errors.changes import Changes
from oretally.recon.gross_errors.hypotheses import Hypothesis
from oretally.recon.signatures import Mixups, PossibleSlips, signatures_of
from oretally.recon.solver import ChangedSurvey, corrected, prepare, solve
from oretally.recon.solver.changed_surveys import solve_changed

RATE = 0.03


def _variants(problem: BalanceProblem) -> Iterator[ChangedSurvey]:
    """Yield the survey with values, stated errors and measured places of its own."""
    K, n = problem.grade.shape
    missing = np.nan, np.nan
    for j in range(n):
        yield ChangedSurvey(problem, {Position(None, j): missing})
        yield ChangedSurvey(problem, {Position(0, j): missing})
        other = 1.3 * float(problem.grade[K - 1, j]), 0.02
        yield ChangedSurvey(problem, {Position(K - 1, j): other})
    flows = {Position(None, j): (float(problem.flow[j]), 3.0 * float(problem.flow_sd[j]))
             for j in range(n)}  # fmt: skip
    grades = {Position(k, j): (float(problem.grade[k, j]), 0.5 * float(problem.grade_sd[k, j]))
              for k in range(K) for j in range(n)}  # fmt: skip
    yield ChangedSurvey(problem, {**flows, **grades})


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_as_by_itself(random_circuit: Callable[..., Any], seed: int) -> None:
    """Objective and flows are those of the solver, whatever is missing in which variant."""
    problem = random_circuit(seed, 4, 2).problem(0.02)
    variants = list(_variants(problem))
    found = solve_changed(prepare(problem), variants)
    checked = 0
    for at, variant in enumerate(variants):
        one = solve(variant.problem)
        if not (found.converged[at] and one.converged):
            continue
        assert found.objective[at] == pytest.approx(one.objective, rel=1e-7, abs=1e-9)
        seen = one.classes.flow_determined
        assert found.flow[at][seen] == pytest.approx(one.flow[seen], rel=1e-5)
        checked += 1
    assert checked > len(variants) // 2


def _table() -> tuple[Circuit, Survey]:
    """Return a table of four products, masses and two assays; invented."""
    circuit = Circuit.build({
        "ore": (None, "table"), "conc": ("table", None), "middlings": ("table", None),
        "sands": ("table", None), "slimes": ("table", None),
    })  # fmt: skip
    kg, percent, gram = parse_unit("kg"), parse_unit("%"), parse_unit("g/t")
    mass = {"ore": 25.1, "conc": 1.2, "middlings": 4.1, "sands": 13.2, "slimes": 6.5}
    tin = {"ore": 1.31, "conc": 17.2, "middlings": 1.62, "sands": 0.31, "slimes": 0.38}
    gold = {"ore": 2.1, "conc": 20.5, "middlings": 2.9, "sands": 0.83, "slimes": 0.85}
    rows = [
        *(Measurement(s, "dry mass", v, kg, 0.01 * v) for s, v in mass.items()),
        *(Measurement(s, "Sn", v, percent, 0.04 * v) for s, v in tin.items()),
        *(Measurement(s, "Au", v, gram, 0.06 * v) for s, v in gold.items()),
    ]
    return circuit, Survey(
        Basis.BATCH, kg, (Analyte("Sn", percent), Analyte("Au", gram)), tuple(rows)
    )


def _mixups() -> tuple[BalanceProblem, PossibleSlips, Mixups, Any]:
    circuit, survey = _table()
    problem = balance_problem(circuit, survey)
    signatures = signatures_of(problem, solve(problem), 1)
    slips = PossibleSlips(survey, positions(circuit, survey), lambda _: RATE, RATE)
    n = len(signatures.readings)
    return problem, slips, Mixups(slips, signatures.readings, signatures.unit[:n]), signatures


def test_what_may_have_been_mixed_up() -> None:
    """Readings of one column and one row, samples, streams, lines; each once, odds below 1."""
    _, slips, mixups, _ = _mixups()
    every = [mixups[c] for c in range(len(mixups))]
    kinds = {m.kind for m in every}
    assert kinds == {"swapped", "samples", "streams", "lines", "decimal point", "unit"}
    # of five streams and three columns: 10 pairs each, and Sn with Au in each row
    assert sum(m.kind == "swapped" for m in every) == 3 * 10 + 5
    assert sum(m.kind == "samples" for m in every) == sum(m.kind == "streams" for m in every) == 10
    assert all(m.log_odds < 0.0 for m in every)
    swaps = sum(np.exp(m.log_odds) for m in every if m.kind == "swapped")
    assert swaps < 2.0 * RATE * 15
    names = [frozenset(m.values) for m in every if m.kind == "swapped"]
    assert len(names) == len(set(names))
    assert slips.overall == RATE


def test_neighbours_are_exchanged_more_often() -> None:
    _, slips, mixups, signatures = _mixups()
    at = slips.places.readings
    odds = {frozenset(mixups[c].values): mixups[c].log_odds for c in range(len(mixups))}
    near = odds[frozenset((at["conc", "Sn"], at["middlings", "Sn"]))]
    far = odds[frozenset((at["ore", "Sn"], at["slimes", "Sn"]))]
    assert near > far
    assert len(signatures.readings) == 15


def test_numbers_of_one_stream_move_whatever_their_units() -> None:
    """1.31 % Sn and 2.1 g/t Au of the ore: 2.1 % and 1.31 g/t."""
    _, slips, *_ = _mixups()
    tin, gold = (slips.places.readings["ore", q] for q in ("Sn", "Au"))
    assert slips.in_place_of(tin, gold)[0] == pytest.approx(0.021)
    assert slips.in_place_of(gold, tin)[0] == pytest.approx(1.31e-6)
    masses = [slips.places.readings[s, "dry mass"] for s in ("ore", "conc")]
    assert slips.in_place_of(*masses) == slips.as_read(masses[1])


def test_a_number_goes_on_with_the_sample_that_it_came_to() -> None:
    """By hand: two assays exchanged, then the labels of one of the two samples and a third."""
    _, slips, mixups, _ = _mixups()
    at = slips.places.readings

    def number(kind: str, *names: tuple[str, str]) -> int:
        places = {at[name] for name in names}
        return next(c for c in range(len(mixups))
                    if mixups[c].kind == kind and places <= set(mixups[c].values))  # fmt: skip

    pair = number("swapped", ("ore", "Sn"), ("conc", "Sn"))
    labels = number("samples", ("conc", "Sn"), ("slimes", "Sn"))
    row = {p: i for i, p in enumerate(mixups.readings)}
    moved = mixups.undone((pair, labels))
    belongs = {s: moved[row[at[s, "Sn"]]].place for s in ("ore", "conc", "slimes")}
    assert belongs == {"ore": at["slimes", "Sn"], "conc": at["ore", "Sn"],
                       "slimes": at["conc", "Sn"]}  # fmt: skip
    values = mixups.values((pair, labels))
    assert values[at["slimes", "Sn"]] == slips.as_read(at["ore", "Sn"])
    assert values[at["slimes", "Au"]] == slips.as_read(at["conc", "Au"])
    assert mixups.beside(labels, (pair,)) and not mixups.beside(labels, (pair,), linear=True)
    assert mixups.beside(pair, (labels,), linear=True)
    assert not mixups.untold((pair, labels))
    across = number("swapped", ("ore", "Sn"), ("ore", "Au"))
    assert mixups.untold((across,)) == {row[at["ore", q]] for q in ("Sn", "Au")}


@pytest.mark.parametrize("kind", ["samples", "streams", "swapped"])
def test_numbers_keep_their_signatures_wherever_they_were_written(kind: str) -> None:
    """Undoing an exchange leaves each number what it leaves in the survey without the exchange."""
    circuit, survey = _table()
    problem = balance_problem(circuit, survey)
    solution = solve(problem)
    own = signatures_of(problem, solution, 1)
    first, second = "conc", "slimes"
    other = {first: second, second: first}
    moves = {"samples": ("Sn", "Au"), "streams": ("dry mass", "Sn", "Au"), "swapped": ("Au",)}[kind]
    mixed = replace(survey, measurements=tuple(
        replace(m, stream=other.get(m.stream, m.stream)) if m.quantity in moves else m
        for m in survey.measurements
    ))  # fmt: skip
    wrong = balance_problem(circuit, mixed)
    slips = PossibleSlips(mixed, positions(circuit, mixed), lambda _: RATE, RATE)
    distorted = solve(wrong)
    n = len(own.readings)
    mixups = Mixups(slips, own.readings, signatures_of(wrong, distorted, 1).unit[:n])
    at = slips.places.readings
    places = {at[s, q] for s in other for q in moves}
    c = next(c for c in range(len(mixups))
             if mixups[c].kind == kind and set(mixups[c].values) == places)  # fmt: skip
    found = Changes(wrong, distorted, mixups, own.nodes).signatures(
        Hypothesis((), (c,)), solution, 1
    )
    row = {p: i for i, p in enumerate(own.readings)}
    back = np.arange(len(own.unit))
    for s in other:
        for q in moves:
            back[row[at[s, q]]] = row[at[other[s], q]]
    assert found.readings == own.readings and found.nodes == own.nodes
    assert found.r == pytest.approx(own.r[back], rel=1e-6, abs=1e-9)
    assert found.P == pytest.approx(own.P[np.ix_(back, back)], rel=1e-6, abs=1e-9)
    assert found.unit == pytest.approx(own.unit[back])


def test_the_linear_gain_of_an_exchange() -> None:
    """What undoing a small exchange takes off the objective, as balancing again has it."""
    problem, _, mixups, signatures = _mixups()
    before = solve(problem).objective
    gains = dict(mixups.gains(signatures.products, signatures.r))
    checked = 0
    for c, gain in gains.items():
        m = mixups[c]
        moved = [
            abs(v - problem.grade[p]) / sd for p, (v, sd) in m.values.items() if p[0] is not None
        ]
        if m.kind != "swapped" or len(moved) < 2 or max(moved) > 4.0:
            continue
        # with the stated errors left where they are: the gain knows of no others
        same = {p: (v, float(problem.grade_sd[p])) for p, (v, _) in m.values.items()}
        after = solve(corrected(problem, same)).objective
        assert gain - m.log_odds == pytest.approx(0.5 * (before - after), abs=0.15)
        checked += 1
    assert checked
