"""The commands: names, exit statuses, what goes to which stream."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

from oretally.io import read_case
from oretally.io.cli import main

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *arguments: str) -> tuple[int, str, str]:
    """Run a command in this process; return status, output and messages."""
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    return int(stop.value.code or 0), shown.out, shown.err


def python(*arguments: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, env=os.environ | environment, check=False
    )


def test_balance_prints_the_summary(capsys: Capture) -> None:
    status, out, err = run(capsys, "balance", str(EXAMPLES / "tin_table"))
    assert status == 0
    assert out.startswith("Tin ore, shaking table test 4\nDo not use: the laboratory batch ")
    assert "Recovered: 49.87 ± 0.65 % of the Sn in 'concentrate'." in out
    assert err == ""


def test_suspects_do_not_change_the_status(capsys: Capture) -> None:
    status, out, _ = run(capsys, "balance", str(EXAMPLES / "wrong_assay"))
    assert status == 0
    assert "Check one number first: Cu of 'final tails' reads 1.64 %" in out
    status, out, _ = run(capsys, "balance", str(EXAMPLES / "wrong_assay"), "--show", "suspects")
    assert status == 0
    assert "Worth a second weighing or assay" in out
    assert "above 99 %    Cu of 'final tails' (measured 1.64 %, the others say 0.145)" in out
    assert "reads 1.64, fits 0.164 %: the decimal point one place too far" in out


def test_json_alone_on_standard_output(capsys: Capture) -> None:
    status, out, err = run(capsys, "balance", str(EXAMPLES / "tin_table"), "--json", "-")
    assert status == 0
    assert json.loads(out)["schema"] == "oretally.balance/1"
    assert err == ""


def test_every_output_is_written(capsys: Capture, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("b.json", "b.html", "b.xlsx", "b.pdf")]
    options = [word for file in files for word in (f"--{file.suffix[1:]}", str(file))]
    status, _, err = run(capsys, "balance", str(EXAMPLES / "tin_table"), *options)
    assert status == 0
    assert [line for line in err.splitlines() if line.startswith("written: ")] == [
        f"written: {file}" for file in files
    ]
    assert all(file.stat().st_size > 1000 for file in files)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.html", "b.json", "b.pdf", "b.xlsx"]


def test_what_if_stands_in_every_output(capsys: Capture, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("b.json", "b.html", "b.xlsx")]
    options = [word for file in files for word in (f"--{file.suffix[1:]}", str(file))]
    status, out, _ = run(
        capsys, "balance", str(EXAMPLES / "tin_table"), *options, "--without", "tailings:Sn",
        "--with", "middlings:Sn=2.05 +- 0.03 %",
    )  # fmt: skip
    assert status == 0
    assert "What if: recoveries" in out
    changes = ["without Sn of 'tailings'",
               "with Sn of 'middlings' 2.050 ± 0.030 % in place of 2.11"]  # fmt: skip
    what_if = json.loads(files[0].read_text("utf-8"))["what_if"]
    assert what_if["changes"] == changes
    assert (what_if["as_it_is"]["dof"], what_if["what_if"]["dof"]) == (2, 1)
    assert "What if: recoveries" in files[1].read_text("utf-8")
    sheet = openpyxl.load_workbook(files[2])["what if"]
    assert changes[0] in str(sheet["A2"].value) and changes[1] in str(sheet["A2"].value)
    # the case in the result is the case as it is
    assert read_case(files[2]).survey.measured("tailings", "Sn") is not None


def test_status_1_where_only_the_what_if_cannot_be_balanced(capsys: Capture) -> None:
    without = [
        word
        for stream in ("table feed", "concentrate", "middlings", "tailings")
        for word in ("--without", f"{stream}:dry mass")
    ]
    status, out, err = run(capsys, "balance", str(EXAMPLES / "tin_table"), *without)
    assert status == 1
    assert "Recovered: 49.87 ± 0.65 % of the Sn in 'concentrate'." in out
    assert "No balance follows from that." in out
    assert err == "The balance is there, but not the one with your changes: see 'What if'.\n"


def test_status_2_with_all_faults_of_the_changes(capsys: Capture, tmp_path: Path) -> None:
    report = tmp_path / "b.html"
    status, out, err = run(
        capsys, "balance", str(EXAMPLES / "tin_table"), "--html", str(report), "--without", "x:Sn",
        "--with", "tailings:Sn=1", "--with", "tailings:Pb=1 ± 1 %",
    )  # fmt: skip
    assert (status, out) == (2, "")
    assert err.startswith("3 problems in the input:\n")
    assert not report.exists()


def test_check_adjusts_nothing(capsys: Capture, tmp_path: Path) -> None:
    svg = tmp_path / "circuit.svg"
    case = str(EXAMPLES / "rougher_cleaner")
    status, out, err = run(capsys, "check", case, "--svg", str(svg))
    assert status == 0
    assert "25 numbers measured and checked by others (redundant)." in out
    assert "Nothing was adjusted." in out
    assert svg.read_text("utf-8").startswith("<svg")
    assert err == f"written: {svg}\n"
    status, out, err = run(capsys, "check", case, "--full")
    assert (status, err) == (0, "")
    assert "distributor (splitter)" in out
    assert "8 independent checks (degrees of freedom)" in out
    assert "Nothing was adjusted." in out


def _no_scale(folder: Path) -> Path:
    folder.mkdir()
    (folder / "circuit.toml").write_text(
        'basis = "batch"\n[streams]\nf = { to = "t" }\nc = { from = "t" }\nd = { from = "t" }\n'
    )
    (folder / "measurements.csv").write_text(
        "stream,dry mass [kg],Sn [%],± Sn [%]\nf,,1,0.1\nc,,20,1\nd,,0.3,0.1\n"
    )
    return folder


@pytest.mark.parametrize("command", ["balance", "check"])
def test_status_1_where_nothing_fixes_the_scale(
    command: str, capsys: Capture, tmp_path: Path
) -> None:
    status, _, err = run(capsys, command, str(_no_scale(tmp_path / "c")))
    assert status == 1
    assert "nothing fixes the scale" in err


def test_status_1_where_the_balance_does_not_converge(capsys: Capture, tmp_path: Path) -> None:
    """A recycle whose grades contradict every finite flow: said, not hidden."""
    folder = tmp_path / "c"
    folder.mkdir()
    (folder / "circuit.toml").write_text(
        'basis = "batch"\n[streams]\nfeed = { to = "a" }\non = { from = "a", to = "b" }\n'
        'back = { from = "b", to = "a" }\nout = { from = "b" }\n'
    )
    # what goes on and what comes back are richer than feed and product: no finite flow does that
    (folder / "measurements.csv").write_text(
        "stream,dry mass [kg],± dry mass [kg],Sn [%],± Sn [%]\nfeed,10,0.1,1,0.01\n"
        "on,,,5,0.01\nback,,,5,0.01\nout,,,1,0.01\n"
    )
    status, out, err = run(capsys, "balance", str(folder))
    assert status == 1
    assert "Do not use: there is no balance of these numbers." in out
    assert "There is no balance of these numbers." in err


def test_status_3_for_a_mistake_of_ours(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr("oretally.io.commands.balance.reconcile", fail)
    monkeypatch.delenv("ORETALLY_TRACEBACK", raising=False)
    status, out, err = run(capsys, "balance", str(EXAMPLES / "tin_table"))
    assert (status, out) == (3, "")
    assert err == (
        "This is a mistake in oretally, not in your input (ZeroDivisionError: planted).\n"
        "Your files are unharmed. Please report it with the case, or with its circuit alone;\n"
        "ORETALLY_TRACEBACK=1 shows where it happened.\n"
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["balnce", "x"], "Did you mean 'balance'?"),
        (["balance", "x", "--jsn", "y"], "--json"),
        (["balance"], "Missing argument 'CASE'"),
        (["balance", "no such case"], "There is no such file or folder."),
        (["balance", str(EXAMPLES / "tin_table"), "--open"], "--open needs --html FILE"),
        (["balance", str(EXAMPLES / "tin_table"), "--html", "/no/such/folder/b.html"],
         "'/no/such/folder/b.html' cannot be written: No such file or directory."),
        (["balance", str(EXAMPLES / "tin_table"), "--pdf", "b.html"],
         "--pdf writes a file whose name ends in .pdf; 'b.html' does not."),
        (["new", "somewhere", "--from", "tin_tabel"], "Did you mean 'tin_table'?"),
    ],
)  # fmt: skip
def test_status_2_for_wrong_use(arguments: list[str], said: str, capsys: Capture) -> None:
    status, out, err = run(capsys, *arguments)
    assert (status, out) == (2, "")
    assert said in err


def test_new_writes_a_case_to_fill_in(capsys: Capture, tmp_path: Path) -> None:
    target = tmp_path / "mine"
    status, out, err = run(capsys, "new", str(target))
    assert (status, out) == (0, "")
    assert err.endswith(f"Fill it in, then: oretally check {target}\n")
    status, out, _ = run(capsys, "check", str(target))
    assert status == 1  # nothing is measured yet
    assert "6 not measured and not determined" in out


@pytest.mark.parametrize("example", ["tin_table", "rougher_cleaner", "wrong_assay"])
@pytest.mark.parametrize("form", ["case", "case.xlsx"])
def test_new_from_an_example(example: str, form: str, capsys: Capture, tmp_path: Path) -> None:
    target = tmp_path / form
    assert run(capsys, "new", str(target), "--from", example)[0] == 0
    copied, original = read_case(target), read_case(EXAMPLES / example)
    assert copied.circuit == original.circuit
    assert copied.survey == original.survey


def test_new_never_writes_over(capsys: Capture, tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "thesis.txt").write_text("precious")
    (tmp_path / "book.xlsx").write_text("precious")
    for target in ("full", "book.xlsx"):
        status, _, err = run(capsys, "new", str(tmp_path / target))
        assert status == 2
        assert "It exists already, and nothing is ever written over." in err
    assert (tmp_path / "book.xlsx").read_text() == "precious"
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["thesis.txt"]


def test_module_is_the_command() -> None:
    found = python("-m", "oretally.io", "--version")
    assert found.returncode == 0
    assert found.stdout.decode().startswith("oretally ")


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\nfrom oretally.io.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'networkx', 'openpyxl', 'jinja2', 'typst'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    assert python("-c", code).stdout.decode().splitlines()[-1] == "[]"


def test_terminal_without_unicode() -> None:
    code = (
        "import sys\nfrom oretally.io.cli import main\n"
        "for command in ('balance', 'check'):\n"
        "    try:\n        main([command, sys.argv[1], '--full'])\n"
        "    except SystemExit as end:\n        print('status', end.code)\n"
    )
    found = python("-c", code, str(EXAMPLES / "tin_table"), PYTHONIOENCODING="ascii")
    assert (found.returncode, found.stderr) == (0, b"")
    told = found.stdout.split(b"status 0")
    assert len(told) == 3
    for text in told[:2]:
        assert b"Calculated head against assayed head" in text


def test_same_input_same_output(tmp_path: Path) -> None:
    outputs = []
    for number, seed in ((1, "1"), (2, "2")):
        files = [tmp_path / f"{number}.{kind}" for kind in ("json", "html", "pdf")]
        found = python("-m", "oretally.io", "balance", str(EXAMPLES / "tin_table"),
                       "--json", str(files[0]), "--html", str(files[1]), "--pdf", str(files[2]),
                       PYTHONHASHSEED=seed)  # fmt: skip
        assert found.returncode == 0
        outputs.append([found.stdout, *(file.read_bytes() for file in files)])
    assert outputs[0] == outputs[1]


def test_example_files_are_never_modified(capsys: Capture, tmp_path: Path) -> None:
    book = EXAMPLES / "tin_table" / "tin_table.xlsx"
    before = book.read_bytes()
    run(capsys, "balance", str(book), "--xlsx", str(tmp_path / "out.xlsx"))
    assert book.read_bytes() == before
