"""A test over time as people read it: first screen, section, page, picture, workbook, JSON."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import jsonschema
import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced
from example_balances import example_balance
from timed_tests import drawn_test, timed_circuit

from oretally.io.pictures import timed_svg
from oretally.io.results import html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.timed import by_the_end, course_verdict, rate_sentences
from oretally.recon.result import Balance, TimedProducts


def _timed(balance: Balance) -> TimedProducts:
    assert balance.timed is not None
    return balance.timed


def test_sentences_of_the_example() -> None:
    assert by_the_end(example_balance("flotation_times")) == (
        "Recovered by 12 min: 92.47 ± 0.21 % of the Cu and 79.53 ± 0.87 % of the Au, in 14.355 ± "
        "0.026 % of the mass."
    )
    assert rate_sentences(example_balance("flotation_times")) == (
        "Cu: plateau 92.46 ± 0.21 %, rate 0.8514 ± 0.0038 per min (first order).",
        "Au: plateau 79.49 ± 0.87 %, rate 0.6120 ± 0.0057 per min (first order).",
    )
    assert course_verdict(example_balance("flotation_times")) == ()


def test_section_in_the_terminal() -> None:
    shown = summary(example_balance("flotation_times"), parts=("kinetics",))
    for words in ("Over time", "Recovered by each time", "Grade of all products up to each time",
                  "Rates and plateaus", "Which curve holds", "Selectivity by each time",
                  "rectangular distribution of rates", "AICc"):  # fmt: skip
        assert words in shown
    assert "kinetics" in summary(example_balance("flotation_times"))
    assert "Over time" not in summary(example_balance("flotation_times"))


def test_slip_leads_the_first_screen() -> None:
    survey = drawn_test(np.random.default_rng(5), slip=("conc 3", "Cu", 1.6), analytes=["Cu"])
    balance = only_balanced(timed_circuit(), survey)
    first, *_ = course_verdict(balance)
    assert first.startswith("Cu of 'conc 3' does not fit the course of the test: it reads ")
    assert f"Check one number first: {first}" in " ".join(summary(balance).split())
    assert "No curve holds" in rate_sentences(balance)[0]


def test_picture() -> None:
    """The same bytes every time; a curve that does not hold is dashed, none is drawn further."""
    timed = _timed(example_balance("flotation_times"))
    drawn = timed_svg(timed)
    assert drawn == timed_svg(timed) and drawn.count("<polyline") == 2
    assert "stroke-dasharray" not in drawn
    assert "Cu: 0.5 min 32.7 %" in drawn
    assert timed.quantities[1].best is not None
    assert timed.quantities[1].best.drawn[-1][0] == timed.times[-1]
    assert timed_svg(replace(timed, quantities=timed.quantities[:1])) == ""
    page = html_report(example_balance("flotation_times"))
    assert drawn in page and "drawn to the last time and no further" in page


def test_workbook_and_json() -> None:
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(example_balance("flotation_times"))))
    cells = [c.value for row in book["over time"].iter_rows() for c in row]
    for words in ("By each time, all products up to it together", "Curves, the preferred first",
                  "Selectivity (Gaudin's index)", "plateau", "1/min"):  # fmt: skip
        assert words in cells
    document = json.loads(to_json(example_balance("flotation_times")))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["timed"]["times"] == [0.5, 1.0, 2.0, 4.0, 8.0, 12.0]
    assert document["circuit"]["streams"][1]["time"] == {"value": 0.5, "unit": "min"}
    best = document["timed"]["quantities"][1]["curves"][0]
    assert best["curve"] == "first order with a plateau" and "drawn" not in best
    assert best["parameters"][0]["value"] == pytest.approx(92.46, abs=0.01)


def test_without_times_nothing_is_said() -> None:
    balance = example_balance("tin_table")
    document = json.loads(to_json(balance))
    assert "timed" not in document
    assert all("time" not in s for s in document["circuit"]["streams"])
    assert by_the_end(balance) == "" and rate_sentences(balance) == ()
