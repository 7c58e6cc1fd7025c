"""Answers that hang on a grade at its bound: one ± everywhere, and what it comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from balance_cases import only_balanced

from oretally.flowsheet import BalanceModel, Circuit, Measurement, Survey
from oretally.recon.answers import Answers
from oretally.recon.answers.named_answers import RECOVERY, AnswerName, CaseAnswers
from oretally.recon.signatures import signatures_of
from oretally.recon.solver import propagate, solve

TABLE = Circuit.build({"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})


@pytest.fixture
def survey(make_survey: Callable[..., Survey]) -> Survey:
    """Tails without an assay of tin, which rest on 0; by iron there is more concentrate."""
    return make_survey(
        {"feed": (100.0, 1.0)},
        {
            "Sn": {"feed": (0.9, 0.02), "conc": (30.0, 0.3)},
            "Fe": {"feed": (5.9, 0.11), "conc": (30.0, 0.6), "tails": (5.0, 0.1)},
        },
    )


def test_one_error_everywhere(survey: Survey) -> None:
    """Table, comparison and shares agree; the tails that were not assayed are most of it."""
    model, balance = BalanceModel(TABLE, survey), only_balanced(TABLE, survey)
    covariance = propagate(model.problem, solve(model.problem))
    told = balance.recovery("conc", "Fe")
    held = Answers(model, covariance.held, (0,), (1, 2)).recoveries()
    as_known = next(r for r in held if (r.stream, r.analyte) == ("conc", "Fe"))
    assert told.sd is not None and as_known.sd is not None
    assert told.sd > 3.0 * as_known.sd
    compared = CaseAnswers(model, ("feed",), ("conc", "tails")).read(
        AnswerName(RECOVERY, "Fe", "conc")
    )
    assert compared is not None and 100.0 * compared.sd == pytest.approx(told.sd)
    budget = next(b for b in balance.budgets if (b.stream, b.analyte) == ("conc", "Fe"))
    first = budget.shares[0]
    assert (first.source, first.stream, first.quantity) == ("at its bound", "tails", "Sn")
    assert first.share == pytest.approx(1.0 - (as_known.sd / told.sd) ** 2)
    assert budget.share.sum() == pytest.approx(1.0)
    yields = {s.stream: s.yield_sd for s in balance.separations}
    assert yields["conc"] == pytest.approx(yields["tails"])


def test_the_limit_stays_what_is_told_of_the_grade_itself(survey: Survey) -> None:
    balance = only_balanced(TABLE, survey)
    conc, tails = (balance.recovery(s, "Sn") for s in ("conc", "tails"))
    assert conc.recovery == pytest.approx(100.0) and conc.sd is None
    assert (tails.recovery, tails.sd) == (0.0, None)
    assert conc.at_least is not None and tails.at_most is not None
    assert conc.at_least + tails.at_most == pytest.approx(100.0)
    value = balance.value("tails", "Sn")
    assert (value.adjusted, value.adjusted_sd, value.at_bound) == (0.0, None, True)


def test_checks_take_the_bound_as_known(survey: Survey) -> None:
    """Standardised adjustments are those of the signatures: the estimates stay at the bound."""
    kg = survey.measurements[0].unit
    weighed = Measurement("conc", "dry mass", 3.3, kg, 0.2)
    survey = replace(survey, measurements=(*survey.measurements, weighed))
    model, balance = BalanceModel(TABLE, survey), only_balanced(TABLE, survey)
    assert balance.value("tails", "Sn").at_bound
    found = signatures_of(model.problem, solve(model.problem), 1)
    seen = 0
    for i, place in enumerate(found.readings):
        value = balance.value(*model.positions.named[place])
        if value.standardised is not None:
            assert -value.standardised == pytest.approx(found.statistic[i], rel=1e-6)
            assert value.redundancy == pytest.approx(found.redundancy[i], rel=1e-6)
            seen += 1
    assert seen >= 3 and np.isfinite(found.statistic).all()
