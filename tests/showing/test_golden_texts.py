"""The terminal says what it said: the first screen of every example, and all of three.

After a change that is meant: PYTHONPATH=tests/support python tests/showing/test_golden_texts.py
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner

from oretally.io.cli import oretally

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = Path(__file__).resolve().parent / "golden"
EXAMPLES = sorted(path.parent.name for path in (ROOT / "examples").glob("*/circuit.toml"))
IN_FULL = ("tin_table", "rougher_cleaner", "wrong_assay")
TEXTS = [
    *((name, f"{name}.screen.txt", ()) for name in EXAMPLES),
    *((name, f"{name}.txt", ("--full",)) for name in IN_FULL),
]


@cache
def _printed(name: str, options: tuple[str, ...]) -> str:
    answer = CliRunner().invoke(oretally, ["balance", str(ROOT / "examples" / name), *options])
    assert answer.exit_code == 0, answer.output
    return answer.stdout


@pytest.mark.parametrize(("name", "file", "options"), TEXTS)
def test_text_is_the_golden_one(name: str, file: str, options: tuple[str, ...]) -> None:
    assert _printed(name, options) == (GOLDEN / file).read_text("utf-8")


def test_each_example_has_its_golden_screen() -> None:
    there = {
        path.name
        for path in GOLDEN.glob("*.txt")
        if not path.name.endswith((".page.txt", ".sheet.txt"))
    }
    assert there == {file for _, file, _ in TEXTS}


if __name__ == "__main__":
    for name, file, options in TEXTS:
        (GOLDEN / file).write_text(_printed(name, options), "utf-8")
