"""oretally balance CASE --draws N --seed S: what is printed, written and refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import openpyxl
import pytest

from oretally.io.cli import main
from oretally.io.commands.balance import BalancedCase, Outputs, balanced
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.results.pdf_pages import pages
from oretally.io.wording import Simulated, simulation_sentences, simulation_sheet, simulation_table
from oretally.recon import Balance, reconcile
from oretally.recon.simulation import simulation_of

Capture = pytest.CaptureFixture[str]
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
CIRCUIT = """\
title = "Jig, poor contrast"
basis = "batch"
[streams]
feed = { to = "jig" }
conc = { from = "jig" }
tails = { from = "jig" }
[errors]
"dry mass" = { relative = 0.5 }
Sn = { relative = 4 }
As = { relative = 5 }
"""
ROWS = """\
stream,dry mass [kg],Sn [%],As [%]
feed,100,1.02,0.31
conc,,1.60,0.5
tails,,1.00,<0.60
"""


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a case of two products whose grades all but agree, one below detection."""
    folder = tmp_path_factory.mktemp("jig")
    (folder / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (folder / "measurements.csv").write_text(ROWS, "utf-8")
    return folder


@pytest.fixture(scope="module")
def answer(case: Path) -> BalancedCase:
    """Return what the command has of it, with 100 draws."""
    return balanced(case, Outputs(), draws=100)


def run(capsys: Capture, *arguments: str) -> tuple[int, str, str]:
    """Run the command line; return status, standard output and standard error."""
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    captured = capsys.readouterr()
    return int(stop.value.code or 0), captured.out, captured.err


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (
            ("--draws", "0"),
            "Invalid value for '--draws': '0' is no whole number from 100 to 100000.",
        ),
        (("--draws", "-5"), "Invalid value for '--draws': '-5' is no whole number from 100"),
        (("--draws", "abc"), "Invalid value for '--draws': 'abc' is no whole number from 100"),
        (("--draws", "1e6"), "Invalid value for '--draws': '1e6' is no whole number from 100"),
        (("--draws", "100000000000"), "'100000000000' is no whole number from 100 to 100000."),
        (("--seed", "3"), "--seed needs --draws N"),
        (("--draws", "200", "--seed", "-1"), "Invalid value for '--seed': '-1' is no whole number"),
        (("--draws", "200", "--seed", "x"), "Invalid value for '--seed': 'x' is no whole number"),
    ],
)
def test_wrong_options_are_located(
    capsys: Capture, options: tuple[str, ...], told: str, tmp_path: Path
) -> None:
    report = tmp_path / "b.html"
    status, out, err = run(
        capsys, "balance", str(EXAMPLES / "tin_table"), "--html", str(report), *options
    )
    assert (status, out) == (2, "")
    assert told in " ".join(err.split())
    assert not report.exists()


def test_simulation_stands_in_every_output(capsys: Capture, case: Path, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("b.json", "b.html", "b.xlsx", "b.pdf")]
    options = [word for file in files for word in (f"--{file.suffix[1:]}", str(file))]
    status, out, err = run(capsys, "balance", str(case), "--draws", "100", "--seed", "7", *options)
    assert status == 0
    assert [line for line in err.splitlines() if not line.startswith("written: ")] == []
    first = "100 surveys drawn about the adjusted values, seed 7: all of them balanced."
    flat = " ".join(out.split())
    assert first in flat and "not for recovery of Sn to 'conc'" in flat
    assert "Simulation: 95 % limits" in out and "no limit" in out
    assert "oretally balance CASE --draws" not in flat
    document = json.loads(files[0].read_text("utf-8"))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    found = document["simulation"]
    assert (found["draws"], found["balanced"], found["seed"]) == (100, 100, 7)
    rows = {a["answer"]: a for a in found["answers"]}
    recovery = rows["recovery of Sn to 'conc'"]
    assert recovery["low"] == 0.0 and 5.0 < recovery["high"] < 60.0
    assert recovery["sd_holds"] is False
    assert rows["ratio of concentration of 'conc'"]["high"] is None
    assert rows["ratio of concentration of 'conc'"]["mean"] is None
    # below detection, and all but free: between 0 and the limit
    assert 0.0 <= rows["As of 'tails'"]["low"] < rows["As of 'tails'"]["high"] <= 0.6
    assert not [note for note in document["notes"] if "--draws" in note]
    html = " ".join(files[1].read_text("utf-8").split())
    assert first in html and "shortest from" in html
    sheet = openpyxl.load_workbook(files[2])["simulation"]
    assert sheet["A2"].value == first
    assert "recovery of Sn to 'conc'" in [row[0].value for row in sheet.iter_rows()]
    # the workbook is still a case
    status, _, _ = run(capsys, "check", str(files[2]))
    assert status == 0


