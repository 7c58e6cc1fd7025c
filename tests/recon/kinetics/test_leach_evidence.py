"""What the course of a leach says of a reading that is left out, against balancing with others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from oretally.flowsheet import BalanceModel, BalanceProblem
from oretally.io import read_case
from oretally.recon.kinetics import LeachEvidence, TimedLeach, timed_leach
from oretally.recon.solver import propagate, solve

EXAMPLE = Path(__file__).parents[3] / "examples" / "bottle_roll_times"


@pytest.fixture(scope="module")
def leach() -> TimedLeach:
    case = read_case(EXAMPLE)
    model = BalanceModel(case.circuit, case.survey)
    found = timed_leach(model, propagate(model.problem, solve(model.problem)))
    assert found is not None
    return found


def _read(problem: BalanceProblem, k: int, j: int, value: float, sd: float) -> BalanceProblem:
    grade, grade_sd = problem.grade.copy(), problem.grade_sd.copy()
    grade[k, j], grade_sd[k, j] = value, sd
    return replace(problem, grade=grade, grade_sd=grade_sd)


def test_a_reading_is_told_as_if_every_other_had_been_tried(leach: TimedLeach) -> None:
    """Value and sd are those of the least objective, and of its rise by 1 on both sides."""
    problem, told = leach.covariance.problem, LeachEvidence(leach)
    place = leach.model.positions.readings["sample at 48 h", "Au in solution"]
    k, j = place
    assert k is not None
    read = float(problem.grade[k, j])
    left_out = _read(problem, k, j, np.nan, np.nan)
    said = told(left_out, solve(left_out))
    value, sd = said.readings[place]

    def objective(at: float) -> float:
        tried = _read(problem, k, j, at, 1e-4 * read)
        solution = solve(tried)
        return solution.objective + told(tried, solution).distance

    ends = [objective(value + by * sd) for by in (-1.0, 0.0, 1.0)]
    assert ends[0] - ends[1] == pytest.approx(1.0, abs=0.35)
    assert ends[2] - ends[1] == pytest.approx(1.0, abs=0.35)
    # mistyped: 2.142 was written as 2.412
    assert value / read * 2.412 == pytest.approx(2.142, abs=3.0 * sd / read * 2.412)
    assert solve(left_out).objective + said.distance == pytest.approx(ends[1], abs=0.2)
