"""Simulation of balances: against closed formulas, an independent simulation, for coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from balance_cases import only_balanced
from often import often
from published import within_binomial
from scipy.optimize import brentq
from scipy.stats import binom, norm
from simulated_cases import (
    FLOWS,
    GRADES,
    KG,
    TABLE,
    Floats,
    answer_column,
    answer_row,
    assert_near,
    simulated_survey,
)

from oretally.flowsheet import (
    Measurement,
    balance_problem,
)
from oretally.recon import simulate
from oretally.recon.draws import (
    DrawnSurveys,
    balanced_draws,
    end_scatter,
    symmetric_interval,
)
from oretally.recon.simulation import (
    simulate_balance,
    simulate_problem,
)
from oretally.recon.solution import ManySolutions
from oretally.recon.solver import prepare, solve

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
    survey = simulated_survey({"feed": (25.0, 0.05)}, {"Sn": {"feed": F, "conc": C, "tails": T}})
    n = often(20_000, 0.5)
    found = simulate(TABLE, survey, np.random.default_rng(1), draws=n)
    assert found.failed == 0 and found.draws == n
    low, high = (_yield_quantile(p) for p in (0.025, 0.975))
    assert low > 0.05  # nothing meets a bound at these chances
    pull = answer_row(found, "yield of 'conc'")
    assert_near(
        pull.symmetric, (100.0 * low, 100.0 * high), answer_column(found, "yield of 'conc'")
    )
    ratio = answer_row(found, "ratio of concentration of 'conc'")
    y = answer_column(found, "ratio of concentration of 'conc'")
    assert_near(ratio.symmetric, (1.0 / high, 1.0 / low), y)
    assert (1.0 / high, 1.0 / low) == pytest.approx((2.67, 13.72), abs=0.005)
    # to first order 4.5 +- 1.5: 1.5 to 7.5
    a = ratio.answer
    assert (a.value, a.sd) == pytest.approx((4.5, 1.51), abs=0.005)
    assert ratio.valid is False
    assert ratio.validation is not None
    assert ratio.validation.low_off == pytest.approx(1.0 / high - 1.54, abs=0.05)
    assert ratio.validation.high_off == pytest.approx(1.0 / low - 7.46, abs=0.3)
    # what nothing bends: the grade that was measured and is checked by nothing
    assert answer_row(found, "Sn of 'conc'").valid is True
    assert answer_row(found, "recovery of Sn to 'conc'").valid is False
    recovery = answer_column(found, "recovery of Sn to 'conc'")
    other = answer_column(found, "recovery of Sn to 'tails'")
    assert recovery + other == pytest.approx(np.full(recovery.size, 100.0), abs=1e-8)


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
    survey = simulated_survey(FLOWS, GRADES)
    balance = only_balanced(TABLE, survey)
    found = simulate_balance(balance, np.random.default_rng(5), often(4000, 0.4))
    y = answer_column(found, "yield of 'conc'")
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


def test_limits_cover_the_truth() -> None:
    """In 95 of 100 surveys the simulated limits hold the true yield, on each side 2.5 miss it."""
    rng, n = np.random.default_rng(11), often(300)
    truth = {"Sn": (1.0, 1.5, 0.55 / 0.7), "Fe": (8.0, 13.0, 4.1 / 0.7)}  # yield 30 %
    below = above = 0
    for i in range(n):
        grades = {
            k: dict(zip(("feed", "conc", "tails"),
                        ((x * (1.0 + 0.06 * rng.standard_normal()), 0.06 * x) for x in own),
                        strict=True))
            for k, own in truth.items()
        }  # fmt: skip
        survey = simulated_survey({"feed": (25.0, 0.05)}, grades)
        if i % 3 == 0:  # one in three has a weight more
            conc = Measurement("conc", "dry mass", 7.5 + 1.5 * rng.standard_normal(), KG, 1.5)
            survey = replace(survey, measurements=(*survey.measurements, conc))
        problem = balance_problem(TABLE, survey)
        drawn = simulate_problem(problem, rng, 200)
        assert drawn.converged.all()
        low, high = symmetric_interval(drawn.flow[:, 1] / drawn.flow[:, 0])
        below, above = below + (0.3 < low), above + (0.3 > high)
    assert within_binomial(n - below - above, n, 0.95, 1e-3), (below, above)
    most = binom.isf(1e-4, n, 0.025)
    assert below <= most and above <= most


def test_draws_about_measured_values_scatter_too_much() -> None:
    """Eight analytes of poor contrast: the misfit must not count a second time.

    The sd of the estimate itself, from surveys drawn about the truth, against the sd that draws
    about the adjusted values and about the measured ones give, in the median of
    some surveys, forty at night.
    """
    rng, K = np.random.default_rng(3), 8
    true = np.tile([1.0, 1.2, (1.0 - 0.3 * 1.2) / 0.7], (K, 1))
    grades = {f"A{k}": dict(zip(TABLE.stream_names, ((x, 0.05 * x) for x in true[k]), strict=True))
              for k in range(K)}  # fmt: skip
    problem = balance_problem(TABLE, simulated_survey({"feed": (25.0, 0.05)}, grades))

    def spread(found: ManySolutions) -> float:
        assert found.converged.all()
        return float((found.flow[:, 1] / found.flow[:, 0]).std())

    def readings(n: int) -> tuple[Floats, Floats]:
        drawing = DrawnSurveys(problem, solve(problem))  # its readings are the truth
        return drawing.readings(rng.standard_normal((n, drawing.n_readings)))

    real = spread(prepare(problem).solve_many(*readings(3000)))
    about_adjusted, about_measured = list[float](), list[float]()
    for flow, grade in zip(*readings(often(40, 0.3)), strict=True):
        survey = replace(problem, flow=flow, grade=grade)
        solution = solve(survey)
        measured = replace(solution, flow=np.where(np.isfinite(flow), flow, 0.0), grade=grade)
        for centre, kept in ((solution, about_adjusted), (measured, about_measured)):
            parts = balanced_draws(DrawnSurveys(survey, centre), rng, 300)
            kept.append(spread(next(part for _, part in parts)))
    assert np.median(about_adjusted) == pytest.approx(real, rel=0.05)
    assert np.median(about_measured) > 1.05 * np.median(about_adjusted)
    assert np.median(about_measured) > 1.03 * real
