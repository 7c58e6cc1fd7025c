"""Sound surveys of mills, flotation and leaching against IPOPT on the amounts that a plant has.

IPOPT starts from the true plant (nightly from further points too); where ours differs it starts
from ours as well. It knows nothing of our arrays: `natural_problem` writes the survey anew.
ORETALLY_NIGHTLY=1 runs 1,000 seeds in place of 6, some two hours.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced
from natural_optimiser import CLOSED, Program, best_of, first_amounts
from natural_problem import Natural
from often import NIGHTLY
from sound_surveys import smallest_mill, sound_survey
from sound_tasks import amounts_of, from_ours
from study_sound import Outcome, confirmed, examined, table

from oretally.flowsheet import balance_problem
from oretally.recon.numerics import one_thread
from oretally.recon.solution import certify
from oretally.recon.solver import solve

SEEDS, STARTS = (range(1000), 6) if NIGHTLY else (range(0, 12, 2), 1)
GOOD = ("agree", "better", "local")  # verdicts on what has converged
OPEN = ("not converged", "runaway")  # and said so
UNKNOWN = "no judge"  # IPOPT found nothing that balances


def test_smallest_mill() -> None:
    """6.824256 by two independent solvers (`smallest_mill`); the fresh feed by hand.

    Fresh feed and overflow are one flow, read as 24.3 and 23.1 t/h, 3 % each. What the stacks add
    does not touch it: +- 3 %/sqrt(2) of their weighted mean, and not the 0.28 % that a propagation
    told which took a flow at its bound for known.
    """
    made = smallest_mill()
    found = solve(balance_problem(made.circuit, made.survey))
    assert found.converged
    assert found.objective == pytest.approx(6.824256, abs=1e-6)
    balance = only_balanced(made.circuit, made.survey, feed="fresh feed")
    assert balance.converged
    assert balance.objective == pytest.approx(6.824256, abs=1e-6)
    w = np.array([0.03 * 24.3, 0.03 * 23.1]) ** -2.0
    for stream in ("fresh feed", "overflow"):
        flow = balance.value(stream, "dry rate")
        assert flow.adjusted == pytest.approx(w @ [24.3, 23.1] / w.sum(), rel=1e-8)
        assert flow.adjusted is not None and flow.adjusted_sd is not None
        assert flow.adjusted_sd == pytest.approx(w.sum() ** -0.5, rel=1e-6)
        assert flow.adjusted_sd / flow.adjusted == pytest.approx(0.0212, abs=1e-4)


def test_smallest_mill_against_ipopt() -> None:
    pytest.importorskip("casadi")
    made = smallest_mill()
    natural = Natural(made.circuit, made.survey)
    guess = natural.guess()
    program = Program(natural, guess)
    assert best_of(program, [guess]).objective == pytest.approx(6.824256, abs=1e-6)
    ours = amounts_of(made, solve(balance_problem(made.circuit, made.survey)), natural)
    assert program.objective(ours) == pytest.approx(6.824256, abs=1e-6)


@pytest.mark.xfail(strict=True, reason="no derivative shows the way down: see the docstring")
def test_a_loss_that_pays_with_another_recycle() -> None:
    """1.0872938 by IPOPT, from the true plant and from our balance, where there is no loss: 2.0043.

    Without a loss nothing determines the Pb that cleaner tails bring back; whether a loss pays at
    first depends on it. Where the search rests it does not; with more Pb it does.
    """
    made = sound_survey(166)
    found = solve(balance_problem(made.circuit, made.survey))
    assert found.max_imbalance < 1e-10
    assert not found.converged or found.objective < 1.0872938 + 1e-6


def _outcome(seed: int) -> Outcome:
    """Solve the survey of a seed both ways; what is said to have converged is held to it."""
    made = sound_survey(seed)
    problem = balance_problem(made.circuit, made.survey)
    began = time.process_time()
    found = solve(problem)
    ours: dict[str, Any] = {
        "objective": found.objective, "converged": found.converged, "status": str(found.status),
        "seconds": time.process_time() - began,
    }  # fmt: skip
    natural = Natural(made.circuit, made.survey)
    truth = natural.from_truth(made.amounts)
    program = Program(natural, truth)
    if found.converged:
        certificate = certify(problem, found.flow, found.grade)
        assert certificate.holds, (seed, certificate)
        assert found.max_imbalance < 1e-10, (seed, found.max_imbalance)
        amounts = amounts_of(made, found, natural)
        ours |= {"again": program.objective(amounts), "open": natural.imbalance(amounts)}
    base = [truth, natural.guess()] if STARTS > 1 else [truth]
    best = best_of(program, first_amounts(natural, base, STARTS))
    judge = {"objective": best.objective, "feasible": best.feasible, "status": best.status}
    outcome = examined(made, ours, judge, np.inf)
    if outcome.verdict in ("FALSE", "apart", "no judge") and ours.get("open", np.inf) < CLOSED:
        outcome = confirmed(outcome, from_ours(seed, 0))
    return outcome


def test_against_ipopt() -> None:
    """Not above IPOPT by more than 1e-6 (1 + objective), unless IPOPT too stays where we are.

    What is lower counts as proven where the amounts balance to 1e-8 of what passes and the program
    of IPOPT has the same objective there. All certificates hold, 95 % converge (of 6: all but one).
    """
    pytest.importorskip("casadi")
    with one_thread():
        found = [_outcome(seed) for seed in SEEDS]
    print(table(found), *(o.line for o in found if o.verdict != "agree"), sep="\n")
    assert not [o.line for o in found if o.verdict not in (*GOOD, *OPEN, UNKNOWN)]
    assert np.mean([o.verdict == UNKNOWN for o in found]) <= 0.01
    assert np.mean([o.verdict in GOOD for o in found]) >= (0.95 if NIGHTLY else 0.8)
