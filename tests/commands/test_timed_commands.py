"""Rate and plateau as answers of compare and plan; times on the sampling form."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from balance_cases import only_balanced
from click.testing import CliRunner, Result

from oretally.flowsheet import Fault
from oretally.io import read_case
from oretally.io.cli import oretally
from oretally.io.plan import read_answers, read_plan_case
from oretally.recon.propagation import estimates
from oretally.recon.result import RateModel

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "flotation_times"
ROLL = EXAMPLE.parent / "bottle_roll_times"
OTHER = """\
stream,dry mass [g],Cu [%],Au [g/t]
feed,1003.0,,
conc 1,31.0,13.6,12.4
conc 2,21.6,11.1,11.9
conc 3,26.4,8.44,12.2
conc 4,27.9,3.51,7.76
conc 5,24.1,0.505,2.31
conc 6,12.5,0.012,0.217
tails,858.9,0.0919,0.22
"""


def _run(*arguments: str) -> Result:
    return CliRunner().invoke(oretally, arguments)


@pytest.fixture
def other(tmp_path: Path) -> str:
    """The same test with more collector, invented."""
    shutil.copytree(EXAMPLE, tmp_path / "more collector")
    (tmp_path / "more collector" / "measurements.csv").write_text(OTHER, "utf-8")
    return str(tmp_path / "more collector")


def test_compare_by_rate_and_plateau(other: str) -> None:
    answer = _run("compare", str(EXAMPLE), other, "--json", "-")
    assert answer.exit_code == 0, answer.output
    found = {d["answer"]: d for d in json.loads(answer.stdout)["differences"]}
    kinds = {d["kind"] for d in found.values()}
    assert {"plateau", "rate"} <= kinds
    assert not any("conc" in name for name in found)  # single products say little
    rate = found["rate of Cu, first order with a plateau"]
    assert (rate["unit"], rate["verdict"], rate["stream"]) == ("1/min", "real", "")
    assert rate["difference"] == pytest.approx(0.247, abs=0.002)
    assert rate["sd"] == pytest.approx((rate["first_sd"] ** 2 + rate["second_sd"] ** 2) ** 0.5)
    assert found["plateau of Cu, first order with a plateau"]["verdict"] == "not decided"


def test_compare_one_answer_by_its_short_name(other: str) -> None:
    answer = _run("compare", str(EXAMPLE), other, "--answer", "Au plateau")
    assert answer.exit_code == 0, answer.output
    assert "plateau of Au" in answer.stdout and "rate of" not in answer.stdout


def test_a_curve_that_holds_in_one_test_only(other: str) -> None:
    """What does not hold is no answer; it is said."""
    table = Path(other) / "measurements.csv"
    table.write_text(OTHER.replace("12.2", "30"), "utf-8")
    answer = _run("compare", str(EXAMPLE), other, "--answer", "Au rate")
    assert "no such curve holds, or is determined, in 'more collector'" in str(answer.exception)


def test_plan_for_a_plateau() -> None:
    """What a plan sees of each error is what the balance propagates: the sd today is that of it."""
    case, faults = read_plan_case(EXAMPLE), list[Fault]()
    answers = read_answers(["Au plateau", "rate of Cu"], case, faults)
    assert faults == []
    assert [(a.name, a.unit) for a in answers] == [("plateau of Au", "%"), ("rate of Cu", "1/min")]
    sds = [e[1] for e in estimates(case.point.answers.covariance, [a.found for a in answers]) if e]
    assert sds == pytest.approx([0.87, 0.00376], rel=0.01)


def test_plan_offers_them() -> None:
    faults = list[Fault]()
    assert read_answers(["plateau of Ag"], read_plan_case(EXAMPLE), faults) == []
    assert [f.mend for f in faults] == ["Did you mean 'plateau of Au'?"]


@pytest.fixture(scope="module")
def rolls(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """Two bottle rolls, invented: the mistyped assay mended, and a slower one."""
    folder, names = tmp_path_factory.mktemp("rolls"), ("fine", "coarse")
    for name in names:
        shutil.copytree(ROLL, folder / name)
    table = (ROLL / "kinetics.csv").read_text("utf-8").replace("2.412", "2.142")
    slower = table.replace("1.464", "1.30").replace("0.517", "0.45").replace("0.926", "0.80")
    for name, text in zip(names, (table, slower), strict=True):
        (folder / name / "kinetics.csv").write_text(text, "utf-8")
    return str(folder / "fine"), str(folder / "coarse")


@pytest.fixture(scope="module")
def _no_search() -> Iterator[None]:
    """Bottle rolls are compared without a search for wrong numbers: it takes seconds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("oretally.io.compare.cases.reconcile", only_balanced)
        yield


