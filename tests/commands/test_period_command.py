"""`oretally campaign FILE period`: one screen, all figures, files, and words that are wrong."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import jsonschema
import openpyxl
import pytest
from click.testing import CliRunner, Result

from oretally.flowsheet import InputError
from oretally.io.cli import oretally
from oretally.io.periods import period_schema, read_range, read_span

EXAMPLE = Path(__file__).parents[2] / "examples" / "shifts_with_stockpile"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(oretally, ["campaign", *map(str, words)], standalone_mode=False)


def made(folder: Path, surveys: Path) -> Path:
    file = folder / "mill.db"
    added = run(file, "add", surveys, "--circuit", EXAMPLE / "plant.toml")
    assert added.exception is None, added.output
    return file


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the campaign of the first day of the example, and its last stock."""
    folder = tmp_path_factory.mktemp("period")
    lines = (EXAMPLE / "surveys.csv").read_text("utf-8").splitlines()
    rows = [line for line in lines[1:] if line.startswith(("02", "03 early"))]
    rows.append("03 early,2026-03-03 06:00,closing stock of ROM pile,2140,60,2.5,6,0.6,5")
    table = folder / "surveys.csv"
    table.write_text("\n".join([lines[0], *rows]) + "\n", "utf-8")
    return made(folder, table)


def test_one_screen_and_all_the_files(short: Path, tmp_path: Path) -> None:
    names = [tmp_path / f"p{end}" for end in (".html", ".xlsx", ".json")]
    options = [w for name in names for w in (f"--{name.suffix[1:]}", name)]
    found = run(short, "period", "2026-03", "--by", "day", *options)
    assert found.exception is None
    lines = found.stdout.splitlines()
    assert len(lines) <= 30
    assert max(map(len, lines)) <= 80
    text = " ".join(found.stdout.split())
    assert "Gold-copper mill, shifts: 2026-03 4 surveys, 2026-03-02 06:00 to" in text
    assert "stocks handed on 3 times" in text
    assert "Recovered in 4 of some 93 surveys: " in text
    assert "ozt) in 'concentrate'" in text
    assert "check-in check-out" in text
    document = json.loads(names[2].read_text("utf-8"))
    jsonschema.Draft202012Validator(period_schema()).validate(document)
    assert [p["name"] for p in document["parts"]] == ["2026-03-02", "2026-03-03"]
    book = openpyxl.load_workbook(names[1])
    assert book.sheetnames == ["summary", "amounts", "recoveries", "unaccounted", "variance",
                               "surveys"]  # fmt: skip
    page = names[0].read_text("utf-8")
    assert "Check-in and check-out" in page
    assert "<script" not in page


def test_all_figures(short: Path) -> None:
    found = run(short, "period", "--from", "2026-03-02", "--to", "2026-03-02", "--full")
    assert "3 surveys" in found.stdout
    for heading in ("What to know", "Recovered", "Check-in and check-out", "Unaccounted for",
                    "What the ± comes from", "The surveys", "How it was done"):  # fmt: skip
        assert f"\n{heading}\n" in found.stdout
    assert "by difference" in found.stdout
    assert "-0 ±" not in found.stdout


def test_stocks_in_a_long_table_are_those_of_each_survey(short: Path) -> None:
    shown = run(short, "show", "02 early", "--full")
    assert "opening stock of ROM pile   dry mass [t]   1880" in shown.stdout
    assert "closing stock of ROM pile   dry mass [t]      –" in shown.stdout


def test_a_fault_in_a_stock_names_table_and_cell(tmp_path: Path) -> None:
    table = tmp_path / "surveys.csv"
    table.write_text(
        "survey,stream,dry mass [t],Au [g/t],Cu [%]\nA,mill feed,300,2.4,0.6\n"
        "A,concentrate,8,86,23\nA,opening stock of heap,100,2,0.5\n", "utf-8",
    )  # fmt: skip
    added = run(tmp_path / "x.db", "add", table, "--circuit", EXAMPLE / "plant.toml")
    assert added.exception is not None
    assert str(added.exception).startswith("surveys.csv, cell B4: There is no node 'heap'")
    assert "'heap'" in str(added.exception)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "Name a period, such as 2026-03, or give --from and --to."),
        (("2026-03", "--from", "2026-03-01"), "Name a period, or give --from and --to: not both."),
        (("march",), "'march' is no period."),
        (("2026-13",), "There is no '2026-13'."),
        (("2025",), "There is no survey in '2025'.\nIts surveys are from 2026-03-02 to 2026-03-03"),
        (("2026", "--common", "belt scales"), "Did you mean 'belt scale'?"),
        (("--from", "2026-03-05", "--to", "2026-03-01"), "Nothing lies between"),
    ],
)
def test_words_that_are_wrong(short: Path, words: tuple[str, ...], said: str) -> None:
    found = run(short, "period", *words)
    assert found.exception is not None
    assert said in str(found.exception)


