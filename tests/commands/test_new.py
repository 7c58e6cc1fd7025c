"""`oretally new`: blank cases and copies of examples, as folders and as workbooks."""

from __future__ import annotations

import tomllib
from pathlib import Path

import openpyxl
import pytest
import python_calamine
from balance_cases import only_balanced

from oretally.io import read_case
from oretally.io.case import SHEETS, read_unmeasured
from oretally.io.cli import main
from oretally.io.files import create_file
from oretally.io.forms.case_workbook import READ_ME, case_workbook
from oretally.io.laboratory import read_lab

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
ALL = sorted(p.name for p in EXAMPLES.iterdir() if (p / "circuit.toml").exists())
Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(each) for each in arguments])
    shown = capsys.readouterr()
    return int(stop.value.code or 0), shown.out, shown.err


@pytest.fixture
def blank(tmp_path: Path, capsys: Capture) -> Path:
    """Return a blank workbook."""
    path = tmp_path / "my test.xlsx"
    status, out, err = run(capsys, "new", path)
    assert (status, out) == (0, "")
    assert err == f'written: {path}\nFill it in, then: oretally check "{path}"\n'
    return path


def test_blank_workbook_has_every_sheet_and_no_number(blank: Path) -> None:
    """Read by another program's reader: instructions first, then the sheets of a case."""
    book = python_calamine.CalamineWorkbook.from_path(str(blank))
    assert book.sheet_names[0] == READ_ME
    assert set(book.sheet_names) - {READ_ME} == {
        "circuit", "nodes", "analytes", "errors", "sources", "report", "containers", "doubts",
        "measurements",
    }  # fmt: skip
    assert set(book.sheet_names) - {READ_ME} <= set(SHEETS)
    rows = {title: book.get_sheet_by_name(title).to_python() for title in book.sheet_names}
    assert rows["measurements"] == [
        ["stream", "dry mass [g]", "± dry mass [g]", "Sn [%]", "± Sn [rel %]", "note"],
        *([name, "", "", "", "", ""] for name in ("feed", "concentrate", "tailings")),
    ]
    assert rows["errors"] == [["stream", "quantity", "relative", "absolute", "coverage"]]
    assert rows["nodes"] == [["node", "kind"]]
    numbers = [c for lines in rows.values() for row in lines for c in row if isinstance(c, float)]
    assert numbers == [78.77]  # tin in cassiterite, SnO2: the most that a grade can be
    assert rows[READ_ME][0] == [
        "", "A case to fill in. The streams in grey are an example: write your own over them.",
    ]  # fmt: skip
    assert [row[0] for row in rows[READ_ME][1:-1]] == book.sheet_names[1:]


def test_blank_workbook_checks_what_is_typed(blank: Path) -> None:
    book = openpyxl.load_workbook(blank)
    rules = {
        (sheet.title, str(rule.sqref)): rule
        for sheet in book.worksheets
        for rule in sheet.data_validations.dataValidation
    }
    assert rules["report", "B3"].formula1 == '"batch,rate"'
    assert (
        rules["nodes", "B2:B1000"].formula1
        == '"separator,mixer,splitter,mill,thickener,leach,stockpile"'
    )
    assert rules["report", "A2:A1000"].formula1 == '"title,basis,water,feed,product,lost"'
    unit = rules["analytes", "B2:B1000"]
    assert unit.errorStyle == "warning" and '"%,g/g,' in unit.formula1
    assert len(unit.formula1) <= 257  # a longer list is refused by spreadsheet programs
    assert rules["measurements", "B2:B1000"].formula1 == "OR(ISTEXT(B2),B2>=0)"
    assert ("measurements", "F2:F1000") not in rules  # notes are free
    assert all(rule.prompt for rule in rules.values())
    names = [row[0].font.color.rgb for row in book["circuit"].iter_rows(min_row=2)]
    assert names == ["00808080"] * 3


UNFILLED = (
    "1 problem in the input:\n\n{place}: No number is filled in yet.\nWrite the dry mass of one "
    "stream at least and what was assayed, each in the row of its stream, with its error beside "
    "it.\n"
)


@pytest.mark.parametrize("form", ["folder", "book.xlsx"])
def test_balance_of_a_blank_says_what_to_fill_in(
    form: str, tmp_path: Path, capsys: Capture
) -> None:
    path = tmp_path / form
    run(capsys, "new", path)
    place = "measurements.csv" if form == "folder" else "book.xlsx, sheet 'measurements'"
    assert run(capsys, "balance", path) == (2, "", UNFILLED.format(place=place))
    status, out, _ = run(capsys, "check", path)
    assert status == 1 and "no dry mass was measured, so nothing fixes the scale" in out
    assert [s.name for s in read_unmeasured(path).rows.streams] == [
        "feed",
        "concentrate",
        "tailings",
    ]


