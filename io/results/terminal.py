"""The balance as text, for a terminal or a pipe."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from oretally.io.definition import Price
from oretally.io.report import (
    Block,
    Boxed,
    Format,
    Items,
    Lead,
    Paragraphs,
    Section,
    Suspects,
    Terms,
    narrow,
)
from oretally.io.results.outline import outline
from oretally.io.wording import (
    BRIEF_CLOSING,
    PIPE,
    Caution,
    LossReading,
    ResultTable,
    Simulated,
    Terminal,
)
from oretally.recon.result import Balance, WhatIf

__all__ = ["ALL", "summary"]

ALL = "all"
"""All parts of the report."""
_ASKED = ("what-if", "simulation")  # there only where other options ask for them

_NAMES_SHOWN = 4  # analytes named beside a reading
_MARK = "            -"  # of an item


def summary(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None, parts: Collection[str] = (), terminal: Terminal = PIPE,
    beside: Sequence[str] = (),
) -> str:  # fmt: skip
    """Return the first screen as text, or parts of the report.

    Parameters
    ----------
    parts : collection of str, optional
        Keys of the sections to print, `ALL` for all of them; by default the first screen, and
        below it what was asked for by other options.
    terminal : Terminal, optional
        Where it is read.
    beside : sequence of str, optional
        What is known from elsewhere, to stand below the verdict.
    """
    sections = outline(
        balance, Format.TERMINAL, prices=prices, otherwise=otherwise, simulated=simulated
    )
    first, *rest = sections
    title = balance.survey.title or "Mass and metal balance"
    lines = [terminal.bold(line) for line in narrow(title, columns=terminal.width)]
    asked = any(section.key in _ASKED for section in rest)
    if not parts or ALL in parts:
        lines += _first(first, terminal, beside, tables=not asked or ALL in parts)
    wanted = [s for s in sections if s.key in (parts or _ASKED) or ALL in parts]
    for section in wanted:
        if section is not first or first.key in parts:
            lines += _section(section, terminal)
    absent = [key for key in parts if key != ALL and key not in {s.key for s in wanted}]
    if absent:
        lines += ["", *_narrow([f"Nothing here to show of: {', '.join(absent)}."], terminal)]
    left = list(dict.fromkeys(s.key for s in rest if s not in wanted))
    more = [] if parts else [f"More: {_any_of(left)}or --full."]
    lines += ["", *_narrow([*more, BRIEF_CLOSING], terminal)]
    return "\n".join(lines) + "\n"


def _any_of(parts: Sequence[str]) -> str:
    """Return how parts can be asked for; nothing if there are none."""
    if not parts:
        return ""
    others = f" (or {', '.join(parts[1:])})" if len(parts) > 1 else ""
    return f"--show {parts[0]}{others}; "


def _narrow(sentences: Iterable[str], terminal: Terminal) -> list[str]:
    """Return sentences as lines of a first screen."""
    return [line for text in sentences for line in narrow(text, columns=terminal.width)]


def _first(
    section: Section, terminal: Terminal, beside: Sequence[str], *, tables: bool
) -> Iterator[str]:
    """Yield the section that stands on the first screen, with its tables or without."""
    for i, block in enumerate(section.blocks):
        if isinstance(block, ResultTable) and not tables:
            continue
        if i:
            yield ""
        match block:
            case Lead():
                yield from _narrow([" ".join(block.texts), *beside], terminal)
            case Paragraphs():
                yield from _narrow(block.texts, terminal)
            case Terms():
                told = (f"{word}: {sentence}" for word, sentence in block.pairs)
                yield from _narrow(told, terminal)
            case ResultTable():
                yield from terminal.plain(block)
                yield from _narrow(block.below, terminal)


def _section(section: Section, terminal: Terminal) -> Iterator[str]:
    # tables have captions of their own
    if section.heading and not isinstance(section.blocks[0], ResultTable):
        yield from terminal.heading(section.heading)
    for block in section.blocks:
        if isinstance(block, ResultTable):
            yield from terminal.table(block)
        else:
            for pair in _rows(block):
                yield from terminal.sentence(*pair)


def _rows(block: Block) -> Iterable[tuple[str, str]]:
    """Yield what is said in a block, and the word that stands beside each sentence."""
    match block:
        case Lead():
            yield from (("", text) for text in block.texts)
        case Terms():
            yield from block.pairs
        case Boxed():
            yield block.word, block.text
        case Paragraphs():
            yield from (("", text) for text in block.texts)
        case Items():
            yield from ((_MARK, text) for text in block.texts)
        case Suspects():
            for suspect in block.rows:
                yield suspect.chance, suspect.head
                yield from (("", sentence) for sentence in suspect.details)
        case LossReading():
            names = block.analytes
            word = ", ".join(names) if len(names) < _NAMES_SHOWN else "losses"
            yield from zip((word, *[""] * len(block.sentences)), block.sentences, strict=False)
            yield from zip(("next test", *[""] * len(block.tests)), block.tests, strict=False)
        case Caution():
            yield "CAUTION", f"{block.title}. {' '.join(block.because)}"
            yield "", block.hurts
            yield from ((_MARK, sentence) for sentence in block.usual)
