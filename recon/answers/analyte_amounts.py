"""How much of each analyte the streams hold: in all, and per mass of feed.

A stream of flow P and grade p holds P p, and P p / F per mass of feed F, of all feeds together:
common practice, no source. Sd as in `oretally.recon.propagation.derived`.
"""

from __future__ import annotations

from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import estimates
from oretally.recon.result import AnalyteAmount

__all__ = ["analyte_amounts"]


def analyte_amounts(answers: Answers) -> tuple[AnalyteAmount, ...]:
    """Return the amounts in feeds and products, where they are known; of several feeds also all."""
    feeds, found, fed = answers.feeds, list[AnalyteAmount](), answers.fed(None)
    streams = (*feeds, *([None] * (len(feeds) > 1)), *answers.products)  # None: the feeds together
    for k, analyte in enumerate(answers.analytes):
        held = [answers.fed(k) if j is None else answers.held(k, j) for j in streams]
        of_feed = [amount / fed for amount in held] if fed.value > 0.0 else []
        told = estimates(answers.covariance, [*held, *of_feed])
        per_feed = told[len(held) :] or [None] * len(held)
        for j, amount, per in zip(streams, told, per_feed, strict=False):
            if amount is not None:
                name = answers.reference if j is None else answers.streams[j]
                product = j is not None and j not in feeds
                each, sd = per or (None, None)
                found.append(AnalyteAmount(name, analyte, *amount, each, sd, product))
    return tuple(found)
