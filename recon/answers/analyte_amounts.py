"""How much of each analyte the streams hold: in all, and per mass of feed.

A stream of flow P and grade p holds P p, and P p / F per mass of feed F: common practice, no
source. Sd as in `oretally.recon.propagation.derived`.
"""

from __future__ import annotations

from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import amount_at, estimates
from oretally.recon.result import AnalyteAmount

__all__ = ["analyte_amounts"]


def analyte_amounts(answers: Answers) -> tuple[AnalyteAmount, ...]:
    """Return the amounts in the reference stream and in the products, where they are known."""
    covariance, feed, found = answers.covariance, answers.feed, []
    fed = amount_at(covariance, None, feed)
    streams = (feed, *answers.products)
    for k, analyte in enumerate(answers.analytes):
        held = [answers.held(k, j) for j in streams]
        of_feed = [amount / fed for amount in held] if fed.value > 0.0 else []
        told = estimates(covariance, [*held, *of_feed])
        per_feed = told[len(held) :] or [None] * len(held)
        for j, amount, per in zip(streams, told, per_feed, strict=False):
            if amount is not None:
                per_mass, sd = per or (None, None)
                found.append(
                    AnalyteAmount(answers.streams[j], analyte, *amount, per_mass, sd, j != feed)
                )
    return tuple(found)
