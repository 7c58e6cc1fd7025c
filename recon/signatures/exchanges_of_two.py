"""Exchanges of two readings, in one column or in one row, as arrays.

Their chances are our own choice, as in `oretally.recon.signatures.mixups`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.signatures.larger_mixups import share_of_exchanges
from oretally.recon.signatures.possible_slips import PossibleSlips
from oretally.recon.signatures.slips import SWAPPED

__all__ = ["exchanges_of_two"]


def exchanges_of_two(
    slips: PossibleSlips, readings: Sequence[Position], read: tuple[Floats, Floats], *,
    rate: Floats, among: Sequence[int] | None,
) -> tuple[Ints, Floats, Floats]:  # fmt: skip
    """Return exchanges in one column and in one row.

    Parameters
    ----------
    slips : PossibleSlips
    readings : sequence of Position
    read : (ndarray, ndarray), shape (n_readings,) each
        Numbers as they were written and their stated errors, base units.
    rate : ndarray, shape (n_readings,)
    among : sequence of int or None
        Rows of the readings that are looked at; None for all.

    Returns
    -------
    (ndarray of int, ndarray, ndarray)
        Pairs of rows, shape (n, 2), their log odds, and errors in stated ones, shape (n, 2).
    """
    value, sd = read
    row, looked = {place: i for i, place in enumerate(readings)}, np.ones(len(readings), dtype=bool)
    wanted = None
    if among is not None:
        looked[:] = False
        looked[among] = True
        wanted = _lines_of_two(slips, [readings[i] for i in among])
    together: dict[tuple[object, ...], list[int]] = {}
    scale = np.ones(len(readings))
    for quantity, column in slips.columns.items():
        for stream in slips.streams:
            if wanted is not None and quantity not in wanted and stream not in wanted:
                continue
            place = column.get(stream)
            if place is None or place not in row:
                continue
            (_, unit), stack, i = slips.number(place), slips.of_stack(place), row[place]
            scale[i] = unit.to_base(1.0)
            kind = slips.unit_of(place)
            if not stack or slips.written[place].written is not None:
                together.setdefault(("column", quantity, kind), []).append(i)
            together.setdefault(("row", stream, kind), []).append(i)
    pairs, odds = [np.zeros((0, 2), dtype=np.intp)], [np.zeros(0)]
    shifts = [np.zeros((0, 2))]
    for key, line in together.items():
        at = np.array(line, dtype=np.intp)
        some = np.flatnonzero(looked[at])
        if some.size < 2:
            continue
        one, other = _two_of(some.size)
        apart, a, b = some[other] - some[one], at[some[one]], at[some[other]]
        # half of each reading's exchanges are in its column, half in its row
        chance = 0.5 * SWAPPED * (rate[a] + rate[b]) * share_of_exchanges(apart, at.size)
        # in a row the numbers move as they were written, whatever their units
        own = scale if key[0] == "row" else np.ones(scale.size)
        gap = value[a] / own[a] - value[b] / own[b]
        differ = (gap != 0.0) & (chance > 0.0)
        pairs.append(np.column_stack([a, b])[differ])
        odds.append(np.log(chance[differ]))
        sd_a, sd_b = sd[a] / own[a], sd[b] / own[b]
        shifts.append(np.column_stack([gap / sd_a, -gap / sd_b])[differ])
    return np.concatenate(pairs), np.concatenate(odds), np.concatenate(shifts)


def _lines_of_two(slips: PossibleSlips, places: Sequence[Position]) -> set[str]:
    """Return the quantities and the streams of which two or more of the readings are."""
    written = [slips.written[p] for p in places if p in slips.written]
    return {
        name
        for names in (Counter(m.quantity for m in written), Counter(m.stream for m in written))
        for name, n in names.items()
        if n > 1
    }


@lru_cache(maxsize=8)
def _two_of(n: int) -> tuple[Ints, Ints]:
    """Return all pairs of n things, the first one first."""
    one, other = np.triu_indices(n, 1)
    return one, other
