"""The topics of the manual, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType

import click

from oretally.flowsheet import Fault, InputError
from oretally.flowsheet.faults import did_you_mean
from oretally.io.manual.reference import commands_reference, files_reference

__all__ = ["CONTENTS", "GENERATED", "Topic", "topic_of", "topics"]

CONTENTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("To begin with", ("first-test", "starting-a-case")),
    (
        "By kind of work",
        (
            "comparing-tests",
            "flotation-survey",
            "flotation-over-time",
            "grinding",
            "leaching",
            "bottle-roll",
            "stocks-and-months",
            "campaign",
            "periods",
        ),
    ),
    ("By question", ("wrong-numbers", "planning", "losses", "laboratory", "errors")),
    ("Ways to work", ("desk", "python")),
    (
        "To look things up",
        ("files", "commands", "cells", "glossary", "mathematics", "trust", "speed"),
    ),
)
"""Names of the topics by part; each is a page ``NAME.md`` here, but for the generated ones."""
GENERATED: Mapping[str, Callable[[click.Group], str]] = MappingProxyType(
    {"files": lambda _: files_reference(), "commands": commands_reference}
)
"""Topics that the code gives, so that they say what is so."""


@dataclass(frozen=True)
class Topic:
    """One page of the manual.

    Attributes
    ----------
    name : str
        What is typed to read it.
    part : str
        Heading under which it is listed.
    text : str
        Markdown; its first line is the title.
    """

    name: str
    part: str
    text: str

    @property
    def title(self) -> str:
        """The heading of the page."""
        return self.text.partition("\n")[0].removeprefix("# ")

    @property
    def body(self) -> str:
        """What stands below the heading."""
        return self.text.partition("\n")[2].lstrip("\n")


def topics(program: click.Group) -> tuple[Topic, ...]:
    """Return all topics; ``program`` is the command line, which its reference is read off."""
    return tuple(
        Topic(name, part, _text(name, program)) for part, names in CONTENTS for name in names
    )


def topic_of(name: str, program: click.Group) -> Topic:
    """Return a topic by its name, with hyphens or spaces, in capitals or not.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    known = {topic: part for part, names in CONTENTS for topic in names}
    word = "-".join(name.casefold().replace("_", " ").split())
    if word in known:
        return Topic(word, known[word], _text(word, program))
    mend = did_you_mean(word, list(known), "Topics")
    raise InputError([Fault(f"The manual has no page '{name}'.", mend)])


def _text(name: str, program: click.Group) -> str:
    if name in GENERATED:
        return GENERATED[name](program)
    return files("oretally.io.manual").joinpath(f"{name}.md").read_text("utf-8")
