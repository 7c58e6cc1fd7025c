"""What oretally plan takes as known: errors, losses, samples."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from balance_cases import only_balanced
from planned_cases import (
    CIRCUIT,
    ERRORS,
    EXPECTED,
    MEASURED,
    PRICES,
    TOTAL,
    flat,
    planned_case,
    refused_plan,
    rows_of,
    text_of,
)

from oretally.io import read_case
from oretally.io.commands.plan import planned
from oretally.io.plan import read_plan_case
from oretally.recon.plan import MeasurementPlan

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


PLANNED = sorted(
    p.parent.name for p in EXAMPLES.glob("*/circuit.toml") if not (p.parent / "sizes.csv").exists()
)


# a balance stops a stream, or holds solids at no grade: a plan is refused
REFUSED = {"wrong_assay", "bottle_roll_times"}
STANDING_STILL = "wrong_assay"


def assert_as_the_balance(source: Path, monkeypatch: pytest.MonkeyPatch) -> MeasurementPlan:
    """Compare the ± now of all recoveries; no plan is sought, which is what takes its time."""
    for name in ("cheapest_plan", "cheapest_identifiable", "Relaxation"):
        monkeypatch.setattr(f"oretally.recon.plan.planner.{name}", lambda _: None)
    read = read_case(source)
    balance = only_balanced(read.circuit, read.survey, feed=read.feed, products=read.products)
    _, found = planned(source)
    assert found.today is not None and found.answers
    for answer, sd in zip(found.answers, found.today.sds, strict=True):
        analyte, _, stream = answer.name.removeprefix("recovery of ").partition(" to ")
        own = balance.recovery(stream, analyte)
        assert answer.value == pytest.approx(own.recovery, rel=1e-9)
        assert sd == pytest.approx(own.sd, rel=1e-6)
    return found


@pytest.mark.parametrize("example", [e for e in PLANNED if e not in REFUSED])
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
    made = planned_case(tmp_path, CIRCUIT + ERRORS + LOSS, measured=MEASURED, expected=None)
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
    made = planned_case(tmp_path, CIRCUIT + ERRORS + LOSS, expected=exact)
    read, found = planned(made, asked=TOTAL, budget="100")
    assert found.best is not None and [d.sd for d in read.declared] == [0.4]
    assert read.point.at_zero == ("loss at spiral",)
    assert "The balance holds 'loss at spiral' at 0." in flat(text_of((read, found)))
    assert read.point.grade[0, -1] == pytest.approx(0.01)  # that of the ore, though none flows
    without = tmp_path / "without"
    without.mkdir()
    _, plain = planned(planned_case(without, expected=exact), asked=TOTAL, budget="100")
    assert plain.best is not None
    assert found.best.sds[0] is not None and plain.best.sds[0] is not None
    assert found.best.sds[0] >= plain.best.sds[0] * (1.0 - 1e-9)


def test_errors_beside_expected_values_are_those_of_one_reading(tmp_path: Path) -> None:
    """± goes before the rule; where none stands, the rule at the balanced value holds."""
    expected = (
        "stream,dry mass [kg],± dry mass [kg],W [%],± W [rel %]\n"
        "ore,40,0.8,1.0,\nconc,2,,15,1\ntails,,,0.263,\n"
    )
    read, found = planned(planned_case(tmp_path, expected=expected), asked=TOTAL, budget="100")
    assert found.today is None and all(c.today == 0 for c in read.candidates)
    assert rows_of(read, "ore", "dry mass").own == pytest.approx(0.8)
    assert rows_of(read, "conc", "W").own == pytest.approx(0.0015)
    assert rows_of(read, "ore", "W").own == pytest.approx(0.04 * 0.01, rel=1e-2)
    assert rows_of(read, "tails", "dry mass").own == pytest.approx(0.005 * 38, rel=1e-2)
    few = expected.replace("± W [rel %]", "± W [%]").replace("15,1\n", "15,0.6\n")
    again = tmp_path / "again"
    again.mkdir()
    read, _ = planned(planned_case(again, expected=few), asked=TOTAL, budget="100")
    assert rows_of(read, "conc", "W").own == pytest.approx(0.006)


def test_errors_beside_expected_values_need_no_rules(tmp_path: Path) -> None:
    expected = (
        "stream,dry mass [kg],± dry mass [kg],W [%],± W [rel %]\n"
        "ore,40,0.2,1.0,4\nconc,2,0.01,15,4\ntails,38,0.2,0.263,4\n"
    )
    read, found = planned(
        planned_case(tmp_path, CIRCUIT, expected=expected), asked=TOTAL, budget="100"
    )
    assert found.best is not None and len(read.candidates) == 6


def test_a_missing_error_is_named(tmp_path: Path) -> None:
    """Values that are computed for the point have no ± and no rule: that is the reason."""
    prices = PRICES.replace("dry mass,,10,,3", "dry mass,,-,,").replace("W,,20,,3", "W,ore,-,,")
    prices += "W,conc,-,,\nW,tails,20,,\n"
    expected = (
        "stream,dry mass [kg],± dry mass [kg],W [%],± W [rel %]\n"
        "ore,40,0.2,1.0,4\nconc,2,0.01,15,4\ntails,,,,\n"
    )
    assert refused_plan(planned_case(tmp_path, CIRCUIT, expected=expected, prices=prices)) == (
        "No error of one reading is stated for W, and a plan weighs errors: nothing can be "
        "planned.\nWrite a rule for each under [errors], as in W = { relative = 3 } (percent of "
        "the value, one standard deviation),\nor a column ± W [rel %] beside the expected values."
    )


def test_a_bound_does_not_narrow_by_reading_it_again(tmp_path: Path) -> None:
    """Below detection twice is below detection: it is offered once, and not again under --keep."""
    measured = MEASURED.replace("38.1,0.27", "38.1,<0.4")
    made = planned_case(tmp_path, measured=measured, expected=None)
    read, found = planned(made, asked=TOTAL, budget="200", keep=True)
    tails = rows_of(read, "tails", "W")
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
    read = read_plan_case(planned_case(twice, measured=more, expected=None))
    assert (rows_of(read, "tails", "W").today, rows_of(read, "tails", "W").own) == (1, tails.own)
    # so is one that is only expected to lie below it
    new = tmp_path / "new"
    new.mkdir()
    read = read_plan_case(planned_case(new, expected=EXPECTED.replace(",,0.263", ",38,<0.4")))
    assert (rows_of(read, "tails", "W").today, rows_of(read, "tails", "W").most) == (0, 1)
