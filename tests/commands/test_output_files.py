"""Files that the commands write: over nothing but our own, and never under a misleading name."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path

import openpyxl
import pytest
from planned_cases import planned_case

from oretally.io.cli import main

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
Capture = pytest.CaptureFixture[str]

WRONG = {
    ("balance", "--xlsx", "x.csv"): "--xlsx writes a file whose name ends in .xlsx; 'x.csv' does "
    "not.",
    ("balance", "--html", "x.xlsx"): "--html writes a file whose name ends in .html or .htm; "
    "'x.xlsx' does not.",
    ("balance", "--json", "report"): "--json writes a file whose name ends in .json; 'report' does "
    "not.",
    ("check", "--svg", "x.png"): "--svg writes a file whose name ends in .svg; 'x.png' does not.",
    ("sheet", "--xlsx", "x.ods"): "--xlsx writes a file whose name ends in .xlsx; 'x.ods' does "
    "not.",
    ("lab", "--html", "x.json"): "--html writes a file whose name ends in .html or .htm; 'x.json' "
    "does not.",
    ("sample-mass", "--json", "x"): "--json writes a file whose name ends in .json; 'x' does not.",
    ("sheet", "--html", "x.pdf"): "--html writes a file whose name ends in .html or .htm; 'x.pdf' "
    "does not.",
    ("balance", "--xlsx", "case.xlsx"): "'case.xlsx' is part of the case; give the result another "
    "name.",
    ("balance", "--xlsx", "./other/../case.xlsx"): "'other/../case.xlsx' is part of the case; give "
    "the result another name.",
    ("balance", "--xlsx", "link.xlsx"): "'link.xlsx' is part of the case; give the result another "
    "name.",
    ("sheet", "--xlsx", "case.xlsx"): "'case.xlsx' is part of the case; give the result another "
    "name.",
}  # fmt: skip


def _run(capsys: Capture, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    shown = capsys.readouterr()
    return int(stop.value.code or 0), shown.out, shown.err


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a case in an otherwise empty folder, which is the current one; it has two names."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(EXAMPLES / "tin_table" / "tin_table.xlsx", "case.xlsx")
    os.link("case.xlsx", "link.xlsx")
    Path("other").mkdir()
    return Path("case.xlsx")


@pytest.mark.parametrize("asked", list(WRONG))
def test_refused(asked: tuple[str, str, str], case: Path, capsys: Capture) -> None:
    before = case.read_bytes()
    command, option, name = asked
    status, out, err = _run(capsys, command, str(case), option, name)
    assert (status, out) == (2, "")
    assert err.splitlines()[-1] == f"Error: {WRONG[asked]}"
    assert case.read_bytes() == before
    assert sorted(os.listdir()) == ["case.xlsx", "link.xlsx", "other"]


def test_a_file_of_the_folder_is_refused(tmp_path: Path, capsys: Capture) -> None:
    folder = tmp_path / "case"
    shutil.copytree(EXAMPLES / "tin_table", folder)
    (folder / "old.html").write_text("mine", "utf-8")
    status, _, err = _run(capsys, "balance", str(folder), "--html", str(folder / "old.html"))
    assert status == 2
    assert "is part of the case; give the result another name." in err
    assert (folder / "old.html").read_text("utf-8") == "mine"


def test_two_results_never_go_into_one_file(case: Path, capsys: Capture) -> None:
    status, out, err = _run(capsys, "balance", str(case), "--html", "x.html", "--json", "y.json")
    assert status == 0
    os.link("y.json", "z.html")
    status, out, err = _run(capsys, "balance", str(case), "--html", "z.html", "--json", "y.json")
    assert (status, out) == (2, "")
    assert err.splitlines()[-1] == (
        "Error: 'z.html' is asked for twice; give each result its own name."
    )


def test_capital_letters_and_standard_output_pass(case: Path, capsys: Capture) -> None:
    status, out, _ = _run(capsys, "balance", str(case), "--html", "X.HTM", "--json", "-")
    assert status == 0
    assert out.startswith("{") and Path("X.HTM").exists()


WRITERS = {
    ("balance", "--html"): "x.html", ("balance", "--json"): "x.json",
    ("balance", "--xlsx"): "x.xlsx", ("balance", "--pdf"): "x.pdf", ("check", "--svg"): "x.svg",
    ("sheet", "--html"): "x.htm", ("sheet", "--xlsx"): "x.XLSX", ("lab", "--html"): "x.html",
    ("lab", "--json"): "x.json", ("plan", "--json"): "x.json", ("compare", "--html"): "x.html",
    ("compare", "--json"): "x.json", ("sample-mass", "--json"): "x.json",
}  # fmt: skip
ORE = (
    "--grade", "0.8 %", "--top", "2 mm", "--liberation", "0.1 mm", "--mineral-grade", "78 %",
    "--mineral-density", "6.9 kg/L", "--gangue-density", "2.7 kg/L", "--error", "5 %",
)  # fmt: skip


def _words(command: str) -> tuple[str, ...]:
    """Return a command and what it reads."""
    case = str(EXAMPLES / "tin_table")
    if command == "compare":
        return (command, str(EXAMPLES / "grind_coarse"), str(EXAMPLES / "grind_fine"))
    return (command, *ORE) if command == "sample-mass" else (command, case)


@pytest.mark.parametrize("writer", list(WRITERS))
def test_only_what_oretally_wrote_is_replaced(
    writer: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """Its own report may be made anew; a file of anybody else stands, and one line says so."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    (command, option), name = writer, WRITERS[writer]
    words = (*_words(command), option, name)
    if command == "plan":
        words = (command, str(planned_case(tmp_path)), option, name)
    assert _run(capsys, *words)[0] == 0
    status, _, err = _run(capsys, *words)
    assert (status, err) == (0, f"written: {name}\n")
    for foreign in (b"", b"mine"):
        Path(name).write_bytes(foreign)
        status, out, err = _run(capsys, *words)
        assert (status, out) == (2, "")
        assert err == (
            f"Error: '{name}' is there already, perhaps not as oretally wrote it: give the result "
            "another name, or move that file away.\n"
        )
        assert Path(name).read_bytes() == foreign
    assert os.listdir() == [name]


