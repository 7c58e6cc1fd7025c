"""Where more stands: sentences say it in the words of the terminal, other surfaces in their own."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from oretally.io.report import Items, Lead, Paragraphs, Section, Terms

__all__ = ["KINETICS_HEADING", "NOTES_HEADING", "REAGENTS_HEADING", "in_the_report", "pointed",
           "section_in_the_report"]  # fmt: skip

KINETICS_HEADING, NOTES_HEADING, REAGENTS_HEADING = "Over time", "Notes", "Reagents"
"""Of the sections of the report that sentences point to."""
_HEADINGS = {
    "kinetics": KINETICS_HEADING, "notes": NOTES_HEADING, "reagents": REAGENTS_HEADING,
}  # fmt: skip
_SHOWN = re.compile("--show (" + "|".join(_HEADINGS) + r")\b")


def pointed(sentence: str, to: Callable[[str], str]) -> str:
    """Return a sentence that points to a part of the report as `to` says it of the part's key.

    Examples
    --------
    >>> pointed("no curve is determined; see --show kinetics.", lambda key: f"the sheet '{key}'")
    "no curve is determined; see the sheet 'kinetics'."
    """
    return _SHOWN.sub(lambda found: to(found[1]), sentence)


def in_the_report(sentence: str, where: str = "below") -> str:
    """Return a sentence that points to a part of the report by its heading.

    Examples
    --------
    >>> in_the_report("And 2 more such: --show notes.", "in the report")
    "And 2 more such: 'Notes' in the report."
    """
    return pointed(sentence, lambda key: f"'{_HEADINGS[key]}' {where}")


def section_in_the_report(section: Section) -> Section:
    """Return a section that points to others by their headings."""
    blocks = []
    for block in section.blocks:
        if isinstance(block, Lead | Paragraphs | Items):
            block = replace(block, texts=tuple(map(in_the_report, block.texts)))
        elif isinstance(block, Terms):
            pairs = ((word, in_the_report(text)) for word, text in block.pairs)
            block = replace(block, pairs=tuple(pairs))
        blocks.append(block)
    return replace(section, blocks=tuple(blocks))
