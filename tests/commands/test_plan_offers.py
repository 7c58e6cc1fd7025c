"""What `oretally plan` takes as known and as on offer: losses, errors, samples, methods, prices."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.commands.plan import planned
from oretally.io.plan import PlanCase, plan_summary, read_plan_case
from oretally.io.plan.document import plan_document, plan_schema
from oretally.recon import reconcile
from oretally.recon.plan import Candidate, MeasurementPlan

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
PLANNED = sorted(
    p.parent.name for p in EXAMPLES.glob("*/circuit.toml") if not (p.parent / "sizes.csv").exists()
)
STANDING_STILL = "wrong_assay"  # its balance stops a stream: a plan is refused

# an invented test of an invented ore
CIRCUIT = """
title = "Tungsten ore, spiral test 3"
basis = "batch"
[streams]
"ore" = { to = "spiral" }
"conc" = { from = "spiral" }
"tails" = { from = "spiral" }
[analytes]
W = { unit = "%" }
"""
ERRORS = """
[errors]
"dry mass" = { relative = 0.5 }
W = { relative = 4 }
"""
SAMPLING = """
[sources]
"sampling" = { of = "W", streams = "tails", relative = 3 }
"""
EXPECTED = "stream,dry mass [kg],W [%]\nore,40,1.0\nconc,2,15\ntails,,0.263\n"
MEASURED = "stream,dry mass [kg],W [%]\nore,40,1.0\nconc,2,15\ntails,38.1,0.27\n"
PRICES = "quantity,stream,price [EUR],minimum charge,most\ndry mass,,10,,3\nW,,20,,3\nsample,,5,,\n"
TOTAL = ("recovery of W to conc",)


def case(
    folder: Path, circuit: str = CIRCUIT + ERRORS, *, measured: str | None = None,
    expected: str | None = EXPECTED, prices: str | None = PRICES,
) -> Path:  # fmt: skip
    made = folder / "spiral"
    made.mkdir()
    files = {"circuit.toml": circuit, "measurements.csv": measured, "expected.csv": expected,
             "prices.csv": prices}  # fmt: skip
    for name, text in files.items():
        if text is not None:
            (made / name).write_text(text, "utf-8")
    return made


def of(read: PlanCase, stream: str, quantity: str, method: str = "") -> Candidate:
    asked = (stream, quantity, method)
    return next(c for c in read.candidates if (c.stream, c.quantity, c.method) == asked)


def refused(made: Path, *, keep: bool = False) -> str:
    with pytest.raises(InputError) as stop:
        planned(made, keep=keep)
    return "\n".join(str(f) for f in stop.value.faults)


def text_of(found: tuple[PlanCase, MeasurementPlan]) -> str:
    return plan_summary(*found)


def flat(text: str) -> str:
    return " ".join(text.split())


# ---- what is known without measuring


def assert_as_the_balance(source: Path, monkeypatch: pytest.MonkeyPatch) -> MeasurementPlan:
    """Compare the ± now of all recoveries; no plan is sought, which is what takes its time."""
    for name in ("cheapest_plan", "cheapest_identifiable", "Relaxation"):
        monkeypatch.setattr(f"oretally.recon.plan.planner.{name}", lambda _: None)
    read = read_case(source)
    balance = reconcile(read.circuit, read.survey, feed=read.feed, products=read.products)
    _, found = planned(source)
    assert found.today is not None and found.answers
    for answer, sd in zip(found.answers, found.today.sds, strict=True):
        analyte, _, stream = answer.name.removeprefix("recovery of ").partition(" to ")
        own = balance.recovery(stream, analyte)
        assert answer.value == pytest.approx(own.recovery, rel=1e-9)
        assert sd == pytest.approx(own.sd, rel=1e-6)
    return found


@pytest.mark.parametrize("example", [e for e in PLANNED if e != STANDING_STILL])
def test_todays_errors_are_those_of_the_balance(
    example: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shared sources, wet cakes, declared losses, stocks, solution: as `balance` says."""
    found = assert_as_the_balance(EXAMPLES / example, monkeypatch)
    # a declared loss is no product that one plans for
    assert not any("loss at" in a.name for a in found.answers)


