"""Answers whose ± is a rough guide are named without being asked; a sound survey is not."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from balance_cases import only_balanced

from oretally.flowsheet import Circuit, Survey, balance_problem, positions
from oretally.io.case import read_case
from oretally.io.results import ALL, html_report, summary, to_json
from oretally.io.results.pdf_pages import pages
from oretally.io.wording import notes_of
from oretally.recon import Balance
from oretally.recon.draws import doubtful_answers
from oretally.recon.solver import solve

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
Make = Callable[..., Survey]


def _example(name: str) -> Balance:
    case = read_case(EXAMPLES / name)
    return only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)


@pytest.mark.parametrize("name", ["tin_table", "filter_cakes", "grind_fine", "leach_test"])
def test_sound_survey_is_told_in_silence(name: str) -> None:
    balance = _example(name)
    assert balance.doubtful == ()
    assert "--draws" not in summary(balance, parts=(ALL,))


def test_poor_contrast_is_said_once(two_products: Circuit, make_survey: Make) -> None:
    """Recovery 5 +- 15 %, ratio of concentration 30 +- 84: no word of it was a complaint."""
    survey = make_survey(
        {"feed": (100.0, 1.0)},
        {"Sn": {"feed": (1.02, 0.041), "conc": (1.60, 0.064), "tails": (1.00, 0.040)}},
    )
    balance = only_balanced(two_products, survey)
    assert set(balance.doubtful) == {
        "recovery of Sn to 'conc'", "recovery of Sn to 'tails'",
        "yield and ratio of concentration of 'conc'", "yield and ratio of concentration of 'tails'",
    }  # fmt: skip
    assert all(name.startswith("recovery") for name in balance.doubtful[:2])
    told = [note for note in notes_of(balance) if "--draws" in note]
    assert len(told) == 1
    assert " and 1 more are rough guides only" in told[0]
    assert told[0].endswith("oretally balance CASE --draws 2000")
    document = json.loads(to_json(balance))
    assert told[0] in document["notes"] and document["doubtful"] == list(balance.doubtful)
    for text in (
        summary(balance, parts=(ALL,)),
        html_report(balance),
        json.dumps(pages(balance, (), None)),
    ):
        assert "oretally balance CASE --draws 2000" in " ".join(text.split())
    # nothing is to be typed by who has done it
    assert not [note for note in notes_of(balance, simulated=True) if "--draws" in note]


def test_recovery_that_rests_on_a_bound(two_products: Circuit, make_survey: Make) -> None:
    """Tailings richer than the feed: no concentrate fits best, a recovery of 0 without ±."""
    survey = make_survey(
        {"feed": (100.0, 1.0)},
        {"Sn": {"feed": (1.00, 0.03), "conc": (1.60, 0.06), "tails": (1.03, 0.03)}},
    )
    balance = only_balanced(two_products, survey)
    assert balance.recovery("conc", "Sn").recovery == pytest.approx(0.0, abs=1e-9)
    assert "recovery of Sn to 'conc'" in balance.doubtful


def test_product_that_was_read_as_nothing(make_survey: Make) -> None:
    """A spill that was looked for and not found is no doubt."""
    circuit = Circuit.build(
        {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None),
         "spill": ("table", None)}
    )  # fmt: skip
    survey = make_survey(
        {"feed": (25.0, 0.02), "conc": (0.5, 0.005), "tails": (24.52, 0.02), "spill": (0.0, 0.001)},
        {"Sn": {"feed": (0.8, 0.02), "conc": (30.0, 0.3), "tails": (0.2, 0.005)}},
    )
    assert only_balanced(circuit, survey).doubtful == ()


def test_near_the_whole_and_large(two_products: Circuit, make_survey: Make) -> None:
    """98.7 +- 0.9 % is nearer than 2 sd to 100 %; 1.3 +- 0.9 % has more than a fifth."""
    survey = make_survey(
        {"feed": (100.0, 0.1), "conc": (10.0, 0.05)},
        {"Sn": {"feed": (2.0, 0.1), "tails": (0.03, 0.02)}},
    )
    balance = only_balanced(two_products, survey)
    r = balance.recovery("conc", "Sn")
    assert r.recovery is not None and r.sd is not None and 100.0 - r.recovery < 2.0 * r.sd
    assert set(balance.doubtful) == {"recovery of Sn to 'conc'", "recovery of Sn to 'tails'"}
    # an unmeasured grade with a large error is named, a measured one has the error that was stated
    conc = balance.value("conc", "Sn")
    assert conc.adjusted_sd is not None and conc.adjusted is not None
    assert conc.adjusted_sd < 0.2 * conc.adjusted


def test_extraction_near_the_whole() -> None:
    case = read_case(EXAMPLES / "leach_test")
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
    places = positions(case.circuit, case.survey)
    solution = solve(balance_problem(case.circuit, case.survey))
    assert doubtful_answers(balance, places, solution) == ()
    high = replace(balance.extractions[0], reconciled=99.4, reconciled_sd=0.4)
    found = doubtful_answers(replace(balance, extractions=(high,)), places, solution)
    assert found == ("extraction of Au at 'vat'",)