def test_periods_by_name() -> None:
    assert str(read_span("2026-02").end) == "2026-03-01 00:00:00"
    assert str(read_span("2026").end) == "2027-01-01 00:00:00"
    assert str(read_range("2026-03-02", "2026-03-04").end) == "2026-03-05 00:00:00"
    assert str(read_range(None, "2026-03-04 06:00").end) == "2026-03-04 06:00:00"


@pytest.mark.parametrize("text", ["9999", "9999-12", "9999-12-31", "9999-W52"])
def test_a_period_behind_the_last_that_a_clock_knows(text: str) -> None:
    with pytest.raises(InputError, match=f"There is no '{text}'"):
        read_span(text)
    with pytest.raises(InputError, match="No day comes after --to 9999-12-31"):
        read_range("2026-03-02", "9999-12-31")


def test_the_example_is_as_its_readme_says() -> None:
    rows = list(csv.reader(io.StringIO((EXAMPLE / "surveys.csv").read_text("utf-8"))))
    assert len({row[0] for row in rows[1:]}) == 21
    stocks = [row[2] for row in rows if "stock" in row[2]]
    assert stocks == ["opening stock of ROM pile", "closing stock of ROM pile"]
    assert [row[0] for row in rows if row[2] == "mill feed" and not row[5]] == ["05 late"]


def test_a_stock_that_nobody_measured_needs_no_row(tmp_path: Path) -> None:
    """Of a table without any row of a stock, the change in stock is still what went in and out."""
    lines = (EXAMPLE / "surveys.csv").read_text("utf-8").splitlines()
    rows = [r for r in lines[1:] if r.startswith(("02", "03")) and "stock of" not in r]
    surveys = tmp_path / "surveys.csv"
    surveys.write_text("\n".join([lines[0], *rows]) + "\n", "utf-8")
    days = ("--from", "2026-03-02", "--to", "2026-03-03")
    found = json.loads(run(made(tmp_path, surveys), "period", *days, "--json", "-").stdout)
    assert [s["label"] for s in found["shifts"]] == [
        f"0{day} {shift}" for day in (2, 3) for shift in ("early", "late", "night")
    ]
    (change,) = (
        a for a in found["whole"]["amounts"]
        if (a["item"], a["quantity"]) == ("change in stock", "dry mass")
    )  # fmt: skip
    moved = {"mine ore": 0.0, "mill feed": 0.0}
    for row in csv.DictReader([lines[0], *rows]):
        if row["stream"] in moved:
            moved[row["stream"]] += float(row["dry mass [t]"])
    by_hand = moved["mine ore"] - moved["mill feed"]
    assert abs(change["check_out"] - by_hand) < 2.0 * change["check_out_sd"] < 60.0


def test_sieve_analyses_are_left_aside_and_it_is_said(tmp_path: Path) -> None:
    """The sums are those of the same cases without their sizes; and `show` still has them."""
    told = {}
    for name in ("sized", "bulk"):
        file = tmp_path / f"{name}.db"
        for k in (1, 2, 3):
            case = tmp_path / name / f"day {k}"
            shutil.copytree(EXAMPLE.parent / "tails_by_size", case)
            if name == "bulk":
                (case / "sizes.csv").unlink()
            added = run(file, "add", case, "--time", f"2026-03-0{k}")
            assert added.exception is None, added.output
        days = ("--from", "2026-03-01", "--to", "2026-03-03")
        told[name] = run(file, "period", *days, "--json", "-")
        assert told[name].exception is None
    sized, bulk = (json.loads(told[name].stdout) for name in ("sized", "bulk"))
    jsonschema.Draft202012Validator(period_schema()).validate(sized)
    assert sized["whole"] == bulk["whole"] and sized["test"] == bulk["test"]
    assert sized["whole"]["recoveries"][0]["check_out"] is not None
    assert (sized["without_sizes"], bulk["without_sizes"]) == (["day 1", "day 2", "day 3"], [])
    assert sized["notes"][0].startswith(
        "The sieve analyses of 'day 1', 'day 2' and 'day 3' are not used here: sums are of bulk "
        "masses and assays."
    )
    assert "250" in run(tmp_path / "sized.db", "show", "day 1", "--show", "sizes").stdout


def test_hours_are_of_rates_alone(short: Path) -> None:
    """Masses are amounts already: hours multiplied them without a word."""
    found = run(short, "period", "2026-03", "--hours", "8")
    assert "hours have no say" in str(found.exception)
    assert "Produced" not in found.output