@pytest.mark.parametrize("command", ["sheet", "balance"])
def test_a_workbook_that_was_typed_into_stands(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """One cell is enough."""
    monkeypatch.chdir(tmp_path)
    words = (*_words(command), "--xlsx", "x.xlsx")
    assert _run(capsys, *words)[0] == 0
    book = openpyxl.load_workbook("x.xlsx")
    book["measurements"]["H3"] = 31.2
    book.save("x.xlsx")
    typed = Path("x.xlsx").read_bytes()
    status, _, err = _run(capsys, *words)
    assert status == 2 and "'x.xlsx' is there already, perhaps not as oretally wrote it" in err
    assert Path("x.xlsx").read_bytes() == typed
    # a blank case is the user's from the start
    assert _run(capsys, "new", "case.xlsx")[0] == 0
    blank = Path("case.xlsx").read_bytes()
    assert _run(capsys, *words[:-1], "case.xlsx")[0] == 2
    assert Path("case.xlsx").read_bytes() == blank


def test_a_report_in_the_folder_of_the_case_may_be_made_anew(
    tmp_path: Path, capsys: Capture
) -> None:
    folder = tmp_path / "case"
    shutil.copytree(EXAMPLES / "tin_table", folder)
    words = ("balance", str(folder), "--html", str(folder / "report.html"))
    assert _run(capsys, *words)[0] == _run(capsys, *words)[0] == 0


def test_a_report_that_is_read_is_never_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """The workbook of results is a case too; as such it is input."""
    monkeypatch.chdir(tmp_path)
    assert _run(capsys, *_words("balance"), "--xlsx", "x.xlsx")[0] == 0
    before = Path("x.xlsx").read_bytes()
    status, _, err = _run(capsys, "balance", "x.xlsx", "--xlsx", "x.xlsx")
    assert (status, err) == (
        2, "Error: 'x.xlsx' is part of the case; give the result another name.\n"
    )  # fmt: skip
    assert Path("x.xlsx").read_bytes() == before


def test_a_read_only_report_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """Its owner made it so; the superuser, who may write anything, is told the same."""
    monkeypatch.chdir(tmp_path)
    words = (*_words("check"), "--svg", "x.svg")
    assert _run(capsys, *words)[0] == 0
    before = Path("x.svg").read_bytes()
    Path("x.svg").chmod(stat.S_IREAD)
    assert _run(capsys, *words) == (
        2, "", "Error: 'x.svg' is there already and read-only, so it stays: give the result "
        "another name.\n",
    )  # fmt: skip
    assert (os.listdir(), Path("x.svg").read_bytes()) == (["x.svg"], before)
    Path("x.svg").chmod(stat.S_IREAD | stat.S_IWRITE)
    assert _run(capsys, *words)[0] == 0


def test_what_a_command_has_read_is_judged_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """A laboratory's table, outside of the case, that looks as if oretally had written it."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(EXAMPLES / "tin_table", "case")
    table = '{"schema": "oretally.lab/1"}\n' + Path("case/lab.csv").read_text("utf-8")
    Path("batch.json").write_text(table, "utf-8")
    with Path("case/circuit.toml").open("a", encoding="utf-8") as file:
        file.write("[lab]\nfile = '../batch.json'\ncolumns = { sample = 'sample' }\n")
    assert _run(capsys, "lab", "case", "--json", "other.json")[0] == 0
    for name in ("batch.json", "case/../batch.json"):
        assert _run(capsys, "lab", "case", "--json", name) == (
            2, "", f"Error: '{Path(name)}' is part of the case; give the result another name.\n"
        )  # fmt: skip
    assert Path("batch.json").read_text("utf-8") == table
    assert sorted(os.listdir()) == ["batch.json", "case", "other.json"]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("case/circuit.toml", "--html writes a file whose name ends in"),
        ("case/measurements.csv", "--html writes a file whose name ends in"),
        ("folder.html", "'folder.html' is a folder; give the result another name."),
        ("pipe.html", "'pipe.html' is no plain file; give the result another name."),
        ("link.html", "'link.html' is a link to a file that is not there; name that file itself."),
        ("ring.html", "'ring.html' cannot be written: Too many levels of symbolic links."),
        ("mine.txt/x.html", "'mine.txt/x.html' cannot be written: Not a directory."),
        ("none/x.html", "'none/x.html' cannot be written: No such file or directory."),
        (f"{'x' * 300}.html", "cannot be written: File name too long. Give a shorter name."),
        ("to_mine.html", "'to_mine.html' is there already, perhaps not as oretally wrote it"),
    ],
)
@pytest.mark.skipif(os.name == "nt", reason="other names, other words")
def test_refused_before_any_work(
    name: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(EXAMPLES / "tin_table", "case")
    Path("folder.html").mkdir()
    os.mkfifo("pipe.html")
    Path("mine.txt").write_text("mine", "utf-8")
    for link, target in (("link", "nowhere"), ("ring", "ring.html"), ("to_mine", "mine.txt")):
        Path(f"{link}.html").symlink_to(target)
    before = {p: (p.lstat().st_mode, p.lstat().st_mtime_ns) for p in Path().rglob("*")}
    monkeypatch.setattr("oretally.io.laboratory.read_lab", None)  # it is not come to
    status, out, err = _run(capsys, "lab", "case", "--html", name)
    assert (status, out) == (2, "") and said in err
    assert {p: (p.lstat().st_mode, p.lstat().st_mtime_ns) for p in Path().rglob("*")} == before


def test_a_link_to_an_older_report_is_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("far").mkdir()
    assert _run(capsys, *_words("check"), "--svg", "far/x.svg")[0] == 0
    Path("link.svg").symlink_to("far/x.svg")
    before = Path("far/x.svg").stat().st_ino
    assert _run(capsys, *_words("check"), "--svg", "link.svg")[0] == 0
    assert Path("link.svg").is_symlink() and Path("far/x.svg").stat().st_ino != before
    assert sorted(os.listdir()) == ["far", "link.svg"] and os.listdir("far") == ["x.svg"]
    Path("b.html").symlink_to("a.json")
    assert "asked for twice" in _run(
        capsys, *_words("lab"), "--json", "a.json", "--html", "b.html"
    )[2]  # fmt: skip


def test_what_came_there_meanwhile_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """Between the first look and the last step somebody else saves a file of that name."""
    monkeypatch.chdir(tmp_path)

    def drawn(*_: object) -> str:
        Path("x.svg").write_text("mine", "utf-8")
        return "<svg/>"

    monkeypatch.setattr("oretally.io.pictures.circuit_svg", drawn)
    status, _, err = _run(capsys, *_words("check"), "--svg", "x.svg")
    assert status == 2 and "'x.svg' is there already, perhaps not as oretally wrote it" in err
    assert (os.listdir(), Path("x.svg").read_text("utf-8")) == (["x.svg"], "mine")