def test_blank_workbook_invents_no_error(blank: Path, capsys: Capture) -> None:
    """Numbers without an error are refused, in the folder too: the blank states none."""
    book = openpyxl.load_workbook(blank)
    book["measurements"]["B2"] = 25_000
    book.save(blank)
    status, _, err = run(capsys, "balance", blank)
    assert status == 2
    assert err.startswith(
        "1 problem in the input:\n\nmy test.xlsx, sheet 'measurements', cell B2, stream 'feed', "
        "dry mass: No error is stated.\n"
    )
    folder = blank.parent / "folder"
    run(capsys, "new", folder)
    file = folder / "measurements.csv"
    file.write_text(file.read_text("utf-8").replace("feed,", "feed,25000", 1), "utf-8")
    assert "No error is stated." in run(capsys, "balance", folder)[2]


def test_filled_in_it_balances(blank: Path, capsys: Capture) -> None:
    book = openpyxl.load_workbook(blank)
    sheet = book["measurements"]
    typed: list[list[float]] = [[24952, 60, 1.01, 3], [420, 1, 31.2, 1.5], [24531, 60]]
    for row, numbers in enumerate(typed, 2):
        for column, number in enumerate(numbers, 2):
            sheet.cell(row, column, number)
    book.save(blank)
    status, out, _ = run(capsys, "balance", blank)
    assert status == 0
    assert "Recovered: " in out and " of the Sn in 'concentrate'." in out


@pytest.mark.parametrize("name", ALL)
def test_an_example_as_workbook_is_the_folder(name: str, tmp_path: Path, capsys: Capture) -> None:
    """Circuit, numbers, errors, containers and rates come back; so the balance is the same."""
    path = tmp_path / "copy.xlsx"
    status, _, err = run(capsys, "new", path, "--from", name)
    assert status == 0
    assert err == (
        f"written: {path}\nA copy of an invented case. Try it: oretally balance {path}\n"
    )
    one, two = read_case(EXAMPLES / name), read_case(path)
    assert two.circuit == one.circuit
    assert two.survey == one.survey
    assert (two.feed, two.products, two.lost) == (one.feed, one.products, one.lost)
    assert (two.title, two.rates, two.notes) == (one.title, one.rates, one.notes)
    assert [(p.analyte, p.per_kg) for p in two.prices] == [
        (p.analyte, p.per_kg) for p in one.prices
    ]
    assert openpyxl.load_workbook(path)[READ_ME]["B1"].value == (
        f"A copy of the example '{name}'. Its numbers are invented."
    )
    known = {"title", "basis", "streams", "nodes", "analytes", "errors", "sources", "report",
             "containers", "doubts", "water", "losses", "prices", "reagents"}  # fmt: skip
    document = tomllib.loads((EXAMPLES / name / "circuit.toml").read_text("utf-8"))
    assert set(document) <= known  # what else a case may hold is not in the workbook


