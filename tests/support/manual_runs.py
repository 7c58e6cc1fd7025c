"""Run what the manual shows: write its files, type its commands, compare or renew its output.

After a change that is meant: python tests/support/manual_runs.py
"""

from __future__ import annotations

import contextlib
import re
import shlex
import tempfile
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner

from oretally.io.cli import oretally
from oretally.io.commands.exit_status import guarded

PAGES = Path(__file__).resolve().parents[2] / "io" / "manual"
FENCE = re.compile(r"^```([^\n]*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
LANGUAGES = {"toml", "csv", "console", "python", "text"}
LEFT_OUT = "..."


def ran(text: str, folder: Path) -> str:
    """Return a page with the output that its commands have now, run in an empty folder."""
    names: dict[str, Any] = {}

    def renewed(fence: re.Match[str]) -> str:
        language, _, file = fence[1].partition(" ")
        if file:
            path = folder / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(fence[2], encoding="utf-8")
        elif language == "console":
            return f"```console\n{_typed(fence[2], folder)}```"
        elif language == "python":
            exec(compile(fence[2], "manual", "exec"), names)
        return fence[0]

    with contextlib.chdir(folder):
        return FENCE.sub(renewed, text)


def _typed(block: str, folder: Path) -> str:
    """Return a block of commands with their output; what it leaves out stays left out."""
    found = []
    for part in re.split(r"^(?=\$ )", block, flags=re.MULTILINE):
        command, _, shown = part.partition("\n")
        if command.startswith("$ "):
            output = _run(command.removeprefix("$ "))
            found.append(f"{command}\n{_as_shown(shown, output)}")
    return "".join(found)


def _run(command: str) -> str:
    words = shlex.split(command)
    assert words[0] == "oretally", f"not a command of ours: {command}"
    run = click.Command("run", callback=lambda: guarded(
        lambda: oretally.main(words[1:], prog_name="oretally", standalone_mode=False)))  # fmt: skip
    result = CliRunner(env={"COLUMNS": "80"}).invoke(run, catch_exceptions=False)
    return result.output


def _as_shown(shown: str, output: str) -> str:
    """Return the output, cut where the page cuts it if the rest is still there."""
    if LEFT_OUT not in shown.split("\n"):
        return output
    pieces = [re.escape(piece) for piece in re.split(rf"^{re.escape(LEFT_OUT)}\n", shown,
                                                     flags=re.MULTILINE)]  # fmt: skip
    return shown if re.fullmatch("(?:.*?)".join(pieces), output, re.DOTALL) else output


def renew() -> None:
    for page in sorted(PAGES.glob("*.md")):
        text = page.read_text("utf-8")
        with tempfile.TemporaryDirectory() as folder:
            after = ran(text, Path(folder))
        if after != text:
            page.write_text(after, encoding="utf-8")
            print(f"renewed: {page.name}")


if __name__ == "__main__":
    renew()
