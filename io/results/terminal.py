"""The balance as text, for a terminal or a pipe."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING

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
)
from oretally.io.results.outline import outline
from oretally.io.wording import (
    BRIEF_CLOSING,
    Caution,
    LossReading,
    ResultTable,
    Simulated,
    as_text,
    print_heading,
    print_lines,
    print_plain,
    print_table,
    sentence_row,
)
from oretally.recon.result import Balance, WhatIf

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["ALL", "print_summary", "summary"]

ALL = "all"
"""All parts of the report."""
_ASKED = ("what-if", "simulation")  # there only where other options ask for them

_NAMES_SHOWN = 4  # analytes named beside a reading
_MARK = "            -"  # of an item


def summary(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None, parts: Collection[str] = (),
) -> str:  # fmt: skip
    """Return what `print_summary` prints as plain text."""
    return as_text(
        lambda console: print_summary(
            balance, console, prices, otherwise=otherwise, simulated=simulated, parts=parts
        )
    )


def print_summary(
    balance: Balance, console: Console, prices: Sequence[Price] = (), *,
    otherwise: WhatIf | None = None, simulated: Simulated | None = None,
    parts: Collection[str] = (),
) -> None:  # fmt: skip
    """Print the first screen to a rich console, or parts of the report.

    Parameters
    ----------
    parts : collection of str, optional
        Keys of the sections to print, `ALL` for all of them; by default the first screen, and
        below it what was asked for by other options.
    """
    sections = outline(
        balance, Format.TERMINAL, prices=prices, otherwise=otherwise, simulated=simulated
    )
    first, *rest = sections
    print_lines(balance.survey.title or "Mass and metal balance", console, style="bold")
    asked = any(section.key in _ASKED for section in rest)
    if not parts or ALL in parts:
        _print_first(first, console, tables=not asked or ALL in parts)
    wanted = [s for s in sections if s.key in (parts or _ASKED) or ALL in parts]
    for section in wanted:
        if section is not first or first.key in parts:
            _print_section(section, console)
    absent = [key for key in parts if key != ALL and key not in {s.key for s in wanted}]
    if absent:
        console.print()
        print_lines(f"Nothing here to show of: {', '.join(absent)}.", console)
    console.print()
    left = list(dict.fromkeys(s.key for s in rest if s not in wanted))
    if not parts:
        print_lines(f"More: --show with {', '.join(left)}; or --full.", console)
    print_lines(BRIEF_CLOSING, console)


def _print_first(section: Section, console: Console, *, tables: bool) -> None:
    """Print the section that stands on the first screen, with its tables or without."""
    for i, block in enumerate(section.blocks):
        if isinstance(block, ResultTable) and not tables:
            continue
        if i:
            console.print()
        match block:
            case Lead():
                print_lines(" ".join(block.texts), console)
            case Paragraphs():
                for text in block.texts:
                    print_lines(text, console)
            case Terms():
                for word, sentence in block.pairs:
                    print_lines(f"{word}: {sentence}", console)
            case ResultTable():
                print_plain(block, console)


def _print_section(section: Section, console: Console) -> None:
    # tables have captions of their own
    if section.heading and not isinstance(section.blocks[0], ResultTable):
        print_heading(console, section.heading)
    for block in section.blocks:
        if isinstance(block, ResultTable):
            print_table(block, console)
        else:
            for word, sentence in _rows(block):
                console.print(sentence_row(word, sentence))


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
