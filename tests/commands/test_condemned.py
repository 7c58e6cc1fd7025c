"""A laboratory batch that fails its own checks speaks in everything made of its case."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from lab_batches import BLANKS, LAB_HEADER, STANDARDS

from oretally.io import read_case
from oretally.io.cli import main

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "tin_table"
WHY = (
    "The laboratory batch fails its own checks of Sn (the standards read 8.1 % high): see "
    "'oretally lab tin_table'."
)
BAD = STANDARDS.replace(",1.51,", ",1.91,").replace(",1.53,", ",1.92,") + BLANKS


@pytest.mark.parametrize("command", ["balance", "check"])
def test_said_first(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """On one screen, and no number is another."""
    with pytest.raises(SystemExit) as stop:
        main([command, str(EXAMPLE)])
    shown = capsys.readouterr().out
    assert not stop.value.code
    assert len(shown.splitlines()) <= 30 and max(map(len, shown.splitlines())) <= 80
    why = WHY if command == "check" else f"Do not use: t{WHY[1:]}"
    assert " ".join(shown.split()).startswith(f"Tin ore, shaking table test 4 {why}")
    assert "Sound" not in shown


def test_said_where_tests_are_compared(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["compare", str(EXAMPLE), str(EXAMPLE.parent / "tails_by_size"), "--full"])
    flat = " ".join(capsys.readouterr().out.split())
    assert f"'tin_table' is not to be used: t{WHY[1:]}" in flat


def _with_batch(folder: Path, rows: str, *, name: str = "lab.csv") -> Path:
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("*.xlsx", "lab.csv"))
    (folder / name).write_text(rows, "utf-8")
    return folder


@pytest.mark.parametrize(
    "rows", [LAB_HEADER + STANDARDS + BLANKS, LAB_HEADER + BAD.replace("Sn", "W"), LAB_HEADER,
             LAB_HEADER + "K1,standard,Sn,,%,,1.52,0.02\n"],
    ids=["sound", "another analyte", "header alone", "to fill in"],
)  # fmt: skip
def test_nothing_against_the_case(rows: str, tmp_path: Path) -> None:
    case = read_case(_with_batch(tmp_path / "case", rows))
    assert (case.contradictions, case.notes) == ((), ())


def test_a_batch_of_another_spelling_in_a_file_of_its_own(tmp_path: Path) -> None:
    folder = _with_batch(tmp_path / "case", LAB_HEADER + BAD.replace("Sn", "SN"), name="b 7.csv")
    assert read_case(folder).contradictions == ()
    circuit = (folder / "circuit.toml").read_text("utf-8")
    (folder / "circuit.toml").write_text(circuit + '\n[lab]\nfile = "b 7.csv"\n', "utf-8")
    assert read_case(folder).contradictions == (
        "The laboratory batch fails its own checks of Sn (the standards read 26 % high): see "
        "'oretally lab case'.",
    )


def test_a_batch_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """It is no fault of the balance, which has no use for it."""
    case = read_case(_with_batch(tmp_path / "case", "hello,there\n1,2\n"))
    assert case.contradictions == ()
    assert case.notes == ("The laboratory batch cannot be read: see 'oretally lab case'.",)
