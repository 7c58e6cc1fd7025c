"""What `oretally check` says of errors before a balance: near what the balance says after it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey, parse_unit
from oretally.io import read_case
from oretally.io.cli import main
from oretally.recon import check, reconcile

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


@pytest.mark.parametrize("name", ["tin_table", "rougher_cleaner"])
def test_groups_and_sizes_are_those_of_the_balance(name: str) -> None:
    """A sound survey: the same exact groups, and the same errors unseen within a tenth."""
    case = read_case(EXAMPLES / name)
    before = check(case.circuit, case.survey, feed=case.feed, products=case.products).foreseen
    after = reconcile(
        case.circuit, case.survey, feed=case.feed, products=case.products
    ).gross_errors
    assert before is not None
    exact = {g.members for g in after.groups if g.exact}
    assert exact and {g.members for g in before.groups if g.exact} == exact
    size = {(h.stream, h.quantity): h.size for h in after.hidden}
    points = {(h.stream, h.quantity): h.points for h in after.hidden}
    assert {(h.stream, h.quantity) for h in before.hidden} == set(size)
    for h in before.hidden:
        assert h.size == pytest.approx(size[h.stream, h.quantity], rel=0.1)
    worst = before.hidden[0]
    assert worst.points == pytest.approx(points[worst.stream, worst.quantity], rel=0.1)


@pytest.mark.parametrize("seed", range(6))
def test_random_surveys(seed: int, random_circuit: Callable[..., Any]) -> None:
    """At true values the first point is the balance: groups and sizes agree to 1e-6."""
    made = random_circuit(seed, n_nodes=3, n_analytes=2)
    kg, percent = parse_unit("kg"), parse_unit("%")
    names = made.circuit.stream_names
    found = [
        Measurement(s, "dry mass", float(f), kg, 0.01 * float(f))
        for s, f in zip(names, made.flow, strict=True)
    ]
    for k, grades in enumerate(made.grade):
        found += [
            Measurement(s, f"m{k}", 100.0 * float(x), percent, 3.0 * float(x))
            for s, x in zip(names, grades, strict=True)
        ]
    survey = Survey(
        Basis.BATCH, kg, tuple(Analyte(f"m{k}", percent) for k in range(2)), tuple(found)
    )
    feed = made.circuit.feeds[0]
    before = check(made.circuit, survey, feed=feed).foreseen
    after = reconcile(made.circuit, survey, feed=feed).gross_errors
    assert before is not None
    assert [g.members for g in before.groups] == [g.members for g in after.groups]
    size = {(h.stream, h.quantity): h.size for h in after.hidden}
    for h in before.hidden:
        assert h.size == pytest.approx(size[h.stream, h.quantity], rel=1e-6)


def test_nothing_is_said_where_nothing_checks(
    two_products: Circuit, make_survey: Callable[..., Survey]
) -> None:
    found = check(two_products, make_survey({"feed": (10.0, 0.1)}))
    assert found.foreseen is None
    assert check(two_products, make_survey({}, {"Sn": {"feed": (1.0, 0.1)}})).foreseen is None


def test_nothing_is_said_at_a_standstill(
    two_products: Circuit, make_survey: Callable[..., Survey]
) -> None:
    """More tailings than feed: the first flows leave nothing for the concentrate."""
    survey = make_survey({"feed": (10.0, 0.1), "conc": (1e-9, 1e-9), "tails": (14.0, 0.1)})
    found = check(two_products, survey)
    assert found.degrees_of_freedom == 1
    assert found.foreseen is None


def test_the_whole_of_what_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["check", str(EXAMPLES / "tin_table")])
    assert stop.value.code == 0
    text = " ".join(capsys.readouterr().out.split())
    assert (
        "8 numbers measured and checked by others (redundant). "
        "Every node closes within 3 times its expected error. "
        "- An error of 0.11 points in Sn of 'tailings' would pass unnoticed in 20 of 100 cases, "
        "and move the recovery of Sn to 'tailings' by 6.6 points. "
        "- An error of 0.73 points in Sn of 'middlings' would pass unnoticed in 20 of 100 cases, "
        "and move the recovery of Sn to 'middlings' by 6.5 points. "
        "- An error of 5.5 points in Sn of 'concentrate' would pass unnoticed in 20 of 100 cases, "
        "and move the recovery of Sn to 'concentrate' by 4.7 points. "
        "- If one of these is wrong, the data can hardly tell which: dry mass of 'table feed'; an "
        "unmeasured loss at 'table'; dry mass of 'tailings'; dry mass of 'middlings'. "
        "More: --full prints 1 more remark, the circuit, closures and heads."
    ) in text
    with pytest.raises(SystemExit):
        main(["check", str(EXAMPLES / "tin_table"), "--full"])
    assert (
        "- If one of these is wrong, no data here can tell which: Sn of 'table feed'; Sn of "
        "'concentrate'; Sn of 'middlings'; Sn of 'tailings'. ±"
    ) in " ".join(capsys.readouterr().out.split())


def test_many_groups_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["check", str(EXAMPLES / "rougher_cleaner"), "--full"])
    lines = capsys.readouterr().out.splitlines()
    assert sum("If one of these is wrong" in line for line in lines) == 6
    assert "- So it is with 1 more group." in lines
