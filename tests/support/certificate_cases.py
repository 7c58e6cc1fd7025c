"""Balance problems for the tests of certificates, their minima, and problems like them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sound_surveys import smallest_mill, sound_survey

from oretally.flowsheet import BalanceProblem, balance_problem
from oretally.recon.solution import Solution
from oretally.recon.solver import solve

__all__ = ["SIZED", "drawn", "in_units", "minimum", "problem_of", "sized"]

Floats = NDArray[np.float64]
Circuits = Callable[..., Any]
SIZED = (3, 16, 20, 36, 63)  # sound surveys of mills, one with a splitter, one with flotation


def sized(seed: int) -> BalanceProblem:
    made = smallest_mill() if seed < 0 else sound_survey(seed)
    return balance_problem(made.circuit, made.survey)


@cache
def problem_of(case: int, random_circuit: Circuits) -> BalanceProblem:
    """A bulk circuit for numbers from 0, a sized one for numbers below."""
    if case < 0:
        return sized(SIZED[-1 - case])
    made = random_circuit(case, n_nodes=2 + case % 4, n_analytes=1 + case % 3)
    problem: BalanceProblem = made.problem(0.03, 0.2 * (case % 2), 0.1 * (case % 3))
    return problem


@lru_cache(100)
def minimum(problem: BalanceProblem) -> Solution:
    found = solve(problem)
    assert found.converged, found.status
    return found


def drawn(problem: BalanceProblem, seed: int, size: float) -> BalanceProblem:
    """The same survey with further errors, so many stated ones large."""
    rng = np.random.default_rng(seed)
    return replace(
        problem,
        flow=problem.flow + size * problem.flow_sd * rng.standard_normal(problem.flow.shape),
        grade=problem.grade + size * problem.grade_sd * rng.standard_normal(problem.grade.shape),
    )


def in_units(problem: BalanceProblem, flow: float, grade: Floats) -> BalanceProblem:
    """The same problem in other units, so many to the old one; grades analyte by analyte."""
    g = grade[:, None]
    return replace(
        problem, flow=problem.flow * flow, flow_sd=problem.flow_sd * flow,
        flow_lower=problem.flow_lower * flow, flow_source=problem.flow_source * flow,
        analyte_source=tuple(c * flow * u for c, u in
                             zip(problem.analyte_source, grade, strict=True)),
        grade=problem.grade * g, grade_sd=problem.grade_sd * g,
        grade_lower=problem.grade_lower * g, grade_upper=problem.grade_upper * g,
    )  # fmt: skip
