"""Simulation of balances: against closed formulas, an independent simulation, and for coverage.

All surveys are invented, with numbers missing as people leave them out; no source but where one is
named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from published import within_binomial
from scipy.optimize import brentq
from scipy.stats import chi2, norm

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    BalanceProblem,
    Basis,
    Circuit,
    InputError,
    Measurement,
    SharedSource,
    Survey,
    balance_problem,
    parse_unit,
)
from oretally.flowsheet.survey import DETECTION_LIMIT, SizeGrid
from oretally.io.case import read_case
from oretally.recon import reconcile, simulate, simulation
from oretally.recon.draws import (
    DrawnSurveys,
    Interval,
    balanced_draws,
    end_scatter,
    rectangular_readings,
    symmetric_interval,
)
from oretally.recon.simulation import (
    SimulatedAnswer,
    Simulation,
    simulate_balance,
    simulate_problem,
)
from oretally.recon.solution import ManySolutions
from oretally.recon.solver import prepare, solve

Floats = NDArray[np.float64]
Readings = dict[str, tuple[float, float]]
EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
KG, PERCENT = parse_unit("kg"), parse_unit("%")
TABLE = Circuit.build(
    {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)}
)  # fmt: skip


def _survey(
    flows: Readings, grades: dict[str, Readings], shared: tuple[SharedSource, ...] = ()
) -> Survey:
    found = [Measurement(s, "dry mass", v, KG, sd) for s, (v, sd) in flows.items()]
    for name, by_stream in grades.items():
        found += [Measurement(s, name, v, PERCENT, sd) for s, (v, sd) in by_stream.items()]
    analytes = tuple(Analyte(name, PERCENT) for name in grades)
    return Survey(Basis.BATCH, KG, analytes, tuple(found), shared=shared)


def _row(found: Simulation, name: str) -> SimulatedAnswer:
    return next(r for r in found.rows if r.answer.name == name)


def _column(found: Simulation, name: str) -> Floats:
    return found.values[:, [a.name for a in found.answers].index(name)]


def _near(found: Interval | None, exact: tuple[float, float], y: Floats, sds: float = 5.0) -> None:
    """Check limits of draws within what they scatter."""
    assert found is not None
    for ours, theirs, sd in zip(found, exact, end_scatter(y), strict=True):
        assert abs(ours - theirs) <= sds * sd, (ours, theirs, sd)


# --- one bilinear balance: two products of poor contrast, exact limits in closed form

F, C, T = (1.00, 0.025), (1.35, 0.05), (0.90, 0.025)  # grades of feed, concentrate, tailings


def _yield_quantile(p: float) -> float:
    """Return the p quantile of (f - t) / (c - t), after Fieller (1940).

    f - t - q (c - t) is normal; the chance that the ratio is below q is that it is below 0, as long
    as c - t is above 0: here always, 8 sd.
    """
    (f, sf), (c, sc), (t, st) = F, C, T

    def excess(q: float) -> float:
        sd = (sf**2 + (q * sc) ** 2 + ((1.0 - q) * st) ** 2) ** 0.5
        return float(norm.cdf(-(f - t - q * (c - t)) / sd)) - p

    return float(brentq(excess, -0.5, 0.9))


def test_two_products_of_poor_contrast() -> None:
    """No weight but the feed's: yield and ratio of concentration by assays alone."""
    survey = _survey({"feed": (25.0, 0.05)}, {"Sn": {"feed": F, "conc": C, "tails": T}})
    found = simulate(TABLE, survey, np.random.default_rng(1), 20_000)
    assert found.failed == 0 and found.draws == 20_000
    low, high = (_yield_quantile(p) for p in (0.025, 0.975))
    assert low > 0.05  # nothing meets a bound at these chances
    pull = _row(found, "yield of 'conc'")
    _near(pull.symmetric, (100.0 * low, 100.0 * high), _column(found, "yield of 'conc'"))
    ratio = _row(found, "ratio of concentration of 'conc'")
    y = _column(found, "ratio of concentration of 'conc'")
    _near(ratio.symmetric, (1.0 / high, 1.0 / low), y)
    assert (1.0 / high, 1.0 / low) == pytest.approx((2.67, 13.72), abs=0.005)
    # to first order 4.5 +- 1.5: 1.5 to 7.5
    a = ratio.answer
    assert (a.value, a.sd) == pytest.approx((4.5, 1.51), abs=0.005)
    assert ratio.valid is False
    assert ratio.validation is not None
    assert ratio.validation.low_off == pytest.approx(1.0 / high - 1.54, abs=0.05)
    assert ratio.validation.high_off == pytest.approx(1.0 / low - 7.46, abs=0.3)
    # what nothing bends: the grade that was measured and is checked by nothing
    assert _row(found, "Sn of 'conc'").valid is True
    assert _row(found, "recovery of Sn to 'conc'").valid is False
    recovery = _column(found, "recovery of Sn to 'conc'")
    other = _column(found, "recovery of Sn to 'tails'")
    assert recovery + other == pytest.approx(np.full(recovery.size, 100.0), abs=1e-8)


