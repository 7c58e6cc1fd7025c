"""README and contributors' guide say what is true: excerpt, code, commands, files."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from oretally.io import read_case
from oretally.io.cli import oretally
from oretally.io.pictures import flow_svg
from oretally.recon import reconcile

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"```(\w*)\n(.*?)```", README, flags=re.DOTALL)


@pytest.mark.parametrize(
    ("begin", "example"),
    [("Tin ore,", "tin_table"), ("Check one number first: Au", "ounces_as_grams")],
)
def test_excerpt_is_what_the_example_prints(begin: str, example: str) -> None:
    excerpt = next(text for kind, text in BLOCKS if not kind and text.startswith(begin))
    golden = ROOT / "tests" / "showing" / "golden" / f"{example}.screen.txt"
    assert excerpt in golden.read_text("utf-8")


def test_case_in_the_readme_can_be_balanced(tmp_path: Path) -> None:
    circuit = next(text for kind, text in BLOCKS if kind == "toml")
    rows = next(text for kind, text in BLOCKS if text.startswith("stream,"))
    (tmp_path / "circuit.toml").write_text(circuit, encoding="utf-8")
    (tmp_path / "measurements.csv").write_text(rows, encoding="utf-8")
    case = read_case(tmp_path)
    assert reconcile(case.circuit, case.survey).converged


def test_commands_are_those_that_exist() -> None:
    listed = re.findall(r"^\| `oretally ([\w-]+)", README, flags=re.MULTILINE)
    assert sorted(listed) == sorted(oretally.commands)


def test_it_is_read_in_one_go() -> None:
    assert len(README.splitlines()) <= 150


def test_what_it_links_to_is_there() -> None:
    targets = re.findall(r"\]\(([^)]+)\)", README)
    assert len(targets) > 2
    assert [t for t in targets if not (ROOT / t).is_file()] == []


def test_its_picture_is_the_tools_own() -> None:
    case = read_case(ROOT / "examples" / "rougher_cleaner")
    picture = flow_svg(reconcile(case.circuit, case.survey), "Cu")
    assert (ROOT / "io" / "manual" / "copper_flow.svg").read_text("utf-8") == picture


def test_two_commands() -> None:
    shell = [text.strip() for kind, text in BLOCKS if kind == "sh"]
    assert len(shell) == 2
    assert all("\n" not in text for text in shell)
    assert "examples/rougher_cleaner" in shell[0] and "pytest" in shell[1]


def test_opens_with_the_job_in_one_paragraph() -> None:
    title, job, after = README.split("\n\n")[:3]
    assert title == "# oretally"
    assert "\n" not in job and len(job) > 400
    assert after == "## Two commands"


def test_folders_of_the_guide_are_those_that_exist() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rows = re.findall(r"^\| `((?:flowsheet|recon|io|tests)/[\w/]+)` \|", guide, flags=re.MULTILINE)
    there = {
        path.parent.relative_to(ROOT).as_posix()
        for room in ("flowsheet", "recon", "io")
        for path in (ROOT / room).glob("*/__init__.py")
    }
    assert {row for row in rows if not row.startswith("tests/")} == there
    for row in rows:
        assert (ROOT / row).is_dir()


def test_files_named_in_the_guide_exist() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = set(re.findall(r"`([\w./]+/[\w./]+\.(?:py|toml|json|j2|md))`", guide))
    assert len(named) > 10
    assert [name for name in named if not (ROOT / name).exists()] == []
