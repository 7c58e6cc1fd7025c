"""The work of saying which number is wrong is bounded: balances are counted, not timed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from random_circuits import RandomCircuit

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    Measurement,
    SharedSource,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.io import read_case
from oretally.io.wording import search_sentence
from oretally.recon import reconcile
from oretally.recon.gross_errors import findings
from oretally.recon.gross_errors.search import diagnose
from oretally.recon.natural import solve_general
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import PossibleSlips
from oretally.recon.solution import Solution
from oretally.recon.solver import WORK, Refits, Refitter, Work, solve, without_readings

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


class Counted(Refitter):
    """Counts what it is asked to balance."""

    asked = 0

    def with_care(
        self, asked: Refits, side_by_side: Mapping[int, Solution]
    ) -> dict[int, Solution | None]:
        """Count."""
        Counted.asked += len(asked.variants)
        return super().with_care(asked, side_by_side)


def _diagnosed(work: Work, wrong: int) -> tuple[int, int, int, int]:
    """Return what was asked to be balanced, tried, untried; how many flows and grades.

    No stream of this survey comes to a standstill, so that all can be balanced side by side.
    """
    circuit = RandomCircuit(14, n_nodes=5, n_analytes=3)
    survey = circuit.survey(wrong=wrong)
    problem = balance_problem(circuit.circuit, survey)
    solution, rates = solve(problem), ErrorRates().in_survey(len(survey.measurements))
    rate = rates.measurement
    slips = PossibleSlips(survey, positions(circuit.circuit, survey), lambda _: rate, rate)
    Counted.asked = 0
    found = diagnose(
        problem, solution, slips, rates=rates, n_nodes=len(circuit.circuit.nodes),
        refitter=Counted(problem, solution, work=work),
    )  # fmt: skip
    return Counted.asked, found.tried, found.untried, problem.flow.size + problem.grade.size


@pytest.mark.parametrize("units", [0, 3_000, 10_000])
def test_no_more_is_balanced_again_than_the_work_allows(units: int) -> None:
    """Each costs as many units as the survey has flows and grades, at least."""
    asked, tried, untried, numbers = _diagnosed(replace(WORK, units=units), 2)
    assert tried <= asked <= units // numbers
    assert untried > 0
    assert (asked > 0) == (units > 0)


def test_the_less_work_the_more_is_left_out() -> None:
    """With the work as stated nothing is."""
    asked, tried, untried, _ = _diagnosed(WORK, 1)
    _, few, more, _ = _diagnosed(replace(WORK, units=0), 1)
    assert 0 < tried <= asked <= 2 * WORK.most_together
    assert few == 0
    assert 0 == untried < more


@pytest.mark.parametrize("measured", [10, 1_000, 5_000, 50_000])
def test_the_larger_the_survey_the_fewer_are_balanced_alone(measured: int) -> None:
    """Down to none, where one takes as long as all that is allowed."""
    assert WORK.alone(measured) <= WORK.most_alone
    assert WORK.alone(measured) * WORK.of_one(measured) <= WORK.units
    assert WORK.alone(60_000) == 0


def test_what_a_balance_by_itself_took_is_counted() -> None:
    """In the general way by its iterations; when the work is done there is no more of it."""
    circuit = RandomCircuit(3, n_nodes=2, n_analytes=1)
    problem = circuit.problem()
    signed = replace(problem, flow_lower=np.where(np.arange(problem.n_carriers) > 0, -np.inf, 0.0))
    far = replace(signed, flow=np.where(np.isfinite(signed.flow), 30.0, np.nan))
    solution = solve_general(far)
    assert solution.general_iterations == solution.iterations > 0
    refitter = Refitter(far, solution, work=Work(units=1))
    found = refitter.by_itself(far, None)
    assert found is not None
    measured = int(np.isfinite(far.flow).sum() + np.isfinite(far.grade).sum())
    assert (
        refitter.spent == WORK.of_one(measured, found.general_iterations) >= WORK.of_one(measured)
    )
    assert refitter.by_itself(far, None) is None
    assert refitter.afresh().by_itself(far, None) is not None


@pytest.mark.parametrize("shared", [0.02, 0.05])
def test_a_scale_whose_error_would_be_all_that_was_weighed(shared: float) -> None:
    """Three masses that do not close: no scale is off by all it reads, one mass is wrong."""
    weighed = {"feed": 25.4, "conc": 0.41, "tails": 26.35}
    kg = parse_unit("kg")
    survey = Survey(
        Basis.BATCH, kg, (Analyte("Sn", parse_unit("%")),),
        tuple(Measurement(s, "dry mass", m, kg, float(np.hypot(0.01, shared)) * m)
            for s, m in weighed.items())
        + (Measurement("feed", "Sn", 0.54, parse_unit("%"), 0.02),
           Measurement("conc", "Sn", 30.0, parse_unit("%"), 1.0)),
        "Invented: a jig",
        shared=(SharedSource("scale", "dry mass", {s: shared * m for s, m in weighed.items()}),),
    )  # fmt: skip
    circuit = Circuit.build({"feed": (None, "jig"), "conc": ("jig", None), "tails": ("jig", None)})
    model = BalanceModel(circuit, survey)
    free = without_readings(model.problem, list(model.positions.sources))
    alone = solve(free, near=solve(model.problem).flow)
    assert alone.objective == pytest.approx(0.0, abs=1e-9)
    assert not alone.flow[:3].any()  # what is left free takes all
    assert alone.general_iterations <= 300  # and no other first flows are tried: nothing is lower
    found = reconcile(circuit, survey).gross_errors
    of_scale = max(p for place, p in found.probabilities if place.kind == "source")
    assert of_scale < 0.02
    assert found.suspects[0].group[0].quantity == "dry mass"


def test_what_was_left_out_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """In one sentence; with all the work that it takes there is none."""
    case = read_case(EXAMPLES / "wrong_assay")
    whole = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert "linear propagation" not in search_sentence(whole)
    monkeypatch.setattr(findings, "WORK", Work(units=0))
    short = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    found = short.gross_errors
    assert (found.tried, found.untried > 0) == (0, True)
    assert f"{found.untried} explanations may be likely: none was" in search_sentence(short)
    some = replace(short, gross_errors=replace(found, tried=3, untried=4))
    assert "Of 7 explanations that may be likely 3 were balanced again, " in search_sentence(some)


def test_an_assay_far_wrong_in_a_pulp(tmp_path: Path) -> None:
    """With water balanced beside it the same number is named: the balance is not led astray."""
    for file in (EXAMPLES / "wrong_assay").iterdir():
        text = file.read_text(encoding="utf-8")
        (tmp_path / file.name).write_text(
            text.replace('basis = "rate"', 'basis = "rate"\nwater = true'), encoding="utf-8"
        )
    case = read_case(tmp_path)
    dry = read_case(EXAMPLES / "wrong_assay")
    one = solve(balance_problem(case.circuit, case.survey))
    assert one.converged
    assert one.objective == pytest.approx(
        solve(balance_problem(dry.circuit, dry.survey)).objective, rel=1e-6
    )
