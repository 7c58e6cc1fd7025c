"""What the program says of itself: the help of every command, as it was last agreed.

After a change that is meant: COLUMNS=80 python tests/commands/test_help.py
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from oretally.io.cli import oretally

GOLDEN = Path(__file__).resolve().parent / "golden"
COMMANDS = ("", *sorted(oretally.commands))


def _help(command: str) -> str:
    words = [*command.split(), "--help"]
    return CliRunner().invoke(oretally, words, prog_name="oretally").output


def _golden(command: str) -> Path:
    return GOLDEN / f"help{'.' * bool(command)}{command}.txt"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_the_golden_one(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert _help(command) == _golden(command).read_text("utf-8")


def test_each_command_has_its_golden_help() -> None:
    assert {path.name for path in GOLDEN.glob("help*")} == {_golden(c).name for c in COMMANDS}


if __name__ == "__main__":
    for each in COMMANDS:
        _golden(each).write_text(_help(each), "utf-8")