def test_the_balance_of_both_is_the_same(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "copy.xlsx"
    run(capsys, "new", path, "--from", "tin_table")
    one, two = (
        only_balanced(c.circuit, c.survey, feed=c.feed, products=c.products, rates=c.rates)
        for c in (read_case(EXAMPLES / "tin_table"), read_case(path))
    )
    assert two == one


def test_the_laboratory_batch_goes_with_the_copy(tmp_path: Path, capsys: Capture) -> None:
    run(capsys, "new", tmp_path / "copy", "--from", "tin_table")
    run(capsys, "new", tmp_path / "copy.xlsx", "--from", "tin_table")
    lab = EXAMPLES / "tin_table" / "lab.csv"
    assert (tmp_path / "copy" / "lab.csv").read_bytes() == lab.read_bytes()
    assert run(capsys, "lab", tmp_path / "copy.xlsx")[0] == 0
    assert read_lab(tmp_path / "copy.xlsx") is not None


def test_names_that_look_like_numbers_stay(tmp_path: Path) -> None:
    """A stream '1.10' is not the stream '1.1'; numbers of the table are numbers."""
    text = (
        'basis = "rate"\n[streams]\n"1.10" = { to = "jig" }\n"1.1" = { from = "jig" }\n'
        '"2e3" = { from = "jig" }\n[analytes]\nSn = "%"\n[errors]\n"dry rate" = { relative = 1 }\n'
        "Sn = { relative = 3 }\n"
    )
    rows = "stream,dry rate [t/h],Sn [%]\n1.10,5.5,1e0\n1.1,,20\n2e3,,nan\n"
    path = tmp_path / "book.xlsx"
    path.write_bytes(case_workbook(text, rows.replace("nan", "-")))
    found = read_case(path)
    assert found.circuit.stream_names == ("1.10", "1.1", "2e3")
    assert [m.value for m in found.survey.measurements] == [5.5, 1.0, 20.0]
    path.write_bytes(case_workbook(text, rows))  # a word that a program might take for a number
    sheet = openpyxl.load_workbook(path)["measurements"]
    assert (sheet["C4"].value, sheet["C2"].value) == ("nan", 1)


REFUSED = {
    ("book.ods",): "book.ods: A case is not written as a .ods file.\nGive a folder, or a file "
    "ending in .xlsx.\n",
    ("case.txt",): "case.txt: A case is not written as a .txt file.\nGive a folder, or a file "
    "ending in .xlsx.\n",
    ("taken.xlsx",): "taken.xlsx: It exists already, and nothing is ever written over.\nChoose "
    "another name.\n",
    ("no/such/book.xlsx",): "no/such/book.xlsx: It cannot be written: No such file or "
    "directory.\nGive a folder that exists and may be written to.\n",
    ("book.xlsx", "--from", "tin_tabel"): "There is no example 'tin_tabel'.\nDid you mean "
    "'tin_table'?\n",
}


@pytest.mark.parametrize("arguments", list(REFUSED))
def test_refused(
    arguments: tuple[str, ...], tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("taken.xlsx").write_text("precious", "utf-8")
    status, out, err = run(capsys, "new", *arguments)
    assert (status, out) == (2, "")
    assert err == f"1 problem in the input:\n\n{REFUSED[arguments]}"
    assert [p.name for p in tmp_path.iterdir()] == ["taken.xlsx"]
    assert Path("taken.xlsx").read_text("utf-8") == "precious"


@pytest.mark.parametrize("failing", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("there", [False, True])
def test_what_cannot_be_finished_is_removed(
    failing: BaseException, there: bool, tmp_path: Path, capsys: Capture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """The circuit comes last; a folder that was there stays, one that was made goes."""
    tried = []

    def create(path: Path, content: str) -> None:
        tried.append(path.name)
        if path.name == "circuit.toml":
            raise failing
        create_file(path, content)

    monkeypatch.setattr("oretally.io.forms.new_case.create_file", create)
    target = tmp_path / "a" / "b.1"
    if there:
        target.mkdir(parents=True)
    status, out, err = run(capsys, "new", target, "--from", "tin_table")
    assert tried == ["measurements.csv", "lab.csv", "circuit.toml"]
    assert status == (2 if isinstance(failing, OSError) else 130)
    assert out == "" and ("No space left on device" in err or err.endswith("Stopped.\n"))
    left = [p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*")]
    assert left == (["a", "a/b.1"] if there else [])


def test_a_file_of_somebody_else_that_came_meanwhile_stays(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def create(path: Path, content: str) -> None:
        if path.name == "circuit.toml":
            path.write_text("mine", "utf-8")
        create_file(path, content)

    monkeypatch.setattr("oretally.io.forms.new_case.create_file", create)
    status, _, err = run(capsys, "new", tmp_path / "a")
    assert status == 2 and "It cannot be written: File exists." in err
    assert [p.name for p in (tmp_path / "a").iterdir()] == ["circuit.toml"]
    assert (tmp_path / "a" / "circuit.toml").read_text("utf-8") == "mine"


def test_a_folder_with_the_ending_of_a_file_may_be_filled(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "ore.lot").mkdir()
    assert run(capsys, "new", tmp_path / "ore.lot")[0] == 0
    assert run(capsys, "new", tmp_path / "test 1.5")[0] == 0


def test_examples_are_listed_without_a_place_to_write(capsys: Capture) -> None:
    status, out, err = run(capsys, "new", "--from", "list")
    assert (status, err) == (0, "")
    assert [line.split()[0] for line in out.splitlines()] == sorted(
        [*ALL, "campaign_gravity", "shifts_with_stockpile"]
    )
    status, out, err = run(capsys, "new")
    assert (status, out) == (2, "")
    assert "Error: Say where to: oretally new FOLDER, or oretally new FILE.xlsx.\n" in err


def test_sources_of_error_go_with_the_copy(tmp_path: Path) -> None:
    text = (EXAMPLES / "tin_table" / "circuit.toml").read_text("utf-8")
    text += (
        '[sources]\n"scale" = { of = "dry mass", relative = 1, shared = true }\n'
        '"splits" = { of = "Sn", streams = ["concentrate", "tailings"], absolute = "0.1 %" }\n'
    )
    rows = (EXAMPLES / "tin_table" / "measurements.csv").read_text("utf-8")
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    (tmp_path / "measurements.csv").write_text(rows, "utf-8")
    (tmp_path / "book.xlsx").write_bytes(case_workbook(text, rows))
    one, two = read_case(tmp_path), read_case(tmp_path / "book.xlsx")
    assert one.survey.shared and any(m.parts for m in one.survey.measurements)
    assert two.survey == one.survey