def test_solids_that_dissolve_are_known_as_stated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = tmp_path / "leach"
    shutil.copytree(EXAMPLES / "leach_test", made)
    circuit = made / "circuit.toml"
    stated = circuit.read_text("utf-8").replace(
        'kind = "leach"', 'kind = "leach", dissolves = "2 kg"'
    )
    assert "dissolves" in stated
    circuit.write_text(stated, "utf-8")
    assert_as_the_balance(made, monkeypatch)


LOSS = '[losses]\n"spiral" = { mass = "0.4 kg", like = "ore" }\n'


def test_a_declared_loss_is_neither_bought_nor_measured(tmp_path: Path) -> None:
    made = case(tmp_path, CIRCUIT + ERRORS + LOSS, measured=MEASURED, expected=None)
    read, found = planned(made, asked=TOTAL, budget="100")
    assert not any(c.stream == "loss at spiral" for c in read.candidates)
    assert found.today is not None and len(found.today.readings) == 6
    # its ± is a row of what is known before, whatever is measured
    assert [d.sd for d in read.declared] == [0.4]
    read, found = planned(made, asked=("dry mass of loss at spiral",), budget="100")
    assert found.today is not None
    sd = found.today.sds[0]
    assert sd is not None and 0.0 < sd < 0.4


def test_a_declared_loss_in_a_plan_from_expected_values(tmp_path: Path) -> None:
    """The values balance without it: it is looked for at 0, where no measured stream could be."""
    exact = EXPECTED.replace("tails,,0.263", "tails,38,0.2631578947368421")
    made = case(tmp_path, CIRCUIT + ERRORS + LOSS, expected=exact)
    read, found = planned(made, asked=TOTAL, budget="100")
    assert found.best is not None and [d.sd for d in read.declared] == [0.4]
    assert read.point.at_zero == ("loss at spiral",)
    assert "The balance holds 'loss at spiral' at 0." in flat(text_of((read, found)))
    assert read.point.grade[0, -1] == pytest.approx(0.01)  # that of the ore, though none flows
    without = tmp_path / "without"
    without.mkdir()
    _, plain = planned(case(without, expected=exact), asked=TOTAL, budget="100")
    assert plain.best is not None
    assert found.best.sds[0] is not None and plain.best.sds[0] is not None
    assert found.best.sds[0] >= plain.best.sds[0] * (1.0 - 1e-9)


# ---- the error of one reading


def test_errors_beside_expected_values_are_those_of_one_reading(tmp_path: Path) -> None:
    """± goes before the rule; where none stands, the rule at the balanced value holds."""
    expected = (
        "stream,dry mass [kg],± dry mass [kg],W [%],± W [rel %]\n"
        "ore,40,0.8,1.0,\nconc,2,,15,1\ntails,,,0.263,\n"
    )
    read, found = planned(case(tmp_path, expected=expected), asked=TOTAL, budget="100")
    assert found.today is None and all(c.today == 0 for c in read.candidates)
    assert of(read, "ore", "dry mass").own == pytest.approx(0.8)
    assert of(read, "conc", "W").own == pytest.approx(0.0015)
    assert of(read, "ore", "W").own == pytest.approx(0.04 * 0.01, rel=1e-2)
    assert of(read, "tails", "dry mass").own == pytest.approx(0.005 * 38, rel=1e-2)
    few = expected.replace("± W [rel %]", "± W [%]").replace("15,1\n", "15,0.6\n")
    again = tmp_path / "again"
    again.mkdir()
    read, _ = planned(case(again, expected=few), asked=TOTAL, budget="100")
    assert of(read, "conc", "W").own == pytest.approx(0.006)


def test_errors_beside_expected_values_need_no_rules(tmp_path: Path) -> None:
    expected = (
        "stream,dry mass [kg],± dry mass [kg],W [%],± W [rel %]\n"
        "ore,40,0.2,1.0,4\nconc,2,0.01,15,4\ntails,38,0.2,0.263,4\n"
    )
    read, found = planned(case(tmp_path, CIRCUIT, expected=expected), asked=TOTAL, budget="100")
    assert found.best is not None and len(read.candidates) == 6


