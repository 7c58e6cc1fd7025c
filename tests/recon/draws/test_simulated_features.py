"""Simulation of what circuits have: shared sources, bounds, stacks, streams that stand still."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from balance_cases import only_balanced
from often import often
from published import within_binomial
from scipy.stats import chi2
from simulated_cases import (
    FLOWS,
    GRADES,
    KG,
    PERCENT,
    TABLE,
    Floats,
    answer_column,
    answer_row,
    assert_near,
    simulated_survey,
)

from oretally.flowsheet import (
    BalanceModel,
    BalanceProblem,
    Basis,
    Circuit,
    Measurement,
    SharedSource,
    Survey,
    balance_problem,
)
from oretally.flowsheet.survey import DETECTION_LIMIT, SizeGrid
from oretally.io.case import read_case
from oretally.recon import simulate, simulation
from oretally.recon.draws import (
    DrawnSurveys,
    balanced_draws,
    rectangular_readings,
)
from oretally.recon.simulation import (
    TooManyDraws,
    simulate_balance,
    simulate_problem,
)
from oretally.recon.solution import ManySolutions
from oretally.recon.solver import solve

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


def test_chi_square_of_the_draws() -> None:
    """Draws about the adjusted values misfit as the stated errors make surveys misfit."""
    problem = balance_problem(TABLE, simulated_survey(FLOWS, GRADES))
    solution = solve(problem)
    found = simulate_problem(problem, np.random.default_rng(2), 3000, solution=solution)
    dof = solution.classes.degrees_of_freedom
    assert dof == 2
    assert found.objective.mean() == pytest.approx(dof, abs=5.0 * (2.0 * dof / 3000) ** 0.5)
    assert within_binomial(int((found.objective > chi2.isf(0.05, dof)).sum()), 3000, 0.05)


def test_shared_source_is_drawn_once_for_all() -> None:
    """A scale out of true: it cancels in the yield, and moves the masses together."""
    scale = SharedSource("scale", "dry mass", {"feed": 1.0, "conc": 0.16})  # 4 % of each
    own_feed, own_conc = 0.05, 0.02
    survey = simulated_survey(
        {"feed": (25.0, (own_feed**2 + 1.0) ** 0.5), "conc": (4.0, (own_conc**2 + 0.16**2) ** 0.5)},
        {"Sn": {"feed": (0.8, 0.02), "tails": (0.3, 0.01)}}, (scale,),
    )  # fmt: skip
    n = 4000
    found = simulate(TABLE, survey, np.random.default_rng(8), draws=n)
    assert found.failed == 0
    feed, conc = (answer_column(found, f"dry mass of '{s}'") for s in ("feed", "conc"))
    wide = 5.0 / (2 * n) ** 0.5
    assert feed.std() == pytest.approx((own_feed**2 + 1.0) ** 0.5, rel=wide)
    assert conc.std() == pytest.approx((own_conc**2 + 0.16**2) ** 0.5, rel=wide)
    shared = 0.16 / ((own_feed**2 + 1.0) * (own_conc**2 + 0.16**2)) ** 0.5
    assert np.corrcoef(feed, conc)[0, 1] == pytest.approx(shared, abs=0.002)
    # (c + 0.16 u) / (f + u) = c / f where the loadings are in the proportion of the masses
    pull = 16.0 * ((own_conc / 4.0) ** 2 + (own_feed / 25.0) ** 2) ** 0.5
    assert answer_column(found, "yield of 'conc'").std() == pytest.approx(pull, rel=wide)
    # had each weighing its own 4 %, the yield would have ten times the error
    row = answer_row(found, "yield of 'conc'")
    assert row.answer.sd == pytest.approx(pull, rel=1e-3) and row.valid is not False


def test_shared_source_of_assays() -> None:
    """One batch for feed and tailings, 3 % of each: it cancels in the recovery by assays."""
    batch = SharedSource("batch", "Sn", {"feed": 0.03 * 0.008, "tails": 0.03 * 0.003})
    own = 0.01
    grades = {"Sn": {s: (x, (own**2 + 0.03**2) ** 0.5 * x)
                     for s, x in (("feed", 0.8), ("tails", 0.3))}}  # fmt: skip
    survey = simulated_survey({"feed": (25.0, 0.01), "tails": (21.0, 0.01)}, grades, (batch,))
    n = 3000
    found = simulate(TABLE, survey, np.random.default_rng(9), draws=n)
    kept = 100.0 * 21.0 * 0.3 / (25.0 * 0.8)  # recovery to the tailings
    sd = kept * (2.0 * own**2 + (0.01 / 25.0) ** 2 + (0.01 / 21.0) ** 2) ** 0.5
    y = answer_column(found, "recovery of Sn to 'tails'")
    assert y.std() == pytest.approx(sd, rel=5.0 / (2 * n) ** 0.5)
    feed, tails = (answer_column(found, f"Sn of '{s}'") for s in ("feed", "tails"))
    assert np.corrcoef(feed, tails)[0, 1] == pytest.approx(0.9, abs=0.02)


def test_below_detection_is_rectangular() -> None:
    """JCGM 101, 6.4.2: no draw beyond the limit, 95 % limits at 2.5 and 97.5 % of its width."""
    limit = 0.02
    below = Measurement("tails", "Sn", limit / 2, PERCENT, limit / 12.0**0.5, DETECTION_LIMIT)
    survey = simulated_survey({"feed": (25.0, 0.01), "tails": (24.0, 0.01)},
                     {"Sn": {"feed": (0.80, 0.002)}})  # fmt: skip
    survey = replace(survey, measurements=(*survey.measurements, below))
    assert len(rectangular_readings(BalanceModel(TABLE, survey))) == 1
    found = simulate(TABLE, survey, np.random.default_rng(4), draws=4000)
    y = answer_column(found, "Sn of 'tails'")
    assert y.min() >= -1e-12 and y.max() <= limit * (1.0 + 1e-9)
    assert y.std() == pytest.approx(limit / 12.0**0.5, rel=0.03)
    row = answer_row(found, "Sn of 'tails'")
    assert_near(row.symmetric, (0.025 * limit, 0.975 * limit), y)
    assert row.valid is False  # first order goes below 0
    lost = answer_row(found, "recovery of Sn to 'tails'")
    full = 100.0 * 24.0 * limit / (25.0 * 0.80)
    assert_near(lost.symmetric, (0.025 * full, 0.975 * full),
          answer_column(found, "recovery of Sn to 'tails'"), 8.0)  # fmt: skip


def test_masses_of_a_stack_are_independent() -> None:
    """Shares m_i / M of one stack that nothing checks: the covariance of a ratio of such masses."""
    mass, sd = np.array([310.0, 240.0, 180.0, 270.0]), np.array([2.0, 6.0, 1.0, 9.0])
    M = mass.sum()
    grid = SizeGrid((300.0, 150.0, 75.0))
    shares = [
        Measurement("feed", f"mass in {grid.label((i, i))}", 100.0 * m / M, PERCENT, 100.0 * s / M)
        for i, (m, s) in enumerate(zip(mass, sd, strict=True))
    ]
    circuit = Circuit.build({"feed": (None, "mill"), "product": ("mill", None)}, {"mill": "mill"})
    survey = Survey(
        Basis.BATCH, KG, (), (Measurement("feed", "dry mass", 50.0, KG, 0.2), *shares),
        sizes=grid, stacks=frozenset({"feed"}),
    )  # fmt: skip
    n = often(300)
    found = simulate(circuit, survey, np.random.default_rng(10), draws=n)
    assert found.failed == 0
    y = np.array([answer_column(found, f"{m.quantity} of 'feed'") for m in shares]) / 100.0
    p = mass / M
    J = (np.eye(4) - p[:, None]) / M  # of m_i / M with respect to the masses
    V = J @ np.diag(sd**2) @ J.T
    assert y.sum(axis=0) == pytest.approx(np.ones(n), abs=1e-9)
    assert y.std(axis=1) == pytest.approx(np.sqrt(np.diag(V)), rel=5.0 / (2 * n) ** 0.5)
    correlation = V / np.sqrt(np.outer(np.diag(V), np.diag(V)))
    assert np.corrcoef(y) == pytest.approx(correlation, abs=5.0 / n**0.5)


SPLIT = """\
title = "A distributor of pulp"
basis = "rate"
water = true
[streams]
pulp = { to = "box" }
north = { from = "box" }
south = { from = "box" }
[nodes]
box = { kind = "splitter" }
[errors]
"dry rate" = { relative = 1 }
"% solids" = { relative = 1 }
Cu = { relative = 2 }
"""


SPLIT_ROWS = "stream,dry rate [t/h],% solids,Cu [%]\npulp,100,40,1.1\nnorth,,41,1.08\nsouth,38,,\n"


def test_outlets_in_proportion(tmp_path: Path) -> None:
    """A splitter of pulp: its problem has proportions, and is balanced draw after draw."""
    (tmp_path / "circuit.toml").write_text(SPLIT, "utf-8")
    (tmp_path / "measurements.csv").write_text(SPLIT_ROWS, "utf-8")
    case = read_case(tmp_path)
    problem = balance_problem(case.circuit, case.survey)
    assert len(problem.proportion)
    n = often(300)
    found = simulate(case.circuit, case.survey, np.random.default_rng(1), draws=n)
    assert found.failed == 0
    for name in ("% solids of 'north'", "dry rate of 'north'", "Cu of 'south'", "yield of 'south'"):
        row = answer_row(found, name)
        assert row.answer.sd is not None and row.mean is not None
        assert row.sd == pytest.approx(row.answer.sd, rel=5.0 / (2 * n) ** 0.5)
        assert row.mean == pytest.approx(row.answer.value, abs=5.0 * row.answer.sd / n**0.5)
    north, south = (answer_column(found, f"% solids of '{s}'") for s in ("north", "south"))
    assert north == pytest.approx(south, rel=1e-7)


@pytest.mark.parametrize("name", ["leach_test", "grind_coarse"])
def test_every_answer_has_the_sd_of_first_order(name: str) -> None:
    """Near-linear cases: extraction, recoveries, yields, values as the covariance says."""
    case = read_case(EXAMPLES / name)
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    n = often(400)
    found = simulate_balance(balance, np.random.default_rng(2), n)
    kinds = {row.answer.kind.value for row in found.rows}
    assert kinds >= {"recovery", "yield", "ratio of concentration", "enrichment", "value"}
    assert ("extraction" in kinds) == bool(balance.extractions)
    for row in found.rows:
        if row.constant or row.answer.sd is None:
            continue
        assert row.mean is not None
        assert row.sd == pytest.approx(row.answer.sd, rel=5.0 / (2 * n) ** 0.5), row.answer.name
        assert row.mean == pytest.approx(row.answer.value, abs=5.0 * row.answer.sd / n**0.5)


def test_first_draws_of_many_are_those_of_few() -> None:
    survey = simulated_survey(FLOWS, GRADES)
    many = simulate(TABLE, survey, np.random.default_rng(3), draws=1200)
    few = simulate(TABLE, survey, np.random.default_rng(3), draws=150)
    assert many.values[:150] == pytest.approx(few.values, rel=1e-9)
    other = simulate(TABLE, survey, np.random.default_rng(4), draws=150)
    assert np.abs(other.values - few.values).max() > 0.1


def test_draws_that_do_not_balance_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are in no figure, and said."""

    def some_fail(
        drawing: DrawnSurveys, generator: np.random.Generator, draws: int
    ) -> Iterator[tuple[Floats, ManySolutions]]:
        for normal, part in balanced_draws(drawing, generator, draws):
            converged = part.converged.copy()
            converged[::40] = False
            flow = part.flow.copy()
            flow[::40] = 1e6
            yield normal, replace(part, converged=converged, flow=flow)

    monkeypatch.setattr(simulation, "balanced_draws", some_fail)
    found = simulate(TABLE, simulated_survey(FLOWS, GRADES), np.random.default_rng(1), draws=400)
    assert (found.draws, found.failed) == (400, 10)
    assert np.isnan(found.values[0]).all() and np.isfinite(found.values[1]).all()
    row = answer_row(found, "dry mass of 'feed'")
    assert row.draws == 390
    assert row.mean == pytest.approx(25.0, abs=0.05)


