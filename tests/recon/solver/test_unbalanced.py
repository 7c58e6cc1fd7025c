"""No balance: no answer is shown anywhere; what is in the way is named, and what would help."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from math import log
from pathlib import Path

import jsonschema
import numpy as np
import openpyxl
import pytest
from often import NIGHTLY
from sound_surveys import sound_survey

from oretally.flowsheet import (
    BalanceModel,
    Circuit,
    ErrorPart,
    Position,
    Survey,
    balance_problem,
    positions,
)
from oretally.flowsheet.problem import reference_streams
from oretally.io.case import read_case
from oretally.io.cli import main
from oretally.io.results import ALL, html_report, summary, xlsx_bytes
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.results.pdf_pages import pages
from oretally.io.wording import obstacles, repair_sentences
from oretally.recon import Balance, reconcile
from oretally.recon.no_balance import NoBalance
from oretally.recon.no_balance.recycles import Flows, recycles
from oretally.recon.result import LEFT_OUT, ErrorRates, Hold
from oretally.recon.solution import Solution
from oretally.recon.solver import WORK, corrected, solve, solve_certified

# rougher concentrate and cleaner tails are assayed as good as equal, and nobody weighed either
CLEANER = """title = "Cleaner recycle"
basis = "rate"
[streams]
"feed" = { to = "rougher" }
"rougher conc" = { from = "rougher", to = "cleaner" }
"rougher tails" = { from = "rougher" }
"final conc" = { from = "cleaner" }
"cleaner tails" = { from = "cleaner", to = "rougher" }
"""
CLEANER_ROWS = """stream,dry rate [t/h],± dry rate [t/h],Pb [%],± Pb [rel %]
feed,100,2,2.00,3
rougher conc,,,20.1,3
rougher tails,,,0.20,3
final conc,,,60,2
cleaner tails,,,20.4,3
"""
MILL = """title = "Mill with a cyclone"
basis = "rate"
[streams]
"fresh feed" = { to = "sump" }
"cyclone feed" = { from = "sump", to = "cyclone" }
"overflow" = { from = "cyclone" }
"underflow" = { from = "cyclone", to = "mill" }
"discharge" = { from = "mill", to = "sump" }
[nodes]
"sump" = { kind = "mixer" }
"mill" = { kind = "mill" }
[errors]
"class mass" = { relative = 2 }
"""
MILL_ROWS = """stream,dry rate [t/h],± dry rate [rel %]
fresh feed,24.3,3
overflow,23.1,3
"""
MASSES = {
    "cyclone feed": (84.5, 82.3, 78.4, 64.5, 52.3, 131.7),
    "overflow": (6.0, 22.8, 51.8, 77.1, 82.1, 258.0),
    "underflow": (119.4, 101.6, 86.6, 63.6, 43.6, 91.2),
}
OPENINGS = ("", "300", "212", "150", "106", "75", "")


def _folder(path: Path, circuit: str, rows: str, sizes: str = "") -> Path:
    path.mkdir()
    (path / "circuit.toml").write_text(circuit, "utf-8")
    (path / "measurements.csv").write_text(rows, "utf-8")
    if sizes:
        (path / "sizes.csv").write_text(sizes, "utf-8")
    return path


def _sizes(times: float) -> str:
    """Return the sizes, with so many times the mass between 300 and 212 um of the overflow."""
    lines = ["stream,passing [um],retained [um],mass [g]"]
    for stream, masses in MASSES.items():
        for i, mass in enumerate(masses):
            typed = mass * (times if (stream, i) == ("overflow", 1) else 1.0)
            lines.append(f"{stream},{OPENINGS[i]},{OPENINGS[i + 1]},{typed:g}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def cleaner(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _folder(tmp_path_factory.mktemp("a") / "cleaner", CLEANER, CLEANER_ROWS)


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _folder(tmp_path_factory.mktemp("b") / "mill", MILL, MILL_ROWS, _sizes(1000.0))


@pytest.fixture(scope="module")
def runaway(cleaner: Path) -> Balance:
    case = read_case(cleaner)
    return reconcile(case.circuit, case.survey)


@pytest.fixture(scope="module")
def ended(mill: Path) -> Solution:
    """Where the search ended: seconds, and the same whatever is asked of it then."""
    case = read_case(mill)
    return solve_certified(balance_problem(case.circuit, case.survey), None)


def _told(
    circuit: Circuit, survey: Survey, ended: Solution, trials: int | None,
    rates: ErrorRates | None = None,
) -> Balance:  # fmt: skip
    """Return what `reconcile` tells of a search that ended so."""
    feeds, products = reference_streams(circuit, None, None)
    model, rates = BalanceModel(circuit, survey), rates or ErrorRates()
    return NoBalance(model, ended, feeds, products, 0.05, rates).balance(trials)


@pytest.fixture(scope="module")
def slipped(mill: Path, ended: Solution) -> Balance:
    case = read_case(mill)
    return _told(case.circuit, case.survey, ended, None)


def _run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(list(words))
    shown = capsys.readouterr()
    return int(str(stop.value.code)), shown.out, shown.err


def test_a_recycle_that_nothing_holds_is_told_with_what_would(runaway: Balance) -> None:
    """The numbers agree, so that none of them is accused."""
    words = dict(obstacles(runaway))
    assert words["grows"] == (
        "The flow of 'cleaner tails' would grow without limit, and with it that of 'rougher conc': "
        "nothing measured holds it."
    )
    assert words["agreement"].startswith(
        "With 'cleaner tails' taken as 200 t/h there is a balance, and the numbers agree "
        "(chi-square 1.07"
    )
    assert words["agreement"].endswith("none of them need be wrong. What is missing is a "
                                       "measurement.")  # fmt: skip
    assert words["measure"] == (
        "Weigh or meter 'cleaner tails' or 'rougher conc'. Any one of these would do."
    )
    assert repair_sentences(runaway) == []


def test_a_measured_stream_is_no_recycle_without_limit(cleaner: Path) -> None:
    """However far the search went: a weighing holds its stream, and a line has no ring."""
    case = read_case(cleaner)
    problem = balance_problem(case.circuit, case.survey)
    places = positions(case.circuit, case.survey)
    ring = {"rougher conc", "cleaner tails"}
    own = np.isin(case.circuit.stream_names, sorted(ring))
    far = replace(solve(problem), flow=np.where(own, 1e9, np.nan_to_num(problem.flow)))
    flows = Flows.of(case.circuit, case.survey, problem, places=places)
    assert [set(found.streams) for found in flows.growing(far)] == [ring]
    weighed = corrected(problem, {Position(None, int(np.flatnonzero(own)[0])): (5.0, 0.1)})
    assert Flows.of(case.circuit, case.survey, weighed, places=places).growing(far) == ()
    line = Circuit.build({"feed": (None, "a"), "on": ("a", "b"), "out": ("b", None)})
    assert recycles(line, [0, 1, 2], "dry rate") == ()


def test_what_would_hold_it_does(cleaner: Path, runaway: Balance) -> None:
    case = read_case(cleaner)
    problem = balance_problem(case.circuit, case.survey)
    found = runaway.unbalanced
    assert found is not None
    assert found.holds[0] == Hold("cleaner tails", "dry rate")
    unit = case.survey.flow_unit
    for h in found.holds:
        j = case.circuit.stream_names.index(h.stream)
        flow = unit.to_base(found.taken)
        held = corrected(problem, {Position(None, j): (flow, 0.1 * flow)})
        assert solve(held).converged


def test_a_slip_that_leaves_no_balance_is_named_first(slipped: Balance) -> None:
    """22.8 g typed as 22800: the point three places off; leaving it out comes after."""
    found = slipped.unbalanced
    assert found is not None and not found.agree
    first, *others = found.repairs
    assert (first.kind, first.reason) == (
        "decimal point", "the decimal point 3 places too far to the right",
    )  # fmt: skip
    (reading,) = first.readings
    assert (reading.stream, reading.quantity) == ("overflow", "mass in -300+212 um")
    assert (reading.read, reading.fits, reading.unit) == (22_800.0, MASSES["overflow"][1], "g")
    assert first.p is not None and first.p > 0.05
    out = [r for r in others if r.kind == LEFT_OUT and r.readings[0].quantity == reading.quantity]
    assert "overflow" in {r.readings[0].stream for r in out}
    assert all(r.log_odds <= first.log_odds for r in others)
    assert out[0].dof == first.dof - 1
    told = dict(repair_sentences(slipped))
    assert "22800" in told["1."] and "22.8 g" in told["1."]
    assert told["1."].endswith(f"on {first.dof} degrees of freedom, p {first.p:.2g}.")
    assert told["tried"].startswith("Tried: without ")


def test_the_balance_without_the_slip_has_that_chi_square(tmp_path: Path, slipped: Balance) -> None:
    """What a repair says is what the case says once it is corrected."""
    case = read_case(_folder(tmp_path / "right", MILL, MILL_ROWS, _sizes(1.0)))
    right = reconcile(case.circuit, case.survey)
    assert right.converged and right.unbalanced is None
    assert slipped.unbalanced is not None
    first = slipped.unbalanced.repairs[0]
    assert first.dof == right.global_test.dof
    assert first.objective == pytest.approx(right.objective, rel=1e-6)


def test_the_rate_of_its_source_counts(mill: Path, ended: Solution) -> None:
    """Twice the rate, one log 2 more in the odds of what leaves the number out or corrects it."""
    case = read_case(mill)
    name = "overflow", "mass in -300+212 um"
    measurements = tuple(
        replace(m, parts=(ErrorPart("lab", m.sd),)) if (m.stream, m.quantity) == name else m
        for m in case.survey.measurements
    )
    survey = replace(case.survey, measurements=measurements)
    odds = []
    for rate in (0.1, 0.2):
        rates = ErrorRates(by_source={"lab": rate})
        found = _told(case.circuit, survey, ended, 3, rates).unbalanced
        assert found is not None
        odds.append({(r.kind, *((x.stream, x.quantity) for x in r.readings)): r.log_odds
                     for r in found.repairs})  # fmt: skip
    more = {key: odds[1][key] - odds[0][key] for key in odds[0]}
    assert {key[0] for key in more if key[1:] == (name,)} >= {"decimal point"}
    assert any(key[1:] != (name,) for key in more)
    for key, gain in more.items():
        assert gain == pytest.approx(log(2.0) if key[1] == name else 0.0, abs=1e-9), key


def test_the_work_is_bounded_and_counted(
    mill: Path, cleaner: Path, ended: Solution, slipped: Balance
) -> None:
    found = slipped.unbalanced
    assert found is not None
    assert found.most == WORK.unbalanced.alone(len(slipped.survey.measurements)) == 24
    assert 0 < found.left_out <= found.tried <= found.most
    case = read_case(mill)
    few = _told(case.circuit, case.survey, ended, 1).unbalanced
    assert few is not None and few.tried == 1 and few.untried > 0
    none = _told(case.circuit, case.survey, ended, 0).unbalanced
    assert none is not None and none.tried == 0 and none.repairs == ()
    case = read_case(cleaner)
    asked = reconcile(case.circuit, case.survey, trials=1).unbalanced
    assert asked is not None and asked.most == 1


@pytest.mark.parametrize("which", ["runaway", "slipped"])
def test_no_answers_anywhere(which: str, request: pytest.FixtureRequest) -> None:
    balance: Balance = request.getfixturevalue(which)
    assert not balance.converged
    assert all(v.adjusted is None and v.adjusted_sd is None for v in balance.values)
    for name in ("recoveries", "separations", "formulas", "budgets", "amounts", "extractions",
                 "inventories", "dissolutions", "worth", "suspects"):  # fmt: skip
        assert getattr(balance, name) == (), name
    document = balance_document(balance)
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["converged"] is False
    assert {v["adjusted"] for v in document["values"]} == {None}
    assert [v for v in document["values"] if v["measured"] is not None]
    assert document["unbalanced"]["sentences"]
    text = summary(balance, parts=(ALL,))
    html = html_report(balance)
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(balance)))
    pdf = json.dumps(pages(balance, (), None), ensure_ascii=False)
    assert not {"recoveries", "suspects", "not kept"} & set(book.sheetnames)
    for shown in (text, html, pdf):
        for word in ("ecover", "adjusted head", "Measured against adjusted", "yield", "P80"):
            assert word not in shown.replace("squared adjustments", ""), word
    for _, sentence in (*obstacles(balance), *repair_sentences(balance)):
        assert sentence in " ".join(text.split())
        assert sentence in html.replace("&#39;", "'")
        assert json.dumps(sentence, ensure_ascii=False)[1:-1] in pdf
        assert (sentence,) in [row[1:2] for row in book["summary"].values]
    assert re.search("<h2>The circuit, as measured</h2>", html)


def test_files_are_written_and_the_status_is_1(
    cleaner: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = {kind: tmp_path / f"out.{kind}" for kind in ("html", "xlsx", "json", "pdf")}
    options = [word for kind, file in files.items() for word in (f"--{kind}", str(file))]
    status, out, err = _run(capsys, "balance", str(cleaner), *options)
    assert status == 1
    assert all(file.stat().st_size > 0 for file in files.values())
    assert "Weigh or meter 'cleaner tails'" in out
    assert err.splitlines()[-1].startswith("There is no balance of these numbers.")
    # the inputs of the workbook are a case again
    again = read_case(files["xlsx"])
    assert len(again.survey.measurements) == 6


@pytest.mark.parametrize("words", [["--without", "cleaner tails:Pb"], ["--with",
                         "cleaner tails:dry rate=50 +- 5 t/h"]])  # fmt: skip
def test_what_if_gives_a_balance_but_no_answers(
    cleaner: Path, words: list[str], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "x.json"
    status, out, _ = _run(capsys, "balance", str(cleaner), *words, "--json", str(file))
    plain = " ".join(out.split())
    assert status == 1
    assert f"As it is there is no balance; {words[0][2:]} " in plain
    assert "there is one: " in plain
    assert "What if: recoveries" not in out
    document = json.loads(file.read_text("utf-8"))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["what_if"]["recoveries"] == document["what_if"]["values"] == []


def test_plan_and_compare_say_so(
    cleaner: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, out, err = _run(capsys, "plan", str(cleaner))
    assert (status, out) == (1, "")
    assert "There is no balance of these values to plan from: a flow grew far" in err
    good = _folder(tmp_path / "good", CLEANER, CLEANER_ROWS.replace("20.4", "5.1"))
    status, out, err = _run(capsys, "compare", str(good), str(cleaner))
    assert (status, out) == (1, "")
    assert "'cleaner': the balance did not converge: a flow grew far beyond all" in err


@pytest.mark.skipif(not NIGHTLY, reason="takes 5 s")
def test_random_surveys_that_nothing_holds() -> None:
    """A flotation recycle and the oversize of a screen, nobody of whom gauged the flow."""
    made = sound_survey(6)
    found = reconcile(made.circuit, made.survey, feed=made.circuit.feeds[0]).unbalanced
    assert found is not None
    assert found.agree and not found.repairs and found.tried == 0
    assert set(found.recycles[0].streams) == {"rougher conc", "cleaner tails"}
    assert found.holds[0] == Hold("cleaner tails", "dry rate")


def test_what_goes_back_stands_first() -> None:
    """Two rings, one of them within the other's feed; a stream that only passes is in none."""
    circuit = Circuit.build(
        {"feed": (None, "a"), "on": ("a", "b"), "back": ("b", "a"), "to c": ("b", "c"),
         "round": ("c", "d"), "home": ("d", "c"), "out": ("d", None)},
    )  # fmt: skip
    rings = recycles(circuit, range(len(circuit.streams)), "dry mass")
    assert [(r.streams, r.back) for r in rings] == [
        (("back", "on"), ("back",)), (("home", "round"), ("home",)),
    ]  # fmt: skip
    assert recycles(circuit, [0, 3], "dry mass") == ()


def test_a_balance_has_none_of_it() -> None:
    case = read_case(Path(__file__).resolve().parents[3] / "examples" / "tin_table")
    balance = reconcile(case.circuit, case.survey)
    assert balance.unbalanced is None
    assert balance_document(balance)["unbalanced"] is None
    problem = balance_problem(case.circuit, case.survey)
    places = positions(case.circuit, case.survey)
    flows = Flows.of(case.circuit, case.survey, problem, places=places)
    assert flows.unlimited(solve(problem)) == ()


def test_what_is_declared_counts_as_no_measurement(tmp_path: Path) -> None:
    circuit = CLEANER + '[losses]\n"rougher" = { rate = "1 t/h", like = "feed" }\n'
    case = read_case(_folder(tmp_path / "lossy", circuit, CLEANER_ROWS))
    balance = reconcile(case.circuit, case.survey, feed="feed", products=("final conc",))
    assert not balance.converged
    assert "measured 6 numbers" in " ".join(summary(balance, parts=(ALL,)).split())