def test_a_missing_error_is_named(tmp_path: Path) -> None:
    """Values that are computed for the point have no ± and no rule: that is the reason."""
    prices = PRICES.replace("dry mass,,10,,3", "dry mass,,-,,").replace("W,,20,,3", "W,ore,-,,")
    prices += "W,conc,-,,\nW,tails,20,,\n"
    expected = (
        "stream,dry mass [kg],± dry mass [kg],W [%],± W [rel %]\n"
        "ore,40,0.2,1.0,4\nconc,2,0.01,15,4\ntails,,,,\n"
    )
    assert refused(case(tmp_path, CIRCUIT, expected=expected, prices=prices)) == (
        "No error of one reading is stated for W, and a plan weighs errors: nothing can be "
        "planned.\nWrite a rule for each under [errors], as in W = { relative = 3 } (percent of "
        "the value, one standard deviation),\nor a column ± W [rel %] beside the expected values."
    )


def test_a_bound_does_not_narrow_by_reading_it_again(tmp_path: Path) -> None:
    """Below detection twice is below detection: it is offered once, and not again under --keep."""
    measured = MEASURED.replace("38.1,0.27", "38.1,<0.4")
    made = case(tmp_path, measured=measured, expected=None)
    read, found = planned(made, asked=TOTAL, budget="200", keep=True)
    tails = of(read, "tails", "W")
    assert (tails.today, tails.most) == (1, 1)
    assert tails.own == pytest.approx(0.004 / 12**0.5)
    assert found.best is not None
    assert all(
        r.times == 1 for r in found.best.readings if (r.stream, r.quantity) == ("tails", "W")
    )
    assert not any((m.stream, m.quantity) == ("tails", "W") for m in found.more)
    # two rows below detection are the narrower bounds, not a mean of two
    twice = tmp_path / "twice"
    twice.mkdir()
    more = measured + "tails,,<0.5\n"
    read = read_plan_case(case(twice, measured=more, expected=None))
    assert (of(read, "tails", "W").today, of(read, "tails", "W").own) == (1, tails.own)
    # so is one that is only expected to lie below it
    new = tmp_path / "new"
    new.mkdir()
    read = read_plan_case(case(new, expected=EXPECTED.replace(",,0.263", ",38,<0.4")))
    assert (of(read, "tails", "W").today, of(read, "tails", "W").most) == (0, 1)


# ---- samples and prices


def test_without_a_sample_nothing_is_assayed(tmp_path: Path) -> None:
    made = case(tmp_path, prices=PRICES + "sample,tails,-,,\n")
    read, found = planned(made, asked=TOTAL, budget="400")
    assert found.best is not None
    assert not any((r.stream, r.quantity) == ("tails", "W") for r in found.best.readings)
    assert any((r.stream, r.quantity) == ("tails", "dry mass") for r in found.curve[-1].readings)
    assert ("No sample of 'tails' is to be had: nothing that needs one can be bought there."
            in read.notes)  # fmt: skip


def test_what_was_sampled_stays(tmp_path: Path) -> None:
    made = case(tmp_path, measured=MEASURED, expected=None, prices=PRICES + "sample,tails,-,,\n")
    read, found = planned(made, asked=TOTAL, budget="200", keep=True)
    tails = of(read, "tails", "W")
    assert (tails.today, tails.most) == (1, 0)
    assert found.best is not None
    kept = [r for r in found.best.readings if (r.stream, r.quantity) == ("tails", "W")]
    assert [(r.times, r.new) for r in kept] == [(1, 0)]
    # three weighings, two assays, two samples; the third assay has no price any more
    assert found.today is not None
    assert (found.today.cost, found.today.unpriced) == (3 * 10 + 2 * 20 + 2 * 5, 1)
    assert ("6 readings of 6 numbers. They cost 80 EUR at these prices, without 1 number that is "
            "not to be had any more." in flat(text_of((read, found))))  # fmt: skip


def test_what_has_no_price_is_not_in_the_cost_of_today(tmp_path: Path) -> None:
    prices = PRICES.replace("W,,20,,3", "W,,20,100,3") + "W,ore,-,,\nW,conc,-,,\nW,tails,-,,\n"
    made = case(tmp_path, measured=MEASURED, expected=None, prices=prices)
    _, found = planned(made, asked=("yield of conc",), budget="30")
    assert found.today is not None
    assert (found.today.cost, found.today.unpriced) == (30.0, 3)


