"""Simulation of a balance: every answer with the limits that drawn and balanced surveys give.

How surveys are drawn, and about what, says `oretally.recon.draws.drawn_surveys`; how limits come
from samples and first-order errors are judged by them, `oretally.recon.draws.coverage_intervals`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from oretally.flowsheet import BalanceModel, BalanceProblem, Circuit, OretallyError, Survey
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.draws import (
    LEAST_SAMPLES,
    NORMAL_95,
    DrawnSurveys,
    answers_of,
    balanced_draws,
    end_scatter,
    rectangular_readings,
    relieved,
    shortest_interval,
    symmetric_interval,
    validation,
)
from oretally.recon.reconciliation import reconcile
from oretally.recon.result import (
    COVERAGE,
    Balance,
    BalanceAnswer,
    Interval,
    SimulatedAnswer,
    Simulation,
)
from oretally.recon.solution import ManySolutions, Solution, joined
from oretally.recon.solver import propagate, solve

__all__ = ["TooManyDraws", "simulate", "simulate_balance", "simulate_problem", "simulation_of"]

_ROOM = 50_000_000  # numbers kept: 400 MB
_ENOUGH = 5  # draws for each reading, to fit slopes
_CONSTANT = 1e-8  # of the value: an sd below it is rounding


class TooManyDraws(OretallyError):
    """So many draws of so many numbers each do not fit into memory; ``most`` would."""

    def __init__(self, draws: int, numbers: int, most: int) -> None:
        self.draws, self.numbers, self.most = draws, numbers, most
        super().__init__(f"{draws} draws of {numbers} numbers each do not fit into memory.")


def simulate(
    circuit: Circuit, survey: Survey, generator: np.random.Generator, *, draws: int,
    feed: str | Sequence[str] | None = None, products: Sequence[str] | None = None,
) -> Simulation:  # fmt: skip
    """Balance a survey, and as many surveys drawn about the adjusted values.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey
    generator : numpy.random.Generator
    draws : int
    feed, products : optional
        As for `oretally.recon.reconciliation`.

    Raises
    ------
    InputError
        As `oretally.recon.reconciliation`.
    TooManyDraws
        If so many draws do not fit into memory.
    NotBalanceable
        If the survey cannot be balanced.
    ValueError
        If there are no draws, or the search for the balance ended without one.

    Examples
    --------
    Two products; the concentrate is all but as poor as the tailings.

    >>> from oretally.flowsheet import Analyte, Basis, Measurement, parse_unit
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> kg, percent = parse_unit("kg"), parse_unit("%")
    >>> survey = Survey(Basis.BATCH, kg, (Analyte("Sn", percent),), (
    ...     Measurement("feed", "dry mass", 25.0, kg, 0.1),
    ...     Measurement("feed", "Sn", 0.80, percent, 0.02),
    ...     Measurement("conc", "Sn", 0.95, percent, 0.03),
    ...     Measurement("tails", "Sn", 0.70, percent, 0.02)))
    >>> found = simulate(circuit, survey, np.random.default_rng(1), draws=1000)
    >>> row = next(r for r in found.rows if r.answer.name == "yield of 'conc'")
    >>> round(row.answer.value), round(row.answer.sd)  # to first order: 40 +- 10 %
    (40, 10)
    >>> [round(end) for end in row.symmetric]
    [19, 63]
    """
    balance = reconcile(circuit, survey, feed=feed, products=products)
    return simulate_balance(balance, generator, draws)


def simulate_balance(
    balance: Balance, generator: np.random.Generator, draws: int, *, starts: int | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Simulation:  # fmt: skip
    """Draw surveys about a balance, and balance each.

    Parameters
    ----------
    balance : Balance
    generator : numpy.random.Generator
    draws : int
    starts : int, optional
        As it was given for the balance. Draws need none: each is near one that balances.
    say : callable, optional
        Is told now and then how far it is.
    """
    model = BalanceModel(balance.circuit, balance.survey)
    problem = model.problem
    solution = solve(problem, starts)
    _require(solution, draws)
    answers = answers_of(balance, model, propagate(problem, solution))
    flat = rectangular_readings(model)
    drawing = DrawnSurveys(problem, solution, flat)
    numbers = len(answers) + drawing.n_readings
    if draws * numbers > _ROOM:
        raise TooManyDraws(draws, numbers, _ROOM // numbers)
    values, converged = np.full((draws, len(answers)), np.nan), np.zeros(draws, dtype=bool)
    errors = np.empty((draws, drawing.n_readings))
    done = 0
    say(f"simulating {draws} draws")
    for normal, part in balanced_draws(drawing, generator, draws):
        own = slice(done, done + len(normal))
        converged[own], errors[own] = part.converged, normal
        for i, (_, formula) in enumerate(answers):
            values[own, i] = formula(part.flow, part.grade)
        done += len(normal)
        say(f"simulating, {done} of {draws} draws")
    values[~converged] = np.nan
    return simulation_of([answer for answer, _ in answers], values, converged, normal=errors)


def simulate_problem(
    problem: BalanceProblem, generator: np.random.Generator, draws: int, *,
    solution: Solution | None = None,
) -> ManySolutions:  # fmt: skip
    """Draw readings of a balance problem about its solution, all of them normal, and balance each.

    Returns
    -------
    ManySolutions
        Flows, shape (draws, n_carriers), and grades, shape (draws, n_analytes, n_carriers), with
        the mark of those that did not converge.
    """
    solution = solve(problem) if solution is None else solution
    _require(solution, draws)
    drawing = DrawnSurveys(problem, solution)
    return joined([part for _, part in balanced_draws(drawing, generator, draws)])


def simulation_of(
    answers: Sequence[BalanceAnswer], values: Floats, converged: Bools, *, normal: Floats
) -> Simulation:
    """Return what draws say of the answers of the balance about which was drawn.

    Parameters
    ----------
    answers : sequence of BalanceAnswer
    values : ndarray, shape (draws, n_answers)
        NaN where a draw has no such answer, and in the rows of draws that did not balance.
    converged : ndarray of bool, shape (draws,)
    normal : ndarray, shape (draws, n_readings)
        Draws of N(0, 1) behind the errors.
    """
    first_order = _first_order(values, converged, normal)
    rows = tuple(map(_judged, answers, values.T, first_order.T))
    return Simulation(rows, values, converged)


def _first_order(values: Floats, usable: Bools, normal: Floats) -> Floats:
    """Return what the same draws give to first order, N(0, 1), shape (draws, n_answers).

    Along the slopes that fit the values best; NaN where there are none.
    """
    found = np.full(values.shape, np.nan)
    steady = np.isfinite(values[usable]).all(axis=0)
    if usable.sum() < _ENOUGH * normal.shape[1] or not steady.any():
        return found
    X, Y = normal[usable], values[usable][:, steady]
    slopes = np.linalg.lstsq(np.column_stack([np.ones(len(X)), X]), Y, rcond=None)[0][1:]
    size = np.sqrt((slopes**2).sum(axis=0))
    with np.errstate(invalid="ignore", divide="ignore"):  # what no error touches
        found[np.ix_(usable, steady)] = X @ (slopes / size)
    return found


def _require(solution: Solution, draws: int) -> None:
    if draws < 1:
        raise ValueError(f"{draws} draws: one at least is needed")
    if not solution.converged:
        raise ValueError(f"there is no balance to draw about: {solution.status.value}")


def _judged(answer: BalanceAnswer, values: Floats, first_order: Floats) -> SimulatedAnswer:
    """Return what the draws say of one answer; ``first_order`` as N(0, 1), or NaN."""
    there = ~np.isnan(values)
    y, line = values[there], first_order[there]
    finite = y.size > 1 and bool(np.isfinite(y).all())
    mean, sd = (float(y.mean()), float(y.std(ddof=1))) if finite else (None, None)
    if y.size < LEAST_SAMPLES:
        return SimulatedAnswer(answer, y.size, mean, sd, None, None, None)
    ends, shortest = symmetric_interval(y, COVERAGE), shortest_interval(y, COVERAGE)
    judged = None
    if answer.sd is not None and answer.sd > _CONSTANT * abs(answer.value):
        off = NORMAL_95 * answer.sd
        plain = Interval(answer.value - off, answer.value + off)
        compared, scatter = ends, end_scatter(y, COVERAGE)
        if np.isfinite(line).all():
            compared, scatter = relieved(y, answer.value + answer.sd * line, plain, level=COVERAGE)
        judged = validation(answer.value, answer.sd, compared, scatter=scatter)
    return SimulatedAnswer(answer, y.size, mean, sd, ends, shortest, judged)
