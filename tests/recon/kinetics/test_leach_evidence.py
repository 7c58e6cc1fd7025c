"""What the course of a leach says of a reading that is left out, against balancing with others."""

from __future__ import annotations

from collections.abc import Sequence
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


def test_two_readings_that_only_their_sum_is_known_of_go_together(leach: TimedLeach) -> None:
    """What one has too much the other has too little: as one moves by its sd, so does the other."""
    problem, told = leach.covariance.problem, LeachEvidence(leach)
    places = [leach.model.positions.readings[stream, "water"]
              for stream in ("sample at 4 h", "sample at 24 h")]  # fmt: skip
    carriers = [j for _, j in places]
    # the volume that nobody wrote down, so that the balance of the water says what is lost
    forgotten = leach.model.positions.readings["sample at 8 h", "Au in solution"].carrier

    def with_volumes(values: Sequence[float], sd: float) -> BalanceProblem:
        flow, flow_sd = problem.flow.copy(), problem.flow_sd.copy()
        flow[forgotten], flow_sd[forgotten] = 0.050, 0.0005
        flow[carriers], flow_sd[carriers] = values, sd
        return replace(problem, flow=flow, flow_sd=flow_sd)

    left_out = with_volumes([np.nan, np.nan], np.nan)
    said = told(left_out, solve(left_out))
    (a, sd), (b, other) = (said.readings[place] for place in places)
    together = said.together[places[0], places[1]]
    assert said.together[places[1], places[0]] == pytest.approx(together, rel=1e-3)
    assert -1.0 < together / (sd * other) < -0.9
    sum_sd = np.sqrt(sd**2 + other**2 + 2.0 * together)
    known = problem.flow_sd[np.isfinite(problem.flow_sd)]
    assert sum_sd < 1.1 * np.sqrt(np.square(known).sum())  # as the balance of the water has it

    def objective(*values: float) -> float:
        tried = with_volumes(values, 1e-6)
        solution = solve(tried)
        return solution.objective + told(tried, solution).distance

    one, by = 0.05, 2.0 * sum_sd  # where both are more than nothing
    rest = a + b - one
    least = objective(one, rest)
    assert objective(one + by, rest + by * together / sd**2) - least == pytest.approx(0.0, abs=0.5)
    assert objective(one + by, rest) - least == pytest.approx(4.0, abs=1.0)
    assert objective(one, rest - by) - least == pytest.approx(4.0, abs=1.0)
