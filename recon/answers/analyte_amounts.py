"""How much of each analyte the streams hold: in all, and per mass of feed."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.answers.recoveries import Answers
from oretally.recon.result import AnalyteAmount
from oretally.recon.solver import Covariance

__all__ = ["analyte_amounts"]


def analyte_amounts(covariance: Covariance, answers: Answers) -> tuple[AnalyteAmount, ...]:
    """Return the amounts in the reference stream and in the products, where they are known."""
    solution, found = covariance.solution, []
    feed = answers.feed
    for k, analyte in enumerate(answers.analytes):
        for j in (feed, *answers.products):
            at = answers.whole[k][j]
            places = [Position(None, at), Position(k, at), Position(None, feed)]
            F, x, feed_flow = (
                float(solution.flow[at]), float(solution.grade[k, at]), float(solution.flow[feed])
            )  # fmt: skip
            V = covariance.joint(places)
            amount = F * x
            sd = _sd(V[:2, :2], np.array([x, F]))
            if not np.isfinite([amount, sd]).all():
                continue
            per = per_sd = None
            if feed_flow > 0.0:
                per = amount / feed_flow
                slopes = np.array([x / feed_flow, F / feed_flow, -per / feed_flow])
                per_sd = _sd(V, slopes)
                if not np.isfinite(per_sd):
                    per = per_sd = None
            found.append(
                AnalyteAmount(answers.streams[j], analyte, amount, sd, per, per_sd, j != feed)
            )
    return tuple(found)


def _sd(V: Floats, slopes: Floats) -> float:
    variance = float(slopes @ V @ slopes)
    return max(variance, 0.0) ** 0.5 if np.isfinite(variance) else np.nan