@pytest.fixture(scope="module")
def between_rolls(rolls: tuple[str, str], _no_search: None) -> list[dict[str, Any]]:
    """Return the differences between them."""
    answer = _run("compare", *rolls, "--json", "-")
    assert answer.exit_code == 0, answer.output
    found: list[dict[str, Any]] = json.loads(answer.stdout)["differences"]
    return found


def test_compare_bottle_rolls_by_rate_and_plateau(between_rolls: list[dict[str, Any]]) -> None:
    found = {d["answer"]: d for d in between_rolls}
    rate = found["rate of Au, first order with a plateau"]
    assert (rate["unit"], rate["verdict"], rate["stream"]) == ("1/h", "real", "")
    assert rate["difference"] == pytest.approx(-0.021, abs=0.001)
    assert rate["sd"] == pytest.approx((rate["first_sd"] ** 2 + rate["second_sd"] ** 2) ** 0.5)
    assert found["plateau of Au, first order with a plateau"]["verdict"] == "not decided"


def test_compare_says_what_balance_says(
    rolls: tuple[str, str], between_rolls: list[dict[str, Any]]
) -> None:
    """Plateau and rate, with their ±, are those of the course of the leach."""
    case = read_case(Path(rolls[0]))
    balance = only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products)
    curve = next(c for c in balance.courses[0].curves if c.model is RateModel.FIRST_ORDER)
    found = {d["kind"]: d for d in between_rolls}
    for name in ("plateau", "rate"):
        told = curve.parameter(name)
        assert told is not None
        assert found[name]["first_value"] == pytest.approx(told.value)
        assert found[name]["first_sd"] == pytest.approx(told.sd)


@pytest.mark.usefixtures("_no_search")
def test_a_mistyped_bottle_roll_has_no_plateau_to_compare(rolls: tuple[str, str]) -> None:
    answer = _run("compare", str(ROLL), rolls[1], "--answer", "rate")
    assert "no such curve holds, or is determined, in 'bottle_roll_times'" in str(answer.exception)


def test_plan_of_a_bottle_roll(rolls: tuple[str, str]) -> None:
    """Today's ± is that of the balance; nobody takes solids out of a bottle that goes on."""
    case, faults = read_plan_case(Path(rolls[0])), list[Fault]()
    answers = read_answers(["Au plateau", "rate"], case, faults)
    assert faults == []
    assert [(a.name, a.unit) for a in answers] == [("plateau of Au", "%"), ("rate of Au", "1/h")]
    sds = [e[1] for e in estimates(case.point.answers.covariance, [a.found for a in answers]) if e]
    assert sds == pytest.approx([0.357, 0.00289], rel=0.01)
    pulps = {c.quantity for c in case.candidates if c.stream.startswith("pulp at")}
    assert pulps == {"wet mass"}


def test_times_on_the_form(tmp_path: Path) -> None:
    form = tmp_path / "form.html"
    assert _run("sheet", str(EXAMPLE), "--html", str(form)).exit_code == 0
    text = form.read_text("utf-8")
    assert "<td>0.5 min</td>" in text and "really until" in text
    assert "<span>conc 6, until 12 min</span>" in text
    assert _run("sheet", str(EXAMPLE.parent / "tin_table"), "--html", str(form)).exit_code == 0
    assert "really until" not in form.read_text("utf-8")