def test_most_readings_of_a_sample_are_refused(tmp_path: Path) -> None:
    made = case(tmp_path, prices=PRICES.replace("sample,,5,,", "sample,,5,,2"))
    assert refused(made) == (
        "prices.csv, cell E4, sample: A sample is taken once for all that is read of it: it has "
        "no most readings.\nLeave the cell blank; write the most readings in the row of what is "
        "assayed."
    )


# ---- what is said


def test_no_plan_no_samples(tmp_path: Path) -> None:
    found = planned(case(tmp_path, CIRCUIT + ERRORS + SAMPLING), asked=TOTAL, budget="20")
    assert found[1].best is None
    assert (
        "Sample masses: there is no plan within the budget, and so none of its samples."
        in text_of(found).splitlines()
    )


def test_the_next_best_reading_shows_what_it_changes(tmp_path: Path) -> None:
    """Of the answer's own ±; a cheap reading is never said to take more than all of it."""
    cheap = PRICES.replace("dry mass,,10", "dry mass,,1").replace("W,,20", "W,,2")
    made = case(tmp_path, measured=MEASURED, expected=None, prices=cheap)
    found = planned(made, asked=TOTAL, budget="10", keep=True)
    lines = text_of(found).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("The next best single reading"))
    assert lines[at].endswith("what it changes")
    assert "per 100 EUR" not in text_of(found)
    today, more = found[1].today, found[1].more
    assert today is not None and more
    now, then = today.sds[0], more[0].sds[0]
    assert now is not None and then is not None
    assert lines[at + 2].split() == ["none", f"{now:.3g}"]
    change = lines[at + 3].split()[-1]
    assert float(change) == pytest.approx(then - now, rel=0.05) and change.startswith("-")


def test_readings_are_counted_as_they_are_on_offer(tmp_path: Path) -> None:
    once = PRICES.replace(",,3\n", ",,1\n")
    told = flat(text_of(planned(case(tmp_path, prices=once), asked=TOTAL, budget="100")))
    assert (
        "The cheapest plan that tells every error from every other: none was found among the "
        "measurements on offer, with one reading of each." in told
    )


def test_keep_with_nothing_measured(tmp_path: Path) -> None:
    made = case(tmp_path)
    found = planned(made, asked=TOTAL, budget="100", keep=True)
    text = text_of(found)
    assert text.splitlines()[1] == (
        "today        Nothing is measured, so that --keep keeps nothing."
    )
    assert "What is measured counts" not in text and "of them new" not in text


