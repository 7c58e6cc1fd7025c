"""The balance as text, for a terminal or a pipe."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.io.definition import Price
from oretally.io.report import Block, Boxed, Format, Items, Paragraphs, Suspects, Terms
from oretally.io.results.outline import outline
from oretally.io.wording import (
    CLOSING,
    Caution,
    LossReading,
    ResultTable,
    Simulated,
    as_text,
    print_heading,
    print_table,
    sentence_row,
)
from oretally.recon.result import Balance, WhatIf

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["print_summary", "summary"]

_NAMES_SHOWN = 4  # analytes named beside a reading
_MARK = "            -"  # of an item


def summary(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the summary as plain text."""
    return as_text(
        lambda console: print_summary(
            balance, console, prices, otherwise=otherwise, simulated=simulated
        )
    )


def print_summary(
    balance: Balance, console: Console, prices: Sequence[Price] = (), *,
    otherwise: WhatIf | None = None, simulated: Simulated | None = None,
) -> None:  # fmt: skip
    """Print the summary to a rich console."""
    failed = "" if balance.converged else ": NOT CONVERGED"
    print_heading(console, f"Balance of '{balance.survey.title}'{failed}")
    for section in outline(
        balance, Format.TERMINAL, prices=prices, otherwise=otherwise, simulated=simulated
    ):
        # tables have captions of their own
        if section.heading and not isinstance(section.blocks[0], ResultTable):
            print_heading(console, section.heading)
        for block in section.blocks:
            if isinstance(block, ResultTable):
                print_table(block, console)
            else:
                for word, sentence in _rows(block):
                    console.print(sentence_row(word, sentence))
    console.print()
    console.print(sentence_row("", CLOSING))


def _rows(block: Block) -> Iterable[tuple[str, str]]:
    """Yield what is said in a block, and the word that stands beside each sentence."""
    match block:
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
