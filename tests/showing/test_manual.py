"""The manual says what is so: everything it shows is run, its reference is the code's own."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from manual_runs import FENCE, LANGUAGES, PAGES, ran

from oretally.flowsheet import InputError
from oretally.io.cli import oretally
from oretally.io.manual import GENERATED, manual_page, topic_of, topic_text, topics
from oretally.io.manual.reference import known_names, said_of_names

TOPICS = {topic.name: topic for topic in topics(oretally)}
WRITTEN = sorted(set(TOPICS) - set(GENERATED))


def test_every_page_is_a_topic() -> None:
    assert {page.stem for page in PAGES.glob("*.md")} == set(WRITTEN)


@pytest.mark.parametrize("name", WRITTEN)
def test_what_a_page_shows_is_what_comes_out(name: str, tmp_path: Path) -> None:
    text = TOPICS[name].text
    assert {fence[1].partition(" ")[0] for fence in FENCE.finditer(text)} <= LANGUAGES
    assert ran(text, tmp_path) == text


@pytest.mark.parametrize("name", sorted(TOPICS))
def test_links_lead_somewhere(name: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", TOPICS[name].text):
        page = target.removesuffix(".md")
        assert page in TOPICS or (PAGES / target).is_file(), target


@pytest.mark.parametrize("width", [60, 80])
@pytest.mark.parametrize("name", sorted(TOPICS))
def test_a_page_fits_the_terminal(name: str, width: int) -> None:
    text = topic_text(TOPICS[name], width)
    assert text.startswith(TOPICS[name].title)
    prose = [line for line in text.split("\n") if not line.startswith("    ")]
    too_long = [line for line in prose if len(line) > width and " " in line.strip()]
    assert too_long == []
    assert "](" not in text and "**" not in text


def test_the_reference_has_every_name_that_is_read_and_no_other() -> None:
    said = said_of_names()
    for table, names in known_names().items():
        parts = names.items() if isinstance(names, dict) else [("", names)]
        for part, known in parts:
            meant = said[table][part] if isinstance(names, dict) else said[table]
            assert set(meant) == set(known), f"{table} {part}"
            assert all(len(text) > 5 for text in meant.values())
    assert set(said) == set(known_names())


def test_the_reference_shows_every_table() -> None:
    text = TOPICS["files"].text
    for table, names in known_names().items():
        for known in names.values() if isinstance(names, dict) else [names]:
            assert all(f"| `{name}` |" in text for name in known), table


def test_the_reference_has_every_command_and_option() -> None:
    text = TOPICS["commands"].text
    for words, command in _leaves(oretally, "oretally"):
        section = text.split(f"## {words}\n", 1)[1].split("\n## ", 1)[0]
        assert command.help and command.help.split()[0] in section
        for option in (p for p in command.params if isinstance(p, click.Option)):
            assert option.help, f"{words} {option.name}"
            assert all(f"`{word}" in section for word in option.opts), f"{words} {option.opts}"


def _leaves(group: click.Group, words: str) -> list[tuple[str, click.Command]]:
    found: list[tuple[str, click.Command]] = []
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            found += _leaves(command, f"{words} {name} FILE")
        else:
            found.append((f"{words} {name}", command))
    return found


def test_a_page_that_is_not_there_is_told_with_the_nearest() -> None:
    with pytest.raises(InputError, match="Did you mean 'grinding'"):
        topic_of("grindin", oretally)


def test_help_lists_shows_and_writes(tmp_path: Path) -> None:
    run = CliRunner()
    listed = run.invoke(oretally, ["help"], standalone_mode=False).output
    assert all(f"  {name} " in listed for name in TOPICS)
    shown = run.invoke(oretally, ["help", "glossary"], standalone_mode=False).output
    assert shown.startswith("Words\n=====\n")
    target = tmp_path / "manual.html"
    run.invoke(oretally, ["help", "--html", str(target)], standalone_mode=False)
    assert target.read_text("utf-8") == manual_page(topics(oretally))


def test_the_page_is_whole() -> None:
    html = manual_page(topics(oretally))
    assert "http" not in re.sub(r"http://www\.w3\.org/\d+/svg", "", html)
    assert "<script" not in html
    anchors = set(re.findall(r'href="#([\w-]+)"', html))
    assert anchors <= set(re.findall(r'id="([\w-]+)"', html))
    assert set(TOPICS) <= anchors
    assert re.findall(r'href="(?!#)', html) == []