def test_a_blank_workbook_is_told_of_expected_values(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """And planned from them, as a blank folder is."""
    book = tmp_path / "blank.xlsx"
    with pytest.raises(SystemExit):
        main(["new", str(book)])
    assert refused(book) == (
        f"{book}: There is nothing to plan from: no number is measured, and none is expected.\n"
        "Write what you expect into a CSV file with the columns of the sheet 'measurements', and "
        "name it: --expected FILE."
    )
    capfd.readouterr()
    values = tmp_path / "values.csv"
    values.write_text(
        "stream,dry mass [kg],± dry mass [rel %],Sn [%],± Sn [rel %]\n"
        "feed,25,0.5,1,3\nconcentrate,0.5,0.5,30,3\ntailings,,,0.4,4\n", "utf-8",
    )  # fmt: skip
    read, found = planned(book, expected=values, budget="5")
    assert found.best is not None and found.today is None
    assert (
        "dry mass of 'tailings' is not in the plan: no error is stated for it. Write a rule for "
        "dry mass under [errors], or an expected value with its ±."
    ) in read.notes


@pytest.mark.parametrize("measured", [None, MEASURED])
@pytest.mark.parametrize("budget", ["20", "150"])
def test_json_keeps_its_schema(measured: str | None, budget: str, tmp_path: Path) -> None:
    made = case(tmp_path, CIRCUIT + ERRORS + SAMPLING, measured=measured)
    document = json.loads(json.dumps(plan_document(*planned(made, asked=TOTAL, budget=budget))))
    assert document["schema"] == "oretally.plan/1"
    jsonschema.Draft202012Validator.check_schema(plan_schema())
    jsonschema.validate(document, plan_schema())


# ---- methods of one quantity

METHODS = """quantity,stream,method,error,price [EUR],most
dry mass,,,,10,2
W,,,,20,3
W,,fusion,1 rel %,60,2
W,tails,fusion,0.004 wt%,80,2
W,conc,fusion,,-,
"""


def test_a_second_method_is_one_more_reading_of_the_same_value(tmp_path: Path) -> None:
    made = case(tmp_path, CIRCUIT + ERRORS + SAMPLING, prices=METHODS)
    read, found = planned(made, asked=TOTAL, budget="300")
    assert of(read, "ore", "W", "fusion").own == pytest.approx(0.01 * 0.01, rel=1e-2)
    assert of(read, "tails", "W", "fusion").own == pytest.approx(4e-5)
    assert of(read, "tails", "W", "fusion").price == 80.0
    assert not any(c.stream == "conc" and c.method for c in read.candidates)
    # both read one sample: its error is one that they share
    for method in ("", "fusion"):
        tails = of(read, "tails", "W", method)
        assert tails.stays == 0.0
        assert tails.shared["sample of tails", "W"] == pytest.approx(0.03 * 0.00263, rel=1e-2)
    assert found.best is not None and found.best.gap == 0.0
    used = {(r.stream, r.method) for r in found.best.readings if r.quantity == "W"}
    assert any(method == "fusion" for _, method in used)
    text = text_of((read, found))
    assert "W (fusion)" in text
    # never worse than with the one method alone
    alone = tmp_path / "alone"
    alone.mkdir()
    few = "".join(r for r in METHODS.splitlines(keepends=True) if "fusion" not in r)
    made = case(alone, CIRCUIT + ERRORS + SAMPLING, prices=few)
    _, plain = planned(made, asked=TOTAL, budget="300")
    assert plain.best is not None
    sds = np.array([[found.best.sds[0], plain.best.sds[0]]], dtype=float)
    assert sds[0, 0] < sds[0, 1]


BROKEN_METHODS = {
    "no error": (METHODS.replace("1 rel %,60", ",60"),
        "prices.csv, cell E4, W: The method 'fusion' states no error.\nWrite that of one reading "
        "into the column error, as in 2 rel %; without a method the row is of the usual one, whose "
        "error the case states."),
    "no unit": (METHODS.replace("1 rel %", "1"),
        "prices.csv, cell D4, W: The error '1' has no unit.\nWrite 1 rel % or 1 wt%, or name "
        "the column error [rel %]."),
    "unit of something else": (METHODS.replace("error,price", "error [%],price"),
        "prices.csv, cell D1: The errors of methods are in '%', but quantities differ in their "
        "units.\nName the column error [rel %], or error, and write the unit into each cell."),
    "twice": (METHODS + "W,,Fusion,2 rel %,30,\n",
        "prices.csv, cell E7, W: This price is stated twice.\nTake one out."),
    "of a sample": (METHODS + "sample,,,2 rel %,30,\n",
        "prices.csv, cell E7, sample: A sample has no method and no error.\nLeave the cells blank; "
        "what sampling adds stands under [sources]."),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN_METHODS)
def test_broken_methods(name: str, tmp_path: Path) -> None:
    prices, message = BROKEN_METHODS[name]
    assert refused(case(tmp_path, prices=prices)) == message


def test_a_method_may_go_by_its_error(tmp_path: Path) -> None:
    prices = "quantity,± [rel %],price\ndry mass,,10\nW,,20\nW,1.5,70\n"
    read, _ = planned(case(tmp_path, prices=prices), asked=TOTAL, budget="150")
    assert {c.method for c in read.candidates} == {"", "± 1.5 rel %"}
    assert of(read, "conc", "W", "± 1.5 rel %").own == pytest.approx(0.015 * 0.15, rel=1e-2)


@pytest.mark.parametrize(
    "error", ["nan rel %", "1e-30 rel %", "2000 rel %", "±", "0", "<1 rel %", "-"]
)
def test_an_error_of_a_method_that_cannot_be(
    error: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Judged as a number first, and by what is weighed and assayed at all."""
    prices = tmp_path / "prices.csv"
    prices.write_text(f"quantity,stream,price [EUR],method,error\nSn,,20,XRF,{error}\n", "utf-8")
    example = Path(__file__).resolve().parents[2] / "examples" / "tin_table"
    with pytest.raises(SystemExit) as stop:
        main(["plan", str(example), "--budget", "50", "--prices", str(prices)])
    assert stop.value.code == 2
    assert "prices.csv, cell E2, Sn: The error of a method is" in capsys.readouterr().err