# --- more numbers than needed: an independent simulation by the profile of the sum of squares

GRADES = {
    "Sn": {"feed": (1.00, 0.03), "conc": (1.62, 0.05), "tails": (0.91, 0.03)},
    "Fe": {"feed": (8.1, 0.2), "conc": (11.9, 0.3), "tails": (7.5, 0.2)},
    "As": {"feed": (0.21, 0.01), "conc": (0.40, 0.02)},  # tails not assayed: says nothing of mass
}
FLOWS = {"feed": (25.0, 0.05), "conc": (4.6, 0.9)}  # the concentrate was wet


def _profiled(grades: Floats, sd: Floats, pull: Floats, pull_sd: float) -> Floats:
    """Return yields that are least in the sum of squares: over all grades in closed form.

    Parameters
    ----------
    grades, sd : ndarray, shape (n, n_analytes, 3) and (n_analytes, 3)
        Of feed, concentrate and tailings.
    pull, pull_sd : ndarray, shape (n,), and float
        The yield as weighed.

    With f - y c - (1 - y) t = r to be made 0, the least sum over the grades is r^2 / var(r).
    """

    def objective(y: Floats) -> Floats:
        w = np.stack([np.ones_like(y), -y, y - 1.0], axis=-1)[:, None, :]
        r, v = (w * grades).sum(axis=-1), (w**2 * sd**2).sum(axis=-1)
        return np.asarray((r**2 / v).sum(axis=-1) + ((y - pull) / pull_sd) ** 2)

    n = len(grades)
    grid = np.linspace(0.0, 1.0, 201)
    best = np.argmin([objective(np.full(n, g)) for g in grid], axis=0)
    low, high = grid[np.maximum(best - 1, 0)], grid[np.minimum(best + 1, 200)]
    golden = (5.0**0.5 - 1.0) / 2.0
    for _ in range(40):
        a, b = high - golden * (high - low), low + golden * (high - low)
        left = objective(a) < objective(b)
        low, high = np.where(left, low, a), np.where(left, b, high)
    return np.asarray(0.5 * (low + high))


def test_independent_simulation_of_a_redundant_balance() -> None:
    """Quantiles of the yield, drawn and balanced by other means, about the same adjusted values."""
    survey = _survey(FLOWS, GRADES)
    balance = reconcile(TABLE, survey)
    found = simulate_balance(balance, np.random.default_rng(5), 4000)
    y = _column(found, "yield of 'conc'")
    rng, n = np.random.default_rng(6), 20_000
    streams = ("feed", "conc", "tails")
    centre = np.array([[balance.value(s, k).adjusted for s in streams] for k in ("Sn", "Fe")])
    sd = np.array([[GRADES[k][s][1] for s in streams] for k in ("Sn", "Fe")])
    pull = balance.separations[0].yield_percent
    assert pull is not None
    # the feed's weight is so good that the yield has the error of the concentrate's
    pull_sd = (0.9**2 + (pull / 100.0 * 0.05) ** 2) ** 0.5 / 25.0
    drawn = _profiled(
        centre + sd * rng.standard_normal((n, *sd.shape)), sd,
        pull / 100.0 + pull_sd * rng.standard_normal(n), pull_sd,
    )  # fmt: skip
    ours, theirs = symmetric_interval(y), symmetric_interval(100.0 * drawn)
    scatter, other = end_scatter(y), end_scatter(100.0 * drawn)
    for a, b, s, t in zip(ours, theirs, scatter, other, strict=True):
        assert abs(a - b) < 4.0 * (s**2 + t**2) ** 0.5
    assert y.std() == pytest.approx(100.0 * drawn.std(), rel=0.06)
    assert y.mean() == pytest.approx(100.0 * drawn.mean(), abs=0.06 * y.std())


