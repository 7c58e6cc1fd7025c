"""Files that the commands write: a name that misleads is refused, the input is never written to."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

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
