"""`oretally plan`: what it prints, writes and refuses; each message by its whole text."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced
from rougher_line import LINE

from oretally.flowsheet import Fault, InputError
from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.commands.plan import planned
from oretally.io.plan import read_answers, read_plan_case

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"

# an invented test of an invented ore
CIRCUIT = """
title = "Lead ore, jig test 2"
basis = "batch"
[streams]
"ore" = { to = "jig" }
"lead conc" = { from = "jig" }
"jig tails" = { from = "jig" }
[analytes]
Pb = { unit = "%", max = 86.6 }
Ag = { unit = "g/t" }
[errors]
"dry mass" = { relative = 0.5 }
Pb = { relative = 3 }
Ag = { relative = 6 }
[sources]
"sampling" = { of = "Pb", streams = "jig tails", sampling = { top = "2 mm", liberation = "0.1 mm", mass = "1 kg", "mineral density" = "7.5 kg/L", "gangue density" = "2.7 kg/L" } }
"batch" = { of = "Ag", relative = 2, shared = true }
"""  # noqa: E501
EXPECTED = """stream,dry mass [kg],Pb [%],Ag [g/t]
ore,50,5.0,60
lead conc,3,60,500
jig tails,,1.49,
"""
PRICES = """quantity,stream,price [EUR],minimum charge [EUR],most
dry mass,,12,,2
Pb,,22,120,3
Ag,,30,90,3
Ag,jig tails,-,,
sample,,8,,
"""
FILES = {"circuit.toml": CIRCUIT, "expected.csv": EXPECTED, "prices.csv": PRICES}


def case(folder: Path, **changed: str | None) -> Path:
    """Write the case with some files changed, or left out; 'expected' is expected.csv."""
    made = folder / "jig"
    made.mkdir()
    names = {name.split(".")[0]: name for name in (*FILES, "measurements.csv")}
    for name, text in (FILES | {names[k]: v for k, v in changed.items()}).items():
        if text is not None:
            (made / name).write_text(text, "utf-8")
    return made


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stop:
        main(["plan", *arguments])
    return int(stop.value.code or 0)


# ---- what it prints


def test_a_plan_before_any_measurement(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """From expected values and prices: nothing else is on standard output, and costs add up."""
    made = case(tmp_path)
    before = {p.name: p.read_bytes() for p in made.iterdir()}
    out = tmp_path / "plan.json"
    assert run(str(made), "--budget", "400", "--json", str(out)) == 0
    text, errors = capfd.readouterr()
    assert errors == f"written: {out}\n"
    lines = text.splitlines()
    assert lines[0] == "Plan of measurements for 'Lead ore, jig test 2'"
    assert lines[1] == "today        Nothing is measured."
    assert "  A  recovery of Pb to lead conc  71.99  %         –" in text
    assert "The best plan within 400 EUR" in lines
    assert "- Nothing is measured yet: the plan works from the values of expected.csv." in lines
    assert "Pb of 'jig tails': stage 1 (1 kg at 2 mm) leaves" in text
    assert all(len(line) <= 100 for line in lines)
    found = json.loads(out.read_text("utf-8"))
    best = found["best"]
    times: dict[str, int] = {}
    for r in best["readings"]:
        times[r["quantity"]] = times.get(r["quantity"], 0) + r["times"]
        assert (r["stream"], r["quantity"]) != ("jig tails", "Ag")  # not to be had
        assert r["times"] <= (2 if r["quantity"] == "dry mass" else 3)
    sampled = {r["stream"] for r in best["readings"] if r["quantity"] != "dry mass"}
    cost = 12 * times.get("dry mass", 0) + max(22 * times["Pb"], 120) + max(30 * times["Ag"], 90)
    assert best["cost"] == pytest.approx(cost + 8 * len(sampled))
    assert best["cost"] <= 400 and best["gap"] == 0.0
    assert found["today"] is None and found["budget"] == 400.0
    for one, other in zip(found["curve"], found["curve"][1:], strict=False):
        assert one["budget"] < other["budget"]
        worse = sum((b / a) ** 2 for a, b in zip(one["sds"], other["sds"], strict=True))
        assert worse <= len(one["sds"]) * (1.0 + 1e-6)
    assert {p.name: p.read_bytes() for p in made.iterdir()} == before


def test_json_on_standard_output_is_json_alone(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    made = case(tmp_path)
    asked = ("--for", "recovery of pb to Lead conc", "--for", "yield of lead conc",
             "--for", "Ag of jig tails")  # fmt: skip
    assert run(str(made), *asked, "--budget", "300", "--json", "-") == 0
    found = json.loads(capfd.readouterr().out)
    names = [(a["name"], a["unit"]) for a in found["answers"]]
    assert names == [("recovery of Pb to lead conc", "%"), ("mass pull to lead conc", "%"),
                     ("grade of Ag in jig tails", "g/t")]  # fmt: skip
    assert found["answers"][1]["value"] == pytest.approx(6.0, abs=0.01)
    assert found["answers"][2]["value"] == pytest.approx((50 * 60 - 3 * 500) / 47, rel=1e-4)
    assert all(sd > 0.0 for sd in found["best"]["sds"])


@pytest.mark.parametrize(
    "spellings",
    [
        ("recovery of Pb to lead conc", "pb recovery to Lead conc", "recovery of Pb in lead conc"),
        ("mass pull to lead conc", "mass pull of lead conc", "yield of lead conc"),
        ("grade of Pb in lead conc", "Pb of lead conc", "Pb in lead conc", "Pb grade in lead conc"),
        ("dry mass of lead conc", "dry mass in 'lead conc'"),
    ],
)
def test_one_answer_by_all_its_names(
    spellings: tuple[str, ...], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Each spelling is the same answer, shown under one name."""
    found = read_plan_case(case(tmp_path), None, None)
    names = set()
    for text in spellings:
        faults: list[Fault] = []
        (answer,) = read_answers([text], found, faults)
        assert not faults
        names.add(answer.name)
    assert names == {spellings[0]}