def test_stream_that_stands_still_in_some_draws() -> None:
    """No grade there, no limit to the ratio of concentration, a recovery of 0."""
    n = often(600)
    grades = {"feed": (1.0, 0.04), "conc": (1.5, 0.05), "tails": (0.99, 0.04)}
    survey = simulated_survey({"feed": (25.0, 0.05)}, {"Sn": grades})
    found = simulate(TABLE, survey, np.random.default_rng(1), draws=n)
    flow = answer_column(found, "dry mass of 'conc'")
    still = int((flow == 0.0).sum())
    assert n / 6 < still < n / 1.5
    assert answer_row(found, "enrichment of Sn in 'conc'").draws == n - still
    assert (answer_column(found, "recovery of Sn to 'conc'")[flow == 0.0] == 0.0).all()
    ratio = answer_row(found, "ratio of concentration of 'conc'")
    assert ratio.symmetric is not None and ratio.symmetric.high == np.inf
    assert ratio.mean is None and ratio.sd is None and ratio.draws == n
    assert ratio.valid is False


def test_what_cannot_be_drawn_is_refused() -> None:
    survey = simulated_survey(FLOWS, GRADES)
    with pytest.raises(ValueError, match="0 draws: one at least is needed"):
        simulate(TABLE, survey, np.random.default_rng(1), draws=0)
    with pytest.raises(TooManyDraws, match="do not fit into memory"):
        simulate(TABLE, survey, np.random.default_rng(1), draws=10**8)
    problem: BalanceProblem = balance_problem(TABLE, survey)
    lost = replace(solve(problem), converged=False)
    with pytest.raises(ValueError, match="there is no balance to draw about"):
        simulate_problem(problem, np.random.default_rng(1), 10, solution=lost)
