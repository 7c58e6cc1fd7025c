"""Masses and rates that are off by a thousand and more: kg among g, t among mg, and their like.

Such a number is put right rather than left out. Its stated error, mostly a share of it, is off as
far: in units of that error what the others say is known either to 1e-18 or not to 1e18, where
signatures have no digits left. With the number put right all is of one scale again, and what else
is wrong can be told beside it. The chances are those of `oretally.recon.signatures.slips`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import exp, log, log10

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.signatures.larger_mixups import LargerMixup
from oretally.recon.signatures.possible_slips import PossibleSlips

__all__ = ["FAR", "SCALES", "decades"]

SCALES = ("decimal point", "unit")
"""Kinds of slips that multiply a number."""

FAR = 500.0
"""Times, from which a mass or rate is off by decades: no two units that are taken for each other
are as far apart but those of a thousand and more."""


def decades(
    slips: PossibleSlips, row: Mapping[Position, int], rate: Floats
) -> Iterator[LargerMixup]:
    """Yield each flow that somebody wrote without each slip that far, the rate of each stated.

    Slips that come to one number are one, in the words of the likeliest.
    """
    flows = [
        place
        for quantity, column in slips.columns.items() if slips.meanings[quantity].is_flow
        for place in column.values() if place in row and 0.0 < rate[row[place]] < 1.0
    ]  # fmt: skip
    table = slips.table(flows)
    for n, place in enumerate(flows):
        i, value = row[place], slips.as_read(place)[0]
        found: dict[int, list[tuple[float, str, str, float]]] = {}
        for m in table.of(n):
            times = m.value / value
            if not 1.0 / FAR < times < FAR and m.kind in SCALES:
                chance = m.log_chance - log(times)
                found.setdefault(round(100.0 * log10(times)), []).append(
                    (chance, m.kind, m.reason, times)
                )
        for alike in found.values():
            _, kind, reason, times = max(alike, key=lambda each: each[0])
            chance = sum(exp(each[0]) for each in alike) * rate[i] / (1.0 - rate[i])
            at = np.array([i], dtype=np.intp)
            yield LargerMixup(kind, reason, at, at, log(chance), times=times)