def test_what_is_kept_costs_nothing_and_never_hurts(tmp_path: Path) -> None:
    measured = EXPECTED.replace("jig tails,,1.49,", "jig tails,46.9,1.49,31")
    made = case(
        tmp_path, measurements=measured, prices=PRICES.replace("jig tails,-", "jig tails,30")
    )
    _, found = planned(made, budget="150", keep=True)
    assert found.today is not None and found.best is not None
    assert found.best.cost <= 150.0
    assert all(r.times >= 1 for r in found.best.readings) and len(found.best.readings) == 9
    assert sum(r.new for r in found.best.readings) > 0
    gains = [b / a for a, b in zip(found.today.sds, found.best.sds, strict=True) if a and b]
    assert len(gains) == 4 and np.mean(np.square(gains)) < 1.0
    first = found.more[0]
    assert first.gain is not None and 0.0 < first.gain < 1.0
    # one more lead assay is charged as a batch; the samples are there already
    lead = [m for m in found.more if m.quantity == "Pb"]
    assert all(m.cost == 120.0 for m in lead)


def test_a_budget_too_small_is_told_with_what_would_do(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    made = case(tmp_path)
    assert run(str(made), "--for", "Pb of jig tails", "--budget", "60") == 0
    text = " ".join(capfd.readouterr().out.split())
    # a lead assay costs at least 120 for the batch, and 8 for the sample
    assert (
        "plan No plan within 60 EUR determines every answer. The cheapest found that does costs "
        "128 EUR."
    ) in text


def test_without_prices_readings_are_counted(tmp_path: Path) -> None:
    made = case(tmp_path, prices=None)
    read, found = planned(made, asked=("recovery of Pb to lead conc",), budget="5")
    assert found.best is not None and sum(r.times for r in found.best.readings) == 5
    assert read.notes[-2].startswith("No prices were given: each reading counts 1, and the budget")


def test_replicates_are_readings(tmp_path: Path) -> None:
    """Two rows of a stream are two readings, and their pooled error is that of today."""
    measured = EXPECTED.replace("jig tails,,1.49,", "jig tails,46.9,1.49,31\njig tails,,1.52,")
    made = case(
        tmp_path, measurements=measured, prices=PRICES.replace("jig tails,-", "jig tails,30")
    )
    read, _ = planned(made, asked=("Pb of jig tails",), budget="130")
    tails = next(c for c in read.candidates if (c.stream, c.quantity) == ("jig tails", "Pb"))
    assert tails.today == 2
    assert tails.own == pytest.approx(0.03 * 1.505e-2, rel=1e-3)
    assert tails.stays > 0.0
    silver = next(c for c in read.candidates if c.quantity == "Ag")
    assert list(silver.shared) == [("batch", "Ag")]


# ---- what it refuses

_COLUMNS = (
    "Columns of a table of prices: quantity, stream, method, error, price, minimum charge, most; "
    "the currency stands in brackets, as in price [EUR].\n"
)
_FORMS = (
    "Write 'recovery of ANALYTE to STREAM', 'mass pull to STREAM' (or 'yield of STREAM') or "
    "'QUANTITY of STREAM' (or 'grade of ANALYTE in STREAM'). Here for example 'recovery of Pb to "
    "lead conc'.\n"
)
_ONE = "1 problem in the input:\n\n"

# name: (files changed, options, the whole message; CASE stands for the folder)
BROKEN: dict[str, tuple[dict[str, Any], tuple[str, ...], str]] = {
    "budget is a word": ({}, ("--budget", "plenty"),
        f"{_ONE}option --budget: The budget is 'plenty'; it is a number of at least 0, without a "
        "currency.\nWrite for example --budget 400.\n"),
    "budget below nothing": ({}, ("--budget", "-5"),
        f"{_ONE}option --budget: The budget is '-5'; it is a number of at least 0, without a "
        "currency.\nWrite for example --budget 400.\n"),
    "no answer": ({}, ("--for", "the best"),
        f"{_ONE}option --for \"the best\": 'the best' is no answer of this case.\n{_FORMS}"),
    "misspelt names": ({}, ("--for", "recovery of Pbb to lead con"),
        f"{_ONE}option --for \"recovery of Pbb to lead con\": 'recovery of Pbb to lead con' is no "
        "answer of this case.\nDid you mean 'recovery of Pb to lead conc'?\n"),
    "recovery to the feed": ({}, ("--for", "recovery of Pb to ore"),
        f"{_ONE}option --for \"recovery of Pb to ore\": Recoveries and mass pulls refer to 'ore'; "
        "this one is 100 % or has no meaning.\nAsk for another stream's.\n"),
    "yield of the feed": ({}, ("--for", "yield of ore"),
        f"{_ONE}option --for \"yield of ore\": Recoveries and mass pulls refer to 'ore'; this one "
        "is 100 % or has no meaning.\nAsk for another stream's.\n"),
    "asked twice": ({}, ("--for", "Pb of jig tails", "--for", "pb in jig tails"),
        f"{_ONE}option --for \"pb in jig tails\": This answer is asked for twice.\n"
        "Take one out.\n"),
    "no price column": ({"prices": "quantity,charge\nPb,22\n"}, (),
        "2 problems in the input:\n\nprices.csv, cell B1: 'charge' is not a column of a table of "
        "prices.\nDid you mean 'minimum charge'?\n\nprices.csv: There is no column 'price'.\n"
        f"{_COLUMNS}"),
    "unknown quantity priced": ({"prices": PRICES.replace("Pb,,22", "Pbb,,22")}, (),
        f"{_ONE}prices.csv, cell A3: 'Pbb' is no quantity of this case.\nDid you mean 'Pb'?\n"),
    "unknown stream priced": ({"prices": PRICES.replace("jig tails", "jig tail")}, (),
        f"{_ONE}prices.csv, cell B5: There is no stream 'jig tail'.\n"
        "Did you mean 'jig tails'?\n"),
    "price is a word": ({"prices": PRICES.replace("Pb,,22", "Pb,,dear")}, (),
        f"{_ONE}prices.csv, cell C3, Pb: The price is 'dear', not a number.\n"
        "Write a number, without a currency.\n"),
    "price below nothing": ({"prices": PRICES.replace("Pb,,22", "Pb,,-22")}, (),
        f"{_ONE}prices.csv, cell C3, Pb: The price is -22; it is a number of at least 0.\n"
        "Correct it.\n"),
    "no price": ({"prices": PRICES.replace("Pb,,22", "Pb,,")}, (),
        f"{_ONE}prices.csv, cell C3, Pb: There is no price.\n"
        "Write a number, 0 if it costs nothing, or '-' if it is not to be had.\n"),
    "price twice": ({"prices": PRICES + "Pb,,25,,\n"}, (),
        f"{_ONE}prices.csv, cell C7, Pb: This price is stated twice.\nTake one out.\n"),
    "half a reading": ({"prices": PRICES.replace("120,3", "120,2.5")}, (),
        f"{_ONE}prices.csv, cell E3, Pb: The most readings of one number are '2.5'; they are a "
        "whole number from 1 to 10.\nCorrect it, or leave it blank.\n"),
    "two currencies": ({"prices": PRICES.replace("charge [EUR]", "charge [USD]")}, (),
        f"{_ONE}prices.csv, cell D1: The columns are in different currencies: EUR, USD.\n"
        "Write all prices in one.\n"),
    "minimum charge of a stream": ({"prices": PRICES.replace("tails,-,", "tails,-,50")}, (),
        f"{_ONE}prices.csv, cell D5, stream 'jig tails', Ag: A minimum charge goes with a "
        "quantity, not with one stream or a sample.\n"
        "Write it in the row of the quantity that names no stream.\n"),
    "nameless price": ({"prices": PRICES + ",,5,,\n"}, (),
        f"{_ONE}prices.csv, cell C7: The row names no quantity.\nWrite it, or clear the row.\n"),
    "column twice": ({"prices": "quantity,price,price\nPb,2,3\n"}, (),
        f"{_ONE}prices.csv, cell C1: The column 'price' is there twice.\nTake one out.\n"),
    "nothing for sale": ({"prices": "quantity,price\nPb,-\n"}, (),
        f"{_ONE}Nothing more is to be had at these prices.\n"
        "Give a price for what can be measured, or more readings in the column 'most'.\n"),
    "nothing tells the answer": ({"prices": "quantity,price\nPb,5\n"}, ("--for", "Ag of ore"),
        f"{_ONE}Nothing on offer determines the grade of Ag in ore.\nOffer more measurements: "
        "each needs a price that is not '-', and an error rule under [errors].\n"),
    "no price for what is measured": (
        {"measurements": EXPECTED, "prices": "quantity,price\nPb,5\ndry mass,3\n"}, (),
        f"{_ONE}prices.csv: The prices say nothing of Ag, which the case measures.\n"
        "Add a row for Ag: its price, 0 if it costs nothing, or '-' if it is not to be had.\n"),
    "nothing to plan from": ({"expected": None}, (),
        f"{_ONE}CASE: There is nothing to plan from: no number is measured, and none is expected."
        "\nWrite what you expect into expected.csv: columns as in measurements.csv.\n"),
    "values left open": ({"expected": EXPECTED.replace("jig tails,,1.49,\n", "")
                          .replace("ore,50,5.0", "ore,50,")}, (),
        f"{_ONE}Nothing tells Pb of 'ore', Pb of 'jig tails', and a plan needs a value to start "
        "from.\nWrite what you expect of Pb of 'ore' (the balances give the others) into "
        "expected.csv: columns as in measurements.csv.\n"),
    "unknown stream expected": ({"expected": EXPECTED.replace("lead conc", "led conc")}, (),
        f"{_ONE}expected.csv, cell A3: There is no stream 'led conc' in the circuit.\n"
        "Did you mean 'lead conc'?\nIf it is gone, take its rows out.\n"),
    "a grade at its bound": ({"expected": EXPECTED.replace("ore,50,5.0", "ore,50,5.3")
                              .replace("lead conc,3,60", "lead conc,3,86.5")
                              .replace("1.49", "0.001")}, (),
        f"{_ONE}The balance holds Pb of 'lead conc' at a bound (0, or the richest possible): there "
        "the errors of answers do not follow those of measurements in proportion.\n"
        "Mend the measurement that drives it there, or give expected values.\n"),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_broken_inputs(name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    changed, options, message = BROKEN[name]
    made = case(tmp_path, **changed)
    assert run(str(made), *options) == 2
    out, errors = capfd.readouterr()
    assert out == ""
    assert errors.replace(str(made), "CASE") == message


def test_no_scale(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    made = case(tmp_path, expected=EXPECTED.replace(",50,", ",,").replace("conc,3,", "conc,,"))
    assert run(str(made)) == 1
    assert capfd.readouterr().err.startswith(
        "This cannot be balanced.\n\nNo dry mass was measured, so nothing fixes the scale"
    )


def test_a_case_with_sizes_is_planned_in_bulk() -> None:
    """Of a copy without the sizes the plan is the same, and a note says what is left out."""
    whole = read_plan_case(EXAMPLES / "tails_by_size")
    assert not whole.survey.sizes.n_classes
    assert {c.quantity for c in whole.candidates} == {"dry mass", "WO3"}
    assert any("the sieve analyses are left out" in note for note in whole.notes)
    assert not any("expected as the balance" in note for note in whole.notes)


def test_what_only_the_sieves_tell_is_expected_as_the_balance_has_it() -> None:
    """Flows round a cyclone that nobody metered: the sizes tell them, and no stream is typed."""
    source = EXAMPLES / "grinding_by_size"
    found, case = read_plan_case(source), read_case(source)
    balance = only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products)
    told = next(n for n in found.notes if "expected as the balance" in n)
    assert told.startswith("dry rate of 'cyclone feed', Pb of 'cyclone feed', ")
    for stream, quantity in (("cyclone feed", "dry rate"), ("mill discharge", "Pb")):
        given, own = found.survey.measured(stream, quantity), balance.value(stream, quantity)
        assert given is not None
        assert (given.value, given.unit.symbol) == (own.adjusted, own.unit)
    assert all(c.today == 0 for c in found.candidates if c.stream == "cyclone feed")


def test_a_product_that_all_goes_into_is_no_answer(capfd: pytest.CaptureFixture[str]) -> None:
    source = str(EXAMPLES / "grinding_by_size")
    assert run(source) == 2
    assert capfd.readouterr().err == (
        f"{_ONE}There is no answer to plan for: the circuit has no product, or one that all of the "
        "feed goes into.\nAsk for one: --for 'QUANTITY of STREAM'.\n"
    )
    assert run(source, "--for", "dry rate of cyclone feed") == 0
    assert "dry rate of cyclone feed" in capfd.readouterr().out


def test_one_value_that_would_tell_the_others_is_asked_for(tmp_path: Path) -> None:
    made = tmp_path / "line"
    made.mkdir()
    (made / "circuit.toml").write_text(LINE, "utf-8")
    (made / "measurements.csv").write_text(
        "stream,dry rate [t/h],Cu [%]\nfeed,42,1.2\ncon,,24\nback,,3.1\ntails,,0.2\n", "utf-8"
    )
    with pytest.raises(InputError) as refused:
        read_plan_case(made)
    assert (
        "Write what you expect of Cu of 'mixed' (the balances give the others) into "
        "expected.csv: columns as in measurements.csv."
    ) in str(refused.value)
    (made / "expected.csv").write_text("stream,dry rate [t/h],Cu [%]\nmixed,,1.4\n", "utf-8")
    assert read_plan_case(made).candidates


def test_two_cases_are_told_which_to_plan(capfd: pytest.CaptureFixture[str]) -> None:
    assert run(str(EXAMPLES / "tin_table"), "another") == 2
    assert capfd.readouterr().err.endswith(
        "Error: A plan is for one case, and 2 were given. Of several tests plan the one whose ± is "
        "widest: oretally compare shows the ± of each.\n"
    )
