"""The balance as text, for a terminal or a pipe."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.io.definition import Price
from oretally.io.report import Block, Boxed, Format, Items, Paragraphs, Suspects, Terms
from oretally.io.results.outline import outline
from oretally.io.wording import (
    CLOSING,
    PIPE,
    Caution,
    LossReading,
    ResultTable,
    Simulated,
    Terminal,
)
from oretally.recon.result import Balance, WhatIf

__all__ = ["summary"]

_NAMES_SHOWN = 4  # analytes named beside a reading
_MARK = "            -"  # of an item


def summary(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None, terminal: Terminal = PIPE,
) -> str:  # fmt: skip
    """Return the summary as text."""
    failed = "" if balance.converged else ": NOT CONVERGED"
    lines = terminal.heading(f"Balance of '{balance.survey.title}'{failed}")
    for section in outline(
        balance, Format.TERMINAL, prices=prices, otherwise=otherwise, simulated=simulated
    ):
        # tables have captions of their own
        if section.heading and not isinstance(section.blocks[0], ResultTable):
            lines += terminal.heading(section.heading)
        for block in section.blocks:
            if isinstance(block, ResultTable):
                lines += terminal.table(block)
            else:
                lines += (line for pair in _rows(block) for line in terminal.sentence(*pair))
    lines += ["", *terminal.sentence("", CLOSING)]
    return "\n".join(lines) + "\n"


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
