"""A case with two feeds, from the file to every output: nothing names one of them by itself."""

from __future__ import annotations

import io
import json
from pathlib import Path

import jsonschema
import openpyxl
import pytest

from oretally.io import read_case
from oretally.io.case import read_unmeasured
from oretally.io.cli import main
from oretally.io.forms import entry_workbook
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.json_rows import packaged_schema

CIRCUIT = """\
title = "Ore and scrap"
basis = "batch"

[streams]
"ore" = { to = "sump" }
"scrap" = { to = "sump" }
"mixed" = { from = "sump", to = "table" }
"conc" = { from = "table" }
"tails" = { from = "table" }

[nodes]
sump = { kind = "mixer" }

[analytes]
Sn = { unit = "%" }

[errors]
"dry mass" = { relative = 1 }
Sn = { relative = 2 }

[prices]
Sn = "25 EUR/kg"
"""
ROWS = "stream,dry mass [kg],Sn [%]\nore,10,2\nscrap,2.5,12\nconc,0.5,70\ntails,12,1.25\n"
LIST = '[report]\nfeed = ["Ore", "scrap"]\n'
ALONE = '[report]\nfeed = "ore"\n'
Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *arguments: object) -> str:
    with pytest.raises(SystemExit) as stop:
        main([str(each) for each in arguments])
    shown = capsys.readouterr()
    assert not stop.value.code, shown.err
    return shown.out


def case_in(folder: Path, report: str = "") -> Path:
    folder.mkdir()
    (folder / "circuit.toml").write_text(CIRCUIT + report, encoding="utf-8")
    (folder / "measurements.csv").write_text(ROWS, encoding="utf-8")
    return folder


@pytest.mark.parametrize("report", ["", LIST])
def test_as_stated_and_by_default(report: str, tmp_path: Path) -> None:
    case = read_case(case_in(tmp_path / "case", report))
    assert (case.feeds, case.feed) == (("ore", "scrap"), "ore + scrap")


def test_one_of_them(tmp_path: Path, capsys: Capture) -> None:
    folder = case_in(tmp_path / "case", ALONE)
    assert read_case(folder).feeds == ("ore",)
    told = "Recoveries refer to 'ore' alone; 'scrap' also brings metal: they may exceed 100 %."
    screen = run(capsys, "balance", folder)
    assert "Recovered of 'ore' alone: 175.0 ± 3.7 % of the Sn in 'conc'." in screen
    assert "calculated head" not in screen  # the products together are more than the ore
    assert told in run(capsys, "balance", folder, "--full")


def test_first_screen(tmp_path: Path, capsys: Capture) -> None:
    screen = run(capsys, "balance", case_in(tmp_path / "case"))
    assert "Recovered: 70.00 ± 0.61 % of the Sn in 'conc'." in screen
    rows = [line.split() for line in screen.splitlines()]
    assert ["conc", "0.5000", "4.00", "70.0", "350.0", "70.00"] in rows
    assert ["calculated", "head", "12.500", "100", "4.000", "500.0", "100"] in rows
    assert ["assayed", "head", "12.50", "–", "4.000", "–", "–"] in rows
    assert "alone" not in screen


def test_assayed_head_only_of_what_was_measured(tmp_path: Path, capsys: Capture) -> None:
    folder = case_in(tmp_path / "case")
    rows = ROWS.replace("scrap,2.5,12", "scrap,2.5,")
    (folder / "measurements.csv").write_text(rows, encoding="utf-8")
    lines = [line.split() for line in run(capsys, "balance", folder).splitlines()]
    assert ["assayed", "head", "12.50", "–", "–", "–", "–"] in lines


def test_all_of_the_report(tmp_path: Path, capsys: Capture) -> None:
    """The feeds one by one and together; of the drawing, each with its share of the whole."""
    page = tmp_path / "page.html"
    shown = run(capsys, "balance", case_in(tmp_path / "case"), "--full", "--html", page)
    lines = [line.split() for line in shown.splitlines()]
    assert ["ore", "inlet", "40.00", "0.74"] in lines
    assert ["scrap", "inlet", "60.00", "0.74"] in lines
    assert ["ore", "+", "scrap", "Sn", "[g]", "fed", "500.0", "5.8"] in lines
    assert ["ore", "+", "scrap", "Sn", "fed", "12.50", "0.15", "1000", "12"] in lines
    assert ["yield", "(mass", "pull)", "[%]", "4.000", "0.044", "96.000", "0.044"] in lines
    html = page.read_text("utf-8")
    assert "<title>Where the Sn of ore + scrap goes</title>" in html
    assert "ore: 40.00 ± 0.74 %; scrap: 60.00 ± 0.74 %;" in html


