"""Gross errors among sizes, and chi-square of shares made from masses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from balance_cases import only_balanced
from numpy.typing import NDArray
from pulp_plant import PERCENT, SHARE, Plant
from scipy.special import chdtri
from size_balances import measured_sizes, random_plant

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import SizeGrid, class_share, without_measurement
from oretally.recon import ValueClass, check, reconcile
from oretally.recon.signatures import signatures_of
from oretally.recon.solver import solve

Floats = NDArray[np.float64]


KG = parse_unit("kg")


def _complete(seed: int) -> tuple[Plant, list[Measurement]]:
    plant = random_plant(seed, divider=False, n_classes=4)
    return plant, measured_sizes(plant, (1.0, 1.0, 1.0, 1.0))


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
    plant = random_plant(1)
    grid = SizeGrid(tuple(plant.openings))
    assert [plant.label((c, c)) for c in range(plant.C)] == [grid.label(r) for r in grid.all_runs]
    assert Analyte("Pb", PERCENT) in plant.survey([]).analytes


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
    balance = only_balanced(circuit, survey)
    assert balance.global_test.dof == 0
    (a,) = balance.sizes.streams
    by_hand = [math.hypot(1.0 - p, p * 2.0**0.5) for p in (0.6, 0.3, 0.1)]
    assert [r.share[1] for r in a.classes] == pytest.approx(by_hand)
    rows = [v for v in balance.values if v.measured is not None and v.quantity.startswith("mass")]
    assert [v.value_class for v in rows] == [ValueClass.NONREDUNDANT] * 3
    assert [v.adjusted for v in rows] == pytest.approx([60.0, 30.0, 10.0])
    assert [v.adjusted_sd for v in rows] == pytest.approx(by_hand)
    # without one of the masses their sum is not known, nor any share of it
    fewer = only_balanced(circuit, without_measurement(survey, "a", "mass in +200 um"))
    assert fewer.sizes.streams == () and fewer.converged


def test_a_factor_of_the_sample_does_not_matter() -> None:
    """A stack read 3 % too high, all of it alike, says the same as before."""
    shares = {name: flows / flows.sum() for name, flows in _HYDRO_FLOWS.items()}
    shares["feed"] = shares["feed"] + np.array([0.004, -0.003, 0.002, -0.003])
    sd = {name: 0.02 * p for name, p in shares.items()}
    one = only_balanced(_HYDRO, _sieved(shares, sd, stacks=True))
    shares["fine"], sd["fine"] = 1.03 * shares["fine"], 1.03 * sd["fine"]
    other = only_balanced(_HYDRO, _sieved(shares, sd, stacks=True))
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
