"""Published checks of gross-error tests: nodal and likelihood-ratio tests, reliability, Grubbs."""

from __future__ import annotations

import csv
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from published import REFERENCE
from scipy.stats import ncx2, t

from oretally.flowsheet import BalanceProblem, Circuit, Survey, balance_problem
from oretally.recon import reconcile
from oretally.recon.propagation import detectable_error
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import Signatures, equivalent_sets, signatures_of
from oretally.recon.solver import solve

Reference = Callable[[str], dict[str, Any]]
MakeSurvey = Callable[..., Survey]
Linear = Callable[..., BalanceProblem]


def _exchanger(reference: Reference, make_survey: MakeSurvey) -> tuple[Circuit, Survey]:
    data = reference("linear_heat_exchanger_bypass")["inputs"]
    ends = {"ENV": None}
    circuit = Circuit.build(
        {
            s["name"]: (ends.get(s["source"], s["source"]), ends.get(s["sink"], s["sink"]))
            for s in data["streams"]
        }
    )
    measured = data["gross_error_case"]["measured"]
    flows = {name: (v, 1.0) for name, v in zip(circuit.stream_names, measured, strict=True)}
    return circuit, make_survey(flows)


def test_likelihood_ratio_of_biases_and_losses(
    reference: Reference, make_survey: MakeSurvey
) -> None:
    """Narasimhan and Jordache (2000), ch. 7, heat exchanger with bypass (values recomputed)."""
    circuit, survey = _exchanger(reference, make_survey)
    problem = balance_problem(circuit, survey)
    signatures = signatures_of(problem, solve(problem))
    own = reference("linear_heat_exchanger_bypass")["recomputed"]["gross_error_case"]
    n = len(signatures.readings)
    squares = signatures.statistic**2
    assert squares[:n] == pytest.approx(own["glr_measurement"], abs=5e-6)
    by_name = dict(zip((circuit.nodes[i].name for i in signatures.nodes), squares[n:], strict=True))
    order = ["split", "exchanger", "bypass", "mix"]
    assert [by_name[name] for name in order] == pytest.approx(own["glr_node_leak"], abs=5e-5)
    assert signatures.r[1] / signatures.P[1, 1] == pytest.approx(
        own["estimated_bias_stream2"], abs=1e-6
    )


def test_textbook_conclusion_needs_measurements_only(
    reference: Reference, make_survey: MakeSurvey
) -> None:
    """Stream 2 is named if only measurements may be wrong; a loss at its node explains more."""
    circuit, survey = _exchanger(reference, make_survey)
    alone = reconcile(circuit, survey, rates=ErrorRates(loss=0.0)).suspects
    assert [str(p) for p in alone[0].group] == ["dry mass of 'S2'"]
    # with losses as likely as errors, the largest likelihood ratio wins
    both = reconcile(circuit, survey, rates=ErrorRates(loss=0.03)).suspects
    assert [str(p) for p in both[0].group] == ["an unmeasured loss at 'exchanger'"]
    assert both[0].estimated_error == pytest.approx(3.64, abs=1e-9)


def test_non_centrality(reference: Reference) -> None:
    """Baarda (1968), Teunissen: lambda0 17.075, delta0 4.13 at alpha 0.001, power 0.80."""
    printed = reference("mdb_noncentrality")["published"]
    delta = detectable_error(1.0, 1.0, alpha=0.001, power=0.80)
    assert delta is not None
    assert delta == pytest.approx(printed["delta0"], abs=5e-3)
    assert delta**2 == pytest.approx(printed["lambda0"], abs=5e-4)
    # the same from the noncentral chi-square of one degree of freedom; its limit is printed as
    # 3.29, which is good for 1e-3 in the power
    critical = printed["critical_w"] ** 2
    assert ncx2.sf(critical, 1, delta**2) == pytest.approx(0.80, abs=1e-3)


def test_redundancy_numbers_of_a_levelling_net(
    reference: Reference, linear_problem: Linear
) -> None:
    """Ghilani and Wolf, Adjustment Computations, ch. 12: six lines, three heights unknown."""
    data = reference("levelling_six_lines")
    lines, datum = data["inputs"]["lines"], data["inputs"]["fixed"]["A"]
    heights, n = ["B", "C", "D"], len(lines)
    A, b = np.zeros((n, n + 3)), np.zeros(n)
    for i, (start, end, _, _) in enumerate(lines):
        A[i, i] = 1.0
        for place, sign in ((end, -1.0), (start, 1.0)):
            if place == "A":
                b[i] -= sign * datum
            else:
                A[i, n + heights.index(place)] += sign
    flow = np.r_[[line[2] for line in lines], [np.nan] * 3]
    sd = np.r_[[line[3] for line in lines], [np.nan] * 3]
    problem = linear_problem(A, b, flow, sd)
    signatures = signatures_of(problem, solve(problem))
    redundancy = signatures.redundancy[: len(signatures.readings)]
    assert redundancy == pytest.approx(data["recomputed"]["redundancy_numbers"], abs=1e-6)
    assert redundancy.sum() == pytest.approx(3.0, abs=1e-9)


def _replicates(linear_problem: Linear, values: np.ndarray[Any, Any]) -> Signatures:
    """Return the traces of n readings of one quantity: n flows, all equal."""
    n = len(values)
    A = np.hstack([np.eye(n), -np.ones((n, 1))])
    problem = linear_problem(A, np.zeros(n), np.r_[values, np.nan], np.r_[np.ones(n), np.nan])
    return signatures_of(problem, solve(problem))


def _grubbs() -> list[tuple[int, float]]:
    rows = (REFERENCE / "grubbs_critical.csv").read_text("utf-8").splitlines()
    table = csv.DictReader(line for line in rows if not line.startswith("#"))
    # n = 7 is misprinted there, as the file's note says
    return [(int(r["n"]), float(r["printed_alpha_0.05"])) for r in table if r["n"] != "7"]


@pytest.mark.parametrize(("n", "printed"), _grubbs())
def test_grubbs_is_the_largest_statistic_of_replicates(
    n: int, printed: float, linear_problem: Linear
) -> None:
    """Critical values of an open analytical-chemistry textbook, one outlier, alpha 0.05.

    With z the largest statistic of n readings and S the objective, Grubbs' G is
    (n - 1) / sqrt(n) |z| / sqrt(S): for unknown sd, the measurement test. At the critical value
    the studentised form of z has the tail alpha / n, two-sided.
    """
    values = np.random.default_rng(n).standard_normal(n)
    values[0] += 5.0
    signatures = _replicates(linear_problem, values)
    z = signatures.statistic[:n]
    S = float(((values - values.mean()) ** 2).sum())
    G = (n - 1) / n**0.5 * np.abs(z) / S**0.5
    assert G == pytest.approx(np.abs(values - values.mean()) / values.std(ddof=1), rel=1e-9)
    student = float(t.isf(0.05 / (2 * n), n - 2))
    critical = (n - 1) / n**0.5 * (student**2 / (n - 2 + student**2)) ** 0.5
    # the third decimals printed for n = 3, 8 and 15 are one unit off the formula
    assert critical == pytest.approx(printed, abs=1.5e-3)


def test_two_readings_cannot_be_told_apart(linear_problem: Linear) -> None:
    """Of two readings of one quantity nothing says which is wrong; of three it does."""

    def groups(*values: float) -> list[list[int]]:
        found = equivalent_sets(_replicates(linear_problem, np.array(values))).members
        return [m[m < len(values)].tolist() for m in found]

    assert groups(1.0, 9.0) == [[0, 1]]
    assert groups(1.0, 9.0, 1.1) == [[0], [1], [2]]
