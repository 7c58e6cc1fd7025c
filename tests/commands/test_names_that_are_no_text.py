"""Names of files that are not UTF-8, as old disks and sticks have them: read, written, shown."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import openpyxl
import pytest

from oretally.io.cli import main
from oretally.io.desk_campaign import survey_taken_out
from oretally.io.files import readable_name

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
NAME = os.fsdecode(b"caf\xe9")
Capture = pytest.CaptureFixture[str]


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a case of such a name, which is its title, in a folder that is the current one."""
    monkeypatch.chdir(tmp_path)
    try:
        shutil.copytree(EXAMPLES / "tin_table", NAME)
    except OSError:
        pytest.skip("there are no such names here")
    circuit = Path(NAME) / "circuit.toml"
    circuit.write_text(circuit.read_text("utf-8").replace("title =", "# title ="), "utf-8")
    return Path(NAME)


def _run(capsys: Capture, *words: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    shown = capsys.readouterr()
    return int(stop.value.code or 0), shown.out, shown.err


def test_written_out() -> None:
    assert readable_name(NAME) == r"caf\xe9"
    assert readable_name("Erzprobe ± 3.xlsx") == "Erzprobe ± 3.xlsx"


def test_a_balance(case: Path, capsys: Capture) -> None:
    files = [f"{NAME}.{kind}" for kind in ("json", "html", "xlsx", "pdf")]
    options = [word for file in files for word in (f"--{file.rpartition('.')[2]}", file)]
    status, out, err = _run(capsys, "balance", case, *options)
    assert status == 0
    assert out.startswith("caf\\xe9\nDo not use: the laboratory batch ")
    assert err == "".join(f"written: caf\\xe9.{kind}\n" for kind in ("json", "html", "xlsx", "pdf"))
    assert json.loads(Path(files[0]).read_text("utf-8"))["title"] == r"caf\xe9"
    assert r"<title>caf\xe9" in Path(files[1]).read_text("utf-8")
    assert openpyxl.load_workbook(files[2]).properties.title == r"caf\xe9"


def test_other_commands(case: Path, capsys: Capture) -> None:
    for words in (
        ("lab", case, "--html", f"{NAME}.html", "--json", f"{NAME}.json"),
        ("sheet", case, "--html", f"{NAME}2.html", "--xlsx", f"{NAME}2.xlsx"),
        ("plan", case, "--json", f"{NAME}3.json"),
        ("compare", case, EXAMPLES / "tin_table", "--html", f"{NAME}4.html"),
        ("new", f"{NAME}5"),
        ("new", f"{NAME}5.xlsx"),
    ):
        status, out, err = _run(capsys, *words)
        assert status == 0 and "written: caf\\xe9" in err
        assert NAME not in out


def test_a_campaign(case: Path, capsys: Capture) -> None:
    shutil.copy(case / "lab.csv", f"{NAME}.csv")
    assert _run(capsys, "campaign", "c.db", "add", case)[0] == 0
    assert _run(capsys, "campaign", "c.db", "list")[1].splitlines()[1] == r"caf\xe9"
    status, out, _ = _run(capsys, "campaign", "c.db", "show", r"caf\xe9")
    assert status == 0 and r", from caf\xe9" in out
    assert _run(capsys, "campaign", "c.db", "certificate", f"{NAME}.csv")[0] == 2
    assert survey_taken_out("c.db", r"caf\xe9").given.name == "caf-xe9"


def test_nothing_of_that_name(capsys: Capture) -> None:
    for words in (("balance", NAME), ("lab", NAME), ("sample-mass", NAME), ("plan", NAME)):
        status, out, err = _run(capsys, *words)
        assert (status, out) == (2, "")
        assert err.startswith("1 problem in the input:\n\ncaf\\xe9: ")
    status, _, err = _run(capsys, "lab", EXAMPLES / "tin_table", "--html", NAME)
    assert status == 2
    assert err.endswith("name ends in .html or .htm; 'caf\\xe9' does not.\n")