# --- coverage, and where the draws are centred


def test_limits_cover_the_truth() -> None:
    """In 95 of 100 surveys the simulated limits hold the true yield, on each side 2.5 miss it."""
    rng, n = np.random.default_rng(11), 300
    truth = {"Sn": (1.0, 1.5, 0.55 / 0.7), "Fe": (8.0, 13.0, 4.1 / 0.7)}  # yield 30 %
    below = above = 0
    for i in range(n):
        grades = {
            k: dict(zip(("feed", "conc", "tails"),
                        ((x * (1.0 + 0.06 * rng.standard_normal()), 0.06 * x) for x in own),
                        strict=True))
            for k, own in truth.items()
        }  # fmt: skip
        survey = _survey({"feed": (25.0, 0.05)}, grades)
        if i % 3 == 0:  # one in three has a weight more
            conc = Measurement("conc", "dry mass", 7.5 + 1.5 * rng.standard_normal(), KG, 1.5)
            survey = replace(survey, measurements=(*survey.measurements, conc))
        problem = balance_problem(TABLE, survey)
        drawn = simulate_problem(problem, rng, 200)
        assert drawn.converged.all()
        low, high = symmetric_interval(drawn.flow[:, 1] / drawn.flow[:, 0])
        below, above = below + (0.3 < low), above + (0.3 > high)
    assert within_binomial(n - below - above, n, 0.95, 1e-3), (below, above)
    assert below <= 20 and above <= 20  # 7.5 of each


def test_draws_about_measured_values_scatter_too_much() -> None:
    """Eight analytes of poor contrast: the misfit must not count a second time.

    The sd of the estimate itself, from surveys drawn about the truth, against the sd that draws
    about the adjusted values and about the measured ones give, in the median of forty surveys.
    """
    rng, K = np.random.default_rng(3), 8
    true = np.tile([1.0, 1.2, (1.0 - 0.3 * 1.2) / 0.7], (K, 1))
    grades = {f"A{k}": dict(zip(TABLE.stream_names, ((x, 0.05 * x) for x in true[k]), strict=True))
              for k in range(K)}  # fmt: skip
    problem = balance_problem(TABLE, _survey({"feed": (25.0, 0.05)}, grades))

    def spread(found: ManySolutions) -> float:
        assert found.converged.all()
        return float((found.flow[:, 1] / found.flow[:, 0]).std())

    def readings(n: int) -> tuple[Floats, Floats]:
        drawing = DrawnSurveys(problem, solve(problem))  # its readings are the truth
        return drawing.readings(rng.standard_normal((n, drawing.n_readings)))

    real = spread(prepare(problem).solve_many(*readings(3000)))
    about_adjusted, about_measured = list[float](), list[float]()
    for flow, grade in zip(*readings(40), strict=True):
        survey = replace(problem, flow=flow, grade=grade)
        solution = solve(survey)
        measured = replace(solution, flow=np.where(np.isfinite(flow), flow, 0.0), grade=grade)
        for centre, kept in ((solution, about_adjusted), (measured, about_measured)):
            parts = balanced_draws(DrawnSurveys(survey, centre), rng, 300)
            kept.append(spread(next(part for _, part in parts)))
    assert np.median(about_adjusted) == pytest.approx(real, rel=0.05)
    assert np.median(about_measured) > 1.05 * np.median(about_adjusted)
    assert np.median(about_measured) > 1.03 * real


def test_chi_square_of_the_draws() -> None:
    """Draws about the adjusted values misfit as the stated errors make surveys misfit."""
    problem = balance_problem(TABLE, _survey(FLOWS, GRADES))
    solution = solve(problem)
    found = simulate_problem(problem, np.random.default_rng(2), 3000, solution=solution)
    dof = solution.classes.degrees_of_freedom
    assert dof == 2
    assert found.objective.mean() == pytest.approx(dof, abs=5.0 * (2.0 * dof / 3000) ** 0.5)
    assert within_binomial(int((found.objective > chi2.isf(0.05, dof)).sum()), 3000, 0.05)


# --- distributions


