"""The section of a report on a test over time."""

from __future__ import annotations

from collections.abc import Iterator

import oretally.io.pictures as pictures
from oretally.io.report import Block, Format, Paragraphs, Picture
from oretally.io.timed.sentences import by_the_end, course_verdict, rate_sentences
from oretally.io.timed.tables import (
    course_tables,
    curve_table,
    parameter_table,
    selectivity_table,
)
from oretally.recon.result import Balance

__all__ = ["timed_blocks"]


def timed_blocks(balance: Balance, shown: Format) -> Iterator[Block]:
    """Yield what was recovered by each time, a picture, the curves, selectivity, what is off."""
    timed = balance.timed
    if timed is None:
        return
    told = (by_the_end(balance), *rate_sentences(balance), *course_verdict(balance))
    if said := tuple(sentence for sentence in told if sentence):
        yield Paragraphs(said)
    picture = "" if shown is Format.TERMINAL else pictures.timed_svg(timed)
    if picture:
        yield Picture(
            picture,
            "Recovered by each time. Bars are one standard deviation. Lines are the preferred "
            "curves, drawn to the last time and no further; dashed where they do not hold.",
        )
    yield from course_tables(timed)
    for table in (parameter_table(timed), curve_table(timed), selectivity_table(timed)):
        if table.rows:
            yield table
