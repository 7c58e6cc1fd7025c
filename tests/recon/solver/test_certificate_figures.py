"""Figures of the certificate: what they are against differences of objectives and other units."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple, replace
from typing import Any

import numpy as np
import pytest
from certificate_cases import drawn, in_units, minimum, problem_of
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import NIGHTLY, often, some

from oretally.flowsheet import BalanceProblem
from oretally.recon.result import Certificate
from oretally.recon.solution import certify, sum_of_squares
from oretally.recon.solver import solve

Floats = NDArray[np.float64]
Circuits = Callable[..., Any]


@pytest.mark.parametrize("factor", [1.05, 1e-7, 3.0])
@pytest.mark.parametrize("case", [*some(range(8), 4), -1, -2, -3])
def test_flows_that_all_grow_or_shrink(case: int, factor: float, random_circuit: Circuits) -> None:
    """Everything balances as before; ``scale`` is the factor that undoes it, to 1e-8.

    Where flows that are held above 0 end there (the least flow of a sieved sample), they fix the
    scale, and the other figures tell.
    """
    problem = problem_of(case, random_circuit)
    found = minimum(problem)
    told = certify(problem, factor * found.flow, found.grade)
    assert told.imbalance < 1e-10
    if factor == 1e-7 and case < 0:
        assert {"stationarity", "fall"} <= set(told.failures)
        return
    assert "scale" in told.failures
    assert told.scale * factor == pytest.approx(1.0, abs=1e-8)


@pytest.mark.parametrize("size", [1.0, 0.1, 1e-2])
@pytest.mark.parametrize("case", [*range(12 if NIGHTLY else 3), -1, -2, -3, -4])
def test_a_minimum_of_another_draw(case: int, size: float, random_circuit: Circuits) -> None:
    """It balances and is none of this survey; ``fall`` is what it costs more, to a fifth.

    A step of Gauss and Newton leaves out the second derivatives of the balances.
    """
    problem = problem_of(case, random_circuit)
    least = minimum(problem).objective
    other = minimum(drawn(problem, case + 50, size))
    told = certify(problem, other.flow, other.grade)
    assert told.imbalance < 1e-10
    value = sum_of_squares(problem, other.flow, other.grade)
    if value - least > 1e-6 * (1.0 + least):
        assert {"stationarity", "fall"} <= set(told.failures)
    if not other.grade_at_bound.any():
        assert told.fall * (1.0 + value) == pytest.approx(value - least, rel=0.2, abs=1e-9)


@pytest.mark.parametrize("case", some(range(12), 4))
def test_fall_near_a_minimum_that_fits(case: int, random_circuit: Circuits) -> None:
    """Where all measurements fit, ``fall`` is the excess but for terms of higher order."""
    fits = _fitting(problem_of(case, random_circuit))
    for size, within in ((0.1, 0.05), (1e-2, 5e-3), (1e-3, 1e-3)):
        other = minimum(drawn(fits, case, size))
        value = sum_of_squares(fits, other.flow, other.grade)
        told = certify(fits, other.flow, other.grade)
        assert told.fall * (1.0 + value) == pytest.approx(value, rel=within, abs=1e-13)


def _fitting(problem: BalanceProblem) -> BalanceProblem:
    """The same problem with the values measured that it comes to."""
    found = minimum(problem)
    flow = np.where(np.isfinite(problem.flow), found.flow, np.nan)
    grade = np.where(np.isfinite(problem.grade), found.grade, np.nan)
    return replace(problem, flow=flow, grade=grade)


def _alike(one: Certificate, other: Certificate) -> bool:
    """Tell whether figures are the same to 1e-6, but for what is rounding in both."""
    return one.failures == other.failures and astuple(one) == pytest.approx(
        astuple(other), rel=1e-6, abs=1e-9
    )


@pytest.mark.parametrize("unit", [1e3, 1e-6])
@pytest.mark.parametrize("case", [*some(range(8), 2), -1, -2, -3, -4, -5])
def test_other_units(case: int, unit: float, random_circuit: Circuits) -> None:
    """Flows in another unit, every analyte in one of its own: the same figures to 1e-6.

    At a minimum, and where it is none; what is made of shares of classes keeps its unit.
    """
    problem = problem_of(case, random_circuit)
    found = minimum(problem)
    other = minimum(drawn(problem, case + 50, 1.0))
    plain = (problem.grade_sd != 0.0).all(axis=1)  # shares of classes have exact grades
    grade = np.where(plain, 1e3 ** np.linspace(-1.0, 1.0, problem.n_analytes), 1.0)
    there = in_units(problem, unit, grade)
    for flow, x in ((found.flow, found.grade), (other.flow, other.grade),
                    (1.05 * found.flow, found.grade)):  # fmt: skip
        here = certify(problem, flow, x)
        assert _alike(here, certify(there, unit * flow, grade[:, None] * x)), (here, unit)


@settings(deadline=None, max_examples=often(30, 0.5))
@given(
    seed=st.integers(0, 100_000), nodes=st.integers(2, 6), analytes=st.integers(1, 3),
    missing=st.sampled_from([0.0, 0.2, 0.4]), factor=st.sampled_from([0.9, 1.001, 2.0]),
)  # fmt: skip
def test_any_circuit(
    seed: int, nodes: int, analytes: int, missing: float, factor: float, random_circuit: Circuits
) -> None:
    """What has converged has a certificate; with all flows wrong, or another draw, it has none."""
    made = random_circuit(seed, n_nodes=nodes, n_analytes=analytes)
    problem = made.problem(0.02, missing, 0.5 * missing)
    found = solve(problem)
    assume(found.converged)
    here = certify(problem, found.flow, found.grade)
    assert here.holds
    grown = certify(problem, factor * found.flow, found.grade)
    assert not grown.holds
    assert grown.scale * factor == pytest.approx(here.scale, rel=1e-9)
    other = solve(drawn(problem, seed + 1, 1.0))
    assume(other.converged)
    value = sum_of_squares(problem, other.flow, other.grade)
    if value > found.objective + 1e-5 * (1.0 + value):
        assert not certify(problem, other.flow, other.grade).holds