def test_shared_source_is_drawn_once_for_all() -> None:
    """A scale out of true: it cancels in the yield, and moves the masses together."""
    scale = SharedSource("scale", "dry mass", {"feed": 1.0, "conc": 0.16})  # 4 % of each
    own_feed, own_conc = 0.05, 0.02
    survey = _survey(
        {"feed": (25.0, (own_feed**2 + 1.0) ** 0.5), "conc": (4.0, (own_conc**2 + 0.16**2) ** 0.5)},
        {"Sn": {"feed": (0.8, 0.02), "tails": (0.3, 0.01)}}, (scale,),
    )  # fmt: skip
    n = 4000
    found = simulate(TABLE, survey, np.random.default_rng(8), n)
    assert found.failed == 0
    feed, conc = (_column(found, f"dry mass of '{s}'") for s in ("feed", "conc"))
    wide = 5.0 / (2 * n) ** 0.5
    assert feed.std() == pytest.approx((own_feed**2 + 1.0) ** 0.5, rel=wide)
    assert conc.std() == pytest.approx((own_conc**2 + 0.16**2) ** 0.5, rel=wide)
    shared = 0.16 / ((own_feed**2 + 1.0) * (own_conc**2 + 0.16**2)) ** 0.5
    assert np.corrcoef(feed, conc)[0, 1] == pytest.approx(shared, abs=0.002)
    # (c + 0.16 u) / (f + u) = c / f where the loadings are in the proportion of the masses
    pull = 16.0 * ((own_conc / 4.0) ** 2 + (own_feed / 25.0) ** 2) ** 0.5
    assert _column(found, "yield of 'conc'").std() == pytest.approx(pull, rel=wide)
    # had each weighing its own 4 %, the yield would have ten times the error
    row = _row(found, "yield of 'conc'")
    assert row.answer.sd == pytest.approx(pull, rel=1e-3) and row.valid is not False


def test_shared_source_of_assays() -> None:
    """One batch for feed and tailings, 3 % of each: it cancels in the recovery by assays."""
    batch = SharedSource("batch", "Sn", {"feed": 0.03 * 0.008, "tails": 0.03 * 0.003})
    own = 0.01
    grades = {"Sn": {s: (x, (own**2 + 0.03**2) ** 0.5 * x)
                     for s, x in (("feed", 0.8), ("tails", 0.3))}}  # fmt: skip
    survey = _survey({"feed": (25.0, 0.01), "tails": (21.0, 0.01)}, grades, (batch,))
    n = 3000
    found = simulate(TABLE, survey, np.random.default_rng(9), n)
    kept = 100.0 * 21.0 * 0.3 / (25.0 * 0.8)  # recovery to the tailings
    sd = kept * (2.0 * own**2 + (0.01 / 25.0) ** 2 + (0.01 / 21.0) ** 2) ** 0.5
    y = _column(found, "recovery of Sn to 'tails'")
    assert y.std() == pytest.approx(sd, rel=5.0 / (2 * n) ** 0.5)
    feed, tails = (_column(found, f"Sn of '{s}'") for s in ("feed", "tails"))
    assert np.corrcoef(feed, tails)[0, 1] == pytest.approx(0.9, abs=0.02)


def test_below_detection_is_rectangular() -> None:
    """JCGM 101, 6.4.2: no draw beyond the limit, 95 % limits at 2.5 and 97.5 % of its width."""
    limit = 0.02
    below = Measurement("tails", "Sn", limit / 2, PERCENT, limit / 12.0**0.5, DETECTION_LIMIT)
    survey = _survey({"feed": (25.0, 0.01), "tails": (24.0, 0.01)},
                     {"Sn": {"feed": (0.80, 0.002)}})  # fmt: skip
    survey = replace(survey, measurements=(*survey.measurements, below))
    assert len(rectangular_readings(BalanceModel(TABLE, survey))) == 1
    found = simulate(TABLE, survey, np.random.default_rng(4), 4000)
    y = _column(found, "Sn of 'tails'")
    assert y.min() >= -1e-12 and y.max() <= limit * (1.0 + 1e-9)
    assert y.std() == pytest.approx(limit / 12.0**0.5, rel=0.03)
    row = _row(found, "Sn of 'tails'")
    _near(row.symmetric, (0.025 * limit, 0.975 * limit), y)
    assert row.valid is False  # first order goes below 0
    lost = _row(found, "recovery of Sn to 'tails'")
    full = 100.0 * 24.0 * limit / (25.0 * 0.80)
    _near(lost.symmetric, (0.025 * full, 0.975 * full),
          _column(found, "recovery of Sn to 'tails'"), 8.0)  # fmt: skip


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
    n = 600
    found = simulate(circuit, survey, np.random.default_rng(10), n)
    assert found.failed == 0
    y = np.array([_column(found, f"{m.quantity} of 'feed'") for m in shares]) / 100.0
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
    n = 120
    found = simulate(case.circuit, case.survey, np.random.default_rng(1), n)
    assert found.failed == 0
    for name in ("% solids of 'north'", "dry rate of 'north'", "Cu of 'south'", "yield of 'south'"):
        row = _row(found, name)
        assert row.answer.sd is not None and row.mean is not None
        assert row.sd == pytest.approx(row.answer.sd, rel=5.0 / (2 * n) ** 0.5)
        assert row.mean == pytest.approx(row.answer.value, abs=5.0 * row.answer.sd / n**0.5)
    north, south = (_column(found, f"% solids of '{s}'") for s in ("north", "south"))
    assert north == pytest.approx(south, rel=1e-7)


