"""What several analytes are worth together, and what all that is kept or lost is worth.

Amounts of one stream, and of several streams, are known together: the sd of a sum is not that of
independent parts.

With prices c by analyte and amounts P p: sum c P p, and the same per mass of feed. Common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import estimates, total
from oretally.recon.result import Losses, WorthTotal

__all__ = ["worth_totals"]

_Part = tuple[int, int | None]  # analyte and stream; None: all feeds together


def worth_totals(
    answers: Answers, losses: Losses, prices: Mapping[str, float]
) -> tuple[WorthTotal, ...]:
    """Return the totals over analytes of feed and products, and those of all kept and all lost.

    A total over one analyte of one stream is left out: its amount says it already. So is one that
    is not determined.

    Parameters
    ----------
    answers : Answers
    losses : Losses
        Which products count as lost, analyte by analyte.
    prices : mapping of str to float
        Money per kg of an analyte; analytes without are left out.
    """
    priced = [k for k, name in enumerate(answers.analytes) if name in prices]
    feeds = (*answers.feeds, *([None] * (len(answers.feeds) > 1)))
    sums: list[tuple[str, list[_Part]]] = [
        (answers.reference if j is None else answers.streams[j], [(k, j) for k in priced])
        for j in (*feeds, *answers.products)
    ]
    at = {name: j for j, name in enumerate(answers.streams)}
    kept, lost = list[_Part](), list[_Part]()
    for k in priced:
        found = [loss for loss in losses.found if loss.analyte == answers.analytes[k]]
        lost += [(k, at[loss.stream]) for loss in found]
        kept += [(k, at[name]) for name in dict.fromkeys(s for x in found for s in x.kept)]
    for name, parts in (("all that is kept", kept), ("all that is not kept", lost)):
        if len({j for _, j in parts}) > 1:  # that of one stream stands there
            sums.append((name, parts))
    rows = []
    for name, parts in sums:
        if len(parts) > 1:
            total = _total(name, parts, answers, prices=prices)
            if total is not None:
                rows.append(total)
    return tuple(rows)


def _total(
    name: str, parts: Sequence[_Part], answers: Answers, *, prices: Mapping[str, float]
) -> WorthTotal | None:
    """Return the worth of some amounts together; None where it is not determined."""
    worth = total(
        prices[answers.analytes[k]] * (answers.fed(k) if j is None else answers.held(k, j))
        for k, j in parts
    )
    fed = answers.fed(None)
    wanted = [worth, worth / fed] if fed.value != 0.0 else [worth]
    found = [each for each in estimates(answers.covariance, wanted) if each is not None]
    if len(found) < len(wanted):
        return None
    analytes = tuple(dict.fromkeys(answers.analytes[k] for k, _ in parts))
    per = found[1] if len(found) > 1 else (None, None)
    return WorthTotal(name, analytes, *found[0], *per)