def test_json(tmp_path: Path, capsys: Capture) -> None:
    found = json.loads(run(capsys, "balance", case_in(tmp_path / "case"), "--json", "-"))
    jsonschema.Draft202012Validator(packaged_schema("balance")).validate(found)
    assert (found["feed"], found["feeds"]) == ("ore + scrap", ["ore", "scrap"])
    assert found["combined_feed"]["grades"]["Sn"]["value"] == pytest.approx(4.0)
    one = case_in(tmp_path / "one", ALONE)
    found = json.loads(run(capsys, "balance", one, "--json", "-"))
    assert (found["feed"], found["feeds"], found["combined_feed"]) == ("ore", ["ore"], None)


def test_what_is_written_reads_back(tmp_path: Path, capsys: Capture) -> None:
    """Results, a workbook to type into: one row a feed; a string stays one stream."""
    folder, book = case_in(tmp_path / "case", LIST), tmp_path / "case.xlsx"
    run(capsys, "balance", folder, "--xlsx", book)
    sheet = openpyxl.load_workbook(book)["report"]
    rows = [row[:2] for row in sheet.iter_rows(values_only=True)]
    assert [value for key, value in rows if key == "feed"] == ["ore", "scrap"]
    assert read_case(book).feeds == ("ore", "scrap")
    typed = tmp_path / "typed.xlsx"
    typed.write_bytes(entry_workbook(read_unmeasured(folder)))
    assert read_unmeasured(typed).definition.feeds == ("ore", "scrap")
    book.write_bytes(case_workbook(CIRCUIT + LIST, ROWS))
    assert read_case(book).feeds == ("ore", "scrap")
    one = case_in(tmp_path / "one", ALONE)
    run(capsys, "balance", one, "--xlsx", typed)
    assert read_case(typed).feeds == ("ore",)


def test_sheet_of_the_report(tmp_path: Path, capsys: Capture) -> None:
    """A feed in two rows is refused, with its cell."""
    book = tmp_path / "case.xlsx"
    run(capsys, "balance", case_in(tmp_path / "case"), "--xlsx", book)
    opened = openpyxl.load_workbook(book)
    opened["report"].append(["feed", "Scrap"])
    changed = io.BytesIO()
    opened.save(changed)
    book.write_bytes(changed.getvalue())
    with pytest.raises(SystemExit):
        main(["check", str(book)])
    assert "'scrap' is named as feed twice." in capsys.readouterr().err


def test_plan(tmp_path: Path, capsys: Capture) -> None:
    folder = case_in(tmp_path / "case")
    shown = run(capsys, "plan", folder, "--budget", 8)
    lines = [line.split() for line in shown.splitlines()]
    assert ["A", "recovery", "of", "Sn", "to", "conc", "70", "%", "0.606"] in [x[:9] for x in lines]
    assert "recovery of Sn to ore" not in shown
    asked = run(capsys, "plan", folder, "--budget", 6, "--for", "mass pull to scrap")
    row = next(line.split() for line in asked.splitlines() if "mass pull to scrap" in line)
    assert row[:7] == ["A", "mass", "pull", "to", "scrap", "20", "%"]


def test_compare(tmp_path: Path, capsys: Capture) -> None:
    one, two = case_in(tmp_path / "one"), case_in(tmp_path / "two", LIST)
    alone = case_in(tmp_path / "alone", ALONE)
    same = run(capsys, "compare", one, two)
    told = "Recoveries and mass pulls refer to feeds of different names:"
    assert "No difference between 'one' and 'two' is shown" in same and told not in same
    shown = run(capsys, "compare", one, alone, "--full").replace("\n  ", " ")
    assert "'ore + scrap' of" in shown and "'ore' of 'alone'" in shown
    found = json.loads(run(capsys, "compare", one, alone, "--json", "-"))
    jsonschema.Draft202012Validator(packaged_schema("comparison")).validate(found)
    named = [test["feeds"] for arm in found["arms"] for test in arm["tests"]]
    assert named == [["ore", "scrap"], ["ore"]]


def test_draws(tmp_path: Path, capsys: Capture) -> None:
    folder = case_in(tmp_path / "case")
    found = json.loads(run(capsys, "balance", folder, "--draws", 100, "--json", "-"))
    rows = found["simulation"]["answers"]
    shares = {row["of"]: row["mean"] for row in rows if row["kind"] == "recovery"}
    assert shares["conc"] == pytest.approx(70.0, abs=0.3)  # 5 sd of a mean of 100