@pytest.mark.parametrize("name", ["leach_test", "grind_coarse"])
def test_every_answer_has_the_sd_of_first_order(name: str) -> None:
    """Near-linear cases: extraction, recoveries, yields, values as the covariance says."""
    case = read_case(EXAMPLES / name)
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    n = 400
    found = simulate_balance(balance, np.random.default_rng(2), n)
    kinds = {a.kind.value for a in found.answers}
    assert kinds >= {"recovery", "yield", "ratio of concentration", "enrichment", "value"}
    assert ("extraction" in kinds) == bool(balance.extractions)
    for row in found.rows:
        if row.constant or row.answer.sd is None:
            continue
        assert row.mean is not None
        assert row.sd == pytest.approx(row.answer.sd, rel=5.0 / (2 * n) ** 0.5), row.answer.name
        assert row.mean == pytest.approx(row.answer.value, abs=5.0 * row.answer.sd / n**0.5)


# --- draws


def test_first_draws_of_many_are_those_of_few() -> None:
    survey = _survey(FLOWS, GRADES)
    many = simulate(TABLE, survey, np.random.default_rng(3), 1200)
    few = simulate(TABLE, survey, np.random.default_rng(3), 150)
    assert many.values[:150] == pytest.approx(few.values, rel=1e-9)
    other = simulate(TABLE, survey, np.random.default_rng(4), 150)
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
    found = simulate(TABLE, _survey(FLOWS, GRADES), np.random.default_rng(1), 400)
    assert (found.draws, found.failed) == (400, 10)
    assert np.isnan(found.values[0]).all() and np.isfinite(found.values[1]).all()
    row = _row(found, "dry mass of 'feed'")
    assert row.draws == 390
    assert row.mean == pytest.approx(25.0, abs=0.05)


def test_stream_that_stands_still_in_some_draws() -> None:
    """No grade there, no limit to the ratio of concentration, a recovery of 0."""
    survey = _survey({"feed": (25.0, 0.05)}, {"Sn": {"feed": (1.0, 0.04), "conc": (1.5, 0.05),
                                                     "tails": (0.99, 0.04)}})  # fmt: skip
    found = simulate(TABLE, survey, np.random.default_rng(1), 600)
    flow = _column(found, "dry mass of 'conc'")
    still = int((flow == 0.0).sum())
    assert 100 < still < 400
    assert _row(found, "enrichment of Sn in 'conc'").draws == 600 - still
    assert (_column(found, "recovery of Sn to 'conc'")[flow == 0.0] == 0.0).all()
    ratio = _row(found, "ratio of concentration of 'conc'")
    assert ratio.symmetric is not None and ratio.symmetric.high == np.inf
    assert ratio.mean is None and ratio.sd is None and ratio.draws == 600
    assert ratio.valid is False


def test_what_cannot_be_drawn_is_refused() -> None:
    survey = _survey(FLOWS, GRADES)
    with pytest.raises(ValueError, match="0 draws: one at least is needed"):
        simulate(TABLE, survey, np.random.default_rng(1), 0)
    with pytest.raises(InputError, match="do not fit into memory") as refused:
        simulate(TABLE, survey, np.random.default_rng(1), 10**8)
    assert refused.value.faults[0].place.cell == "option --draws"
    problem: BalanceProblem = balance_problem(TABLE, survey)
    lost = replace(solve(problem), converged=False)
    with pytest.raises(ValueError, match="there is no balance to draw about"):
        simulate_problem(problem, np.random.default_rng(1), 10, solution=lost)
