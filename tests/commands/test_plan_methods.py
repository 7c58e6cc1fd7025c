"""What oretally plan has on offer: samples, methods, the next best reading."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from planned_cases import (
    CIRCUIT,
    ERRORS,
    MEASURED,
    PRICES,
    TOTAL,
    flat,
    planned_case,
    refused_plan,
    rows_of,
    text_of,
)

from oretally.io.cli import main
from oretally.io.commands.plan import planned
from oretally.io.plan.document import plan_document, plan_schema

SAMPLING = """
[sources]
"sampling" = { of = "W", streams = "tails", relative = 3 }
"""


def test_without_a_sample_nothing_is_assayed(tmp_path: Path) -> None:
    made = planned_case(tmp_path, prices=PRICES + "sample,tails,-,,\n")
    read, found = planned(made, asked=TOTAL, budget="400")
    assert found.best is not None
    assert not any((r.stream, r.quantity) == ("tails", "W") for r in found.best.readings)
    assert any((r.stream, r.quantity) == ("tails", "dry mass") for r in found.curve[-1].readings)
    assert ("No sample of 'tails' is to be had: nothing that needs one can be bought there."
            in read.notes)  # fmt: skip


def test_what_was_sampled_stays(tmp_path: Path) -> None:
    made = planned_case(
        tmp_path, measured=MEASURED, expected=None, prices=PRICES + "sample,tails,-,,\n"
    )
    read, found = planned(made, asked=TOTAL, budget="200", keep=True)
    tails = rows_of(read, "tails", "W")
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
    made = planned_case(tmp_path, measured=MEASURED, expected=None, prices=prices)
    _, found = planned(made, asked=("yield of conc",), budget="30")
    assert found.today is not None
    assert (found.today.cost, found.today.unpriced) == (30.0, 3)


def test_most_readings_of_a_sample_are_refused(tmp_path: Path) -> None:
    made = planned_case(tmp_path, prices=PRICES.replace("sample,,5,,", "sample,,5,,2"))
    assert refused_plan(made) == (
        "prices.csv, cell E4, sample: A sample is taken once for all that is read of it: it has "
        "no most readings.\nLeave the cell blank; write the most readings in the row of what is "
        "assayed."
    )


def test_no_plan_no_samples(tmp_path: Path) -> None:
    found = planned(planned_case(tmp_path, CIRCUIT + ERRORS + SAMPLING), asked=TOTAL, budget="20")
    assert found[1].best is None
    assert (
        "Sample masses: there is no plan within the budget, and so none of its samples."
        in text_of(found).splitlines()
    )


def test_the_next_best_reading_shows_what_it_changes(tmp_path: Path) -> None:
    """Of the answer's own ±; a cheap reading is never said to take more than all of it."""
    cheap = PRICES.replace("dry mass,,10", "dry mass,,1").replace("W,,20", "W,,2")
    made = planned_case(tmp_path, measured=MEASURED, expected=None, prices=cheap)
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
    told = flat(text_of(planned(planned_case(tmp_path, prices=once), asked=TOTAL, budget="100")))
    assert (
        "The cheapest plan that tells every error from every other: none was found among the "
        "measurements on offer, with one reading of each." in told
    )


def test_keep_with_nothing_measured(tmp_path: Path) -> None:
    made = planned_case(tmp_path)
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
    assert refused_plan(book) == (
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
    made = planned_case(tmp_path, CIRCUIT + ERRORS + SAMPLING, measured=measured)
    document = json.loads(json.dumps(plan_document(*planned(made, asked=TOTAL, budget=budget))))
    assert document["schema"] == "oretally.plan/1"
    jsonschema.Draft202012Validator(plan_schema()).validate(document)


METHODS = """quantity,stream,method,error,price [EUR],most
dry mass,,,,10,2
W,,,,20,3
W,,fusion,1 rel %,60,2
W,tails,fusion,0.004 wt%,80,2
W,conc,fusion,,-,
"""


def test_a_second_method_is_one_more_reading_of_the_same_value(tmp_path: Path) -> None:
    made = planned_case(tmp_path, CIRCUIT + ERRORS + SAMPLING, prices=METHODS)
    read, found = planned(made, asked=TOTAL, budget="300")
    assert rows_of(read, "ore", "W", "fusion").own == pytest.approx(0.01 * 0.01, rel=1e-2)
    assert rows_of(read, "tails", "W", "fusion").own == pytest.approx(4e-5)
    assert rows_of(read, "tails", "W", "fusion").price == 80.0
    assert not any(c.stream == "conc" and c.method for c in read.candidates)
    # both read one sample: its error is one that they share
    for method in ("", "fusion"):
        tails = rows_of(read, "tails", "W", method)
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
    made = planned_case(alone, CIRCUIT + ERRORS + SAMPLING, prices=few)
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
    assert refused_plan(planned_case(tmp_path, prices=prices)) == message


def test_a_method_may_go_by_its_error(tmp_path: Path) -> None:
    prices = "quantity,± [rel %],price\ndry mass,,10\nW,,20\nW,1.5,70\n"
    read, _ = planned(planned_case(tmp_path, prices=prices), asked=TOTAL, budget="150")
    assert {c.method for c in read.candidates} == {"", "± 1.5 rel %"}
    assert rows_of(read, "conc", "W", "± 1.5 rel %").own == pytest.approx(0.015 * 0.15, rel=1e-2)


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
