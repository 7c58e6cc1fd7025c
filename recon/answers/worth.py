"""What several analytes are worth together, and what all that is kept or lost is worth.

Amounts of one stream, and of several streams, are known together: the sd of a sum is not that of
independent parts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Position
from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import Function, joint_estimate
from oretally.recon.result import Losses, WorthTotal
from oretally.recon.solver import Covariance

__all__ = ["worth_totals"]

_Part = tuple[int, int]  # analyte and stream


def worth_totals(
    covariance: Covariance, answers: Answers, losses: Losses, prices: Mapping[str, float]
) -> tuple[WorthTotal, ...]:
    """Return the totals over analytes of feed and products, and those of all kept and all lost.

    A total over one analyte of one stream is left out: its amount says it already. So is one that
    is not determined.

    Parameters
    ----------
    covariance : Covariance
    answers : Answers
    losses : Losses
        Which products count as lost, analyte by analyte.
    prices : mapping of str to float
        Money per kg of an analyte; analytes without are left out.
    """
    priced = [k for k, name in enumerate(answers.analytes) if name in prices]
    sums: list[tuple[str, list[_Part]]] = [
        (answers.streams[j], [(k, j) for k in priced]) for j in (answers.feed, *answers.products)
    ]
    at = {name: j for j, name in enumerate(answers.streams)}
    kept, lost = list[_Part](), list[_Part]()
    for k in priced:
        found = [loss for loss in losses.found if loss.analyte == answers.analytes[k]]
        lost += [(k, at[loss.stream]) for loss in found]
        kept += [(k, at[name]) for name in dict.fromkeys(s for x in found for s in x.kept)]
    for name, parts in (("all that is kept", kept), ("all that is lost", lost)):
        if len({j for _, j in parts}) > 1:  # that of one stream stands there
            sums.append((name, parts))
    rows = []
    for name, parts in sums:
        if len(parts) > 1:
            total = _total(name, parts, covariance, answers, prices)
            if total is not None:
                rows.append(total)
    return tuple(rows)


def _total(
    name: str, parts: Sequence[_Part], covariance: Covariance, answers: Answers,
    prices: Mapping[str, float],
) -> WorthTotal | None:  # fmt: skip
    """Return the worth of some amounts together; None where it is not determined."""
    places = [Position(None, answers.feed)]
    for k, j in parts:
        at = answers.whole[k][j]
        places += [Position(None, at), Position(k, at)]
    money = np.array([prices[answers.analytes[k]] for k, _ in parts])

    def worth(v: NDArray[Any]) -> Any:
        return money @ (v[1::2] * v[2::2])

    def per_feed(v: NDArray[Any]) -> Any:
        return worth(v) / v[0]

    functions: list[Function] = [worth, per_feed]
    if covariance.solution.flow[answers.feed] == 0.0:
        functions = [worth]
    found = joint_estimate(covariance, places, functions)
    if found is None:
        return None
    pairs = [(float(x), max(float(v), 0.0) ** 0.5)
             for x, v in zip(found[0], np.diag(found[1]), strict=True)]  # fmt: skip
    (value, sd), (per, per_sd) = pairs[0], pairs[1] if len(pairs) > 1 else (None, None)
    analytes = tuple(dict.fromkeys(answers.analytes[k] for k, _ in parts))
    return WorthTotal(name, analytes, value, sd, per, per_sd)
