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
    for k, analyte in enumerate(answers.analytes):
        for j in (feed, *answers.products):
            held = answers.held(k, j)
            both = [held, held / fed] if fed.value > 0.0 else [held]
            amount, *per = estimates(covariance, both)
            if amount is not None:
                of_feed, of_feed_sd = (per[0] if per else None) or (None, None)
                found.append(
                    AnalyteAmount(
                        answers.streams[j], analyte, *amount, of_feed, of_feed_sd, j != feed
                    )
                )  # fmt: skip
    return tuple(found)
