"""The first section of a report, on a first screen cut to what fits there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import oretally.io.wording as words
from oretally.io.definition import Price
from oretally.io.first_page.ground import ground_sentences
from oretally.io.first_page.product_table import product_tables
from oretally.io.first_page.verdict import (
    caution_lines,
    kept_sentences,
    lost_sizes,
    next_step,
    verdict_sentences,
)
from oretally.io.report import SCREEN_COLUMNS, Block, Format, Lead, Paragraphs, Terms, narrow
from oretally.recon.result import Balance

__all__ = ["summary_blocks"]

_ACROSS = 160  # of it on a page across
_PRODUCTS_SHOWN = 8  # rows of the table of products
_LINES = 23  # of a first screen, less the empty lines and what stands at its end
_LEAST = 9  # lines of a table of products: fewer recoveries and cautions are told before that
_TOLD = (None, 4, 2)  # recoveries and cautions, as many as fit
_AROUND = 5  # lines of that table that are no products
_WIDTHS = {
    Format.TERMINAL: SCREEN_COLUMNS,
    Format.PAGE: 110,
    Format.PDF: 100,
}  # characters of that table
_Pairs = tuple[tuple[str, str], ...]  # a word, and what stands beside it


def summary_blocks(
    balance: Balance, shown: Format, prices: Sequence[Price], *, across: bool
) -> Iterator[Block]:
    """Yield what everybody wants to know: is it sound, what was recovered, what next.

    ``across``: on a page of a PDF that the circuit turns across.
    """
    lead = verdict_sentences(balance)
    yield Lead(lead)
    if not balance.converged:
        return
    most = lines = None
    if shown is Format.TERMINAL:
        kept, pairs, lines = _on_screen(balance, " ".join(lead), prices)
        most = min(_PRODUCTS_SHOWN, lines - _AROUND)
    else:
        kept, pairs = _told(balance, prices)
    if kept:
        yield Paragraphs(kept)
    width = _ACROSS if across and shown is Format.PDF else _WIDTHS[shown]
    yield from product_tables(balance, width, most=most, lines=lines)
    if pairs:
        yield Terms(pairs)


def _on_screen(
    balance: Balance, lead: str, prices: Sequence[Price]
) -> tuple[tuple[str, ...], _Pairs, int]:
    """Return what is told on the first screen, and how many lines that leaves for products."""
    left = _LINES - max(1, len(narrow(balance.survey.title)))
    for most in _TOLD:
        kept, pairs = _told(balance, prices, most)
        texts = [lead, *kept, *map(": ".join, pairs)]
        lines = left - sum(len(narrow(text)) for text in texts)
        if lines >= _LEAST:
            break
    return kept, pairs, max(lines, _LEAST)


def _told(
    balance: Balance, prices: Sequence[Price], most: int | None = None
) -> tuple[tuple[str, ...], _Pairs]:
    """Return what was recovered, and what comes next with the cautions; ``most`` of each."""
    worth, step = words.worth_sentence(balance, prices), next_step(balance)
    kept = (
        *kept_sentences(balance, most),
        *ground_sentences(balance)[:most],
        *([worth] if worth else []),
    )
    cautions = caution_lines(balance)
    shown = cautions[:most]
    more = [f"{len(cautions) - len(shown)} more: --show cautions."] * (len(shown) < len(cautions))
    after = [(word, told) for word, told in (("Lost", lost_sizes(balance)), ("Next", step)) if told]
    return kept, (*after, *(("Caution", line) for line in (*shown, *more)))