def test_same_seed_same_bytes_and_the_balance_as_without(capsys: Capture, case: Path) -> None:
    asked = ("balance", str(case), "--json", "-", "--draws", "100")
    status, once, _ = run(capsys, *asked)
    _, again, _ = run(capsys, *asked, "--seed", "1")  # what it is unless given
    _, other, _ = run(capsys, *asked, "--seed", "2")
    assert status == 0 and once == again != other
    drawn = json.loads(once)
    assert drawn["simulation"]["seed"] == 1
    plain = json.loads(run(capsys, "balance", str(case), "--json", "-")[1])
    assert plain["simulation"] is None
    assert plain["values"] == drawn["values"] and plain["recoveries"] == drawn["recoveries"]
    assert [n for n in plain["notes"] if "--draws 2000" in n]


def test_tables_and_sentences(answer: BalancedCase) -> None:
    simulated = answer.simulated
    assert simulated is not None and simulated.seed == 1
    whole, brief = simulation_table(simulated), simulation_table(simulated, brief=True)
    assert whole.header[-3:] == ["shortest from", "to", "± holds"]
    names = [row[0] for row in whole.rows]
    assert "recovery of Sn to 'conc' [%]" in names and "dry mass of 'feed' [kg]" in names
    assert len(brief.rows) < len(whole.rows)
    assert any("enrichment of Sn in 'conc', in " in name for name in names)  # it stands still
    said = [b for part in pages(answer.balance, simulated=simulated)["parts"]
            for b in part["blocks"]]  # fmt: skip
    assert {"kind": "heading", "text": "Simulation"} in said
    assert "simulation" not in balance_document(answer.balance)["notes"]


def test_draws_that_did_not_balance_are_said(answer: BalancedCase) -> None:
    assert answer.simulated is not None
    found = answer.simulated.found
    values, converged = found.values.copy(), found.converged.copy()
    values[:3], converged[:3] = np.nan, False
    normal = np.zeros((len(values), 1))
    less = Simulated(
        simulation_of([r.answer for r in found.rows], values, converged, normal=normal), 1
    )
    assert simulation_sentences(less)[0] == (
        "100 surveys drawn about the adjusted values, seed 1: 3 of them did not balance and are in "
        "no figure."
    )
    document: Any = balance_document(answer.balance, simulated=less)["simulation"]
    assert (document["draws"], document["balanced"]) == (100, 97)
    rows = [list(row) for row in simulation_sheet(less)[2]]
    feed = next(row for row in rows if row[0] == "dry mass of 'feed'")
    assert feed[-2] == 97
    # an answer that every balanced draw has is shown without a count
    assert "dry mass of 'feed' [kg]" in [row[0] for row in simulation_table(less).rows]


def test_no_balance_no_draws(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A balance that did not converge is nothing to draw about; it is said to be none."""

    def ended(*args: Any, **kwargs: Any) -> Balance:
        return replace(reconcile(*args, **kwargs), converged=False)

    monkeypatch.setattr("oretally.io.commands.balance.reconcile", ended)
    answer = balanced(case, Outputs(), draws=200)
    assert answer.simulated is None and not answer.balance.converged
