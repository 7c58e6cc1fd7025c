"""Mix-ups of more than two readings: samples or streams exchanged, lines typed too high or low.

Their chances are our own choice, as in `oretally.recon.signatures.mixups`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from math import comb, log

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats, Ints
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.signatures.possible_slips import PossibleSlips

__all__ = [
    "LargerMixup", "lines", "readings_in_lines", "readings_in_samples", "samples",
    "share_of_exchanges", "unlike_streams",
]  # fmt: skip

SAMPLES, STREAMS, LINES = 0.25, 0.10, 0.02
"""Chances that samples, or all numbers, of two streams are exchanged, or lines shifted: of each
stream, as a share of the rate of wrong numbers."""
_NEXT = 0.5  # of the chance of an exchange, that it is with a neighbour
_FEWEST = 4  # lines in a shift: two are an exchange, three nobody miscounts


def share_of_exchanges(apart: Ints, n: int) -> Floats:
    """Return the share of the exchanges of one of n in a row that are with one so far apart."""
    if n <= 3:
        return np.full(apart.shape, 1.0 / max(n - 1, 1))
    return np.where(apart == 1, 0.5 * _NEXT, 0.0) + (1.0 - _NEXT) / (n - 1)


@dataclass(frozen=True, eq=False)
class LargerMixup:
    """A mix-up of more than two readings: rows, and those of the readings that belong there.

    -1 where nobody knows. ``elsewhere`` has places that nobody measured, and the rows of the
    readings that belong there. The readings that belong at the rows are ``times`` what was read.
    """

    kind: str
    reason: str
    rows: Ints
    source: Ints
    log_odds: float
    elsewhere: tuple[tuple[Position, int], ...] = ()
    times: float = 1.0


def _numbers_of(
    slips: PossibleSlips,
) -> tuple[dict[str, dict[str, Position]], dict[str, dict[str, Position]]]:
    """Return where the assays and the flows of each stream stand, by quantity.

    What was computed of them, and what is below detection, moves with a label as well.
    """
    assays: dict[str, dict[str, Position]] = {}
    flows: dict[str, dict[str, Position]] = {}
    for place, m in slips.written.items():
        if m.error_source != DECLARED_LOSS:
            part = flows if slips.meanings[m.quantity].is_flow else assays
            part.setdefault(m.stream, {})[m.quantity] = place
    return assays, flows


def _labels(slips: PossibleSlips) -> dict[str, bool]:
    """Return the streams that bear a label, and whether it is one of the table of times.

    A declared loss bears none, nor what stays in a vessel or is added to it.
    """
    course = slips.survey.course
    times = () if course is None else course.times
    without = {t.liquid for t in times}.difference(slips.streams) | {t.added for t in times}
    without |= {m.stream for m in slips.survey.measurements if m.error_source == DECLARED_LOSS}
    if course is not None:
        without.add(course.started)
    timed = {t.sample for t in times}
    names = dict.fromkeys((*slips.streams, *(r.stream for r in slips.places.rows)))
    return {s: s in timed for s in names if s not in without}


def readings_in_samples(slips: PossibleSlips) -> int:
    """Return how many readings all exchanges of samples and streams have to do with."""
    if slips.overall <= 0.0:
        return 0
    assays, flows = _numbers_of(slips)
    of_samples = Counter(frozenset(a) for a in assays.values())
    of_streams = Counter(
        (frozenset(a), frozenset(flows[s])) for s, a in assays.items() if s in flows
    )
    found = sum(2 * len(a) * comb(n, 2) for a, n in of_samples.items() if len(a) > 1)
    return found + sum(2 * (len(a) + len(f)) * comb(n, 2) for (a, f), n in of_streams.items())


def samples(
    slips: PossibleSlips, row: Mapping[Position, int], *, near: bool
) -> Iterator[LargerMixup]:
    """Yield exchanges of all assays of two streams, and of all numbers of theirs.

    With ``near`` of neighbours alone.
    """
    assays, flows = _numbers_of(slips)
    label = _labels(slips)
    streams = [s for s in slips.streams if s in assays and s in label]
    n = len(streams)
    every = zip(range(n - 1), range(1, n), strict=True) if near else combinations(range(n), 2)
    for i, j in every:
        a, b = streams[i], streams[j]
        chance = slips.overall * float(share_of_exchanges(np.array(j - i), n))
        if assays[a].keys() != assays[b].keys() or chance <= 0.0 or label[a] != label[b]:
            continue
        one = [row.get(p, -1) for p in assays[a].values()]
        other = [row.get(assays[b][q], -1) for q in assays[a]]
        names = f"'{a}' and '{b}'"
        if len(one) > 1:  # one alone is an exchange of two readings
            yield _exchange("samples", f"the samples of {names} changed places", one, other=other,
                            chance=SAMPLES * chance)  # fmt: skip
        if a in flows and flows[a].keys() == flows.get(b, {}).keys():
            one = [*one, *(row.get(p, -1) for p in flows[a].values())]
            other = [*other, *(row.get(flows[b][q], -1) for q in flows[a])]
            yield _exchange("streams", f"all numbers of {names} changed places", one, other=other,
                            chance=STREAMS * chance)  # fmt: skip


def unlike_streams(
    slips: PossibleSlips, row: Mapping[Position, int], most: int
) -> Iterator[LargerMixup]:
    """Yield exchanges of two samples, or of all numbers of two streams, not alike measured.

    What one has and the other lacks moves too. Of one stream maybe nothing was measured. Where all
    have to do with more than ``most`` readings, of neighbours alone.
    """
    place: dict[str, dict[str, Position]] = {}
    for r in slips.places.rows:
        place.setdefault(r.stream, {})[r.quantity] = r.place
    assays, flows = _numbers_of(slips)
    own = {s: assays.get(s, {}) | flows.get(s, {}) for s in (*assays, *flows)}
    label = _labels(slips)
    streams = [s for s in dict.fromkeys((*(s for s in slips.streams if s in own), *place))
               if s in label]  # fmt: skip
    n, readings = len(streams), sum(map(len, own.values()))
    near = (n - 1) * readings > most
    every = zip(range(n - 1), range(1, n), strict=True) if near else combinations(range(n), 2)
    for i, j in every:
        a, b = streams[i], streams[j]
        share = slips.overall * float(share_of_exchanges(np.array(j - i), n))
        found = []
        if a in assays and b in assays:
            found.append(("samples", f"the samples of '{a}' and '{b}' changed places",
                          SAMPLES, assays))  # fmt: skip
        if a in flows or b in flows or not found:
            found.append(("streams", f"all numbers of '{a}' and '{b}' changed places",
                          STREAMS, own))  # fmt: skip
        for kind, reason, chance, numbers in found if share > 0.0 and label[a] == label[b] else ():
            moved = _moved_both_ways(slips, row, place, numbers, (a, b))
            if moved is not None:
                yield LargerMixup(kind, reason, *moved[:2], log(chance * share), moved[2])


def _moved_both_ways(
    slips: PossibleSlips, row: Mapping[Position, int], place: Mapping[str, Mapping[str, Position]],
    numbers: Mapping[str, Mapping[str, Position]], streams: tuple[str, str],
) -> tuple[Ints, Ints, tuple[tuple[Position, int], ...]] | None:  # fmt: skip
    """Return rows, sources and what moves elsewhere, numbers of two streams exchanged.

    None if the same was measured of both, or a number would come to a place that is none, or to
    one that shared errors or a stack of sieves come before.
    """
    a, b = streams
    one, other = numbers.get(a, {}), numbers.get(b, {})
    if one.keys() == other.keys():
        return None
    rows, source, elsewhere = list[int](), list[int](), list[tuple[Position, int]]()
    for mine, its, here, there in ((one, other, a, b), (other, one, b, a)):
        for quantity, at in mine.items():
            if at not in row:
                return None
            rows.append(row[at])
            source.append(row.get(its[quantity], -1) if quantity in its else -1)
            if quantity in its:
                continue
            to = place.get(there, {}).get(quantity)
            plain = place.get(here, {}).get(quantity) == at and not slips.of_stack(at)
            if to is None or to in row or not plain:
                return None
            elsewhere.append((to, rows[-1]))
    return np.array(rows, dtype=np.intp), np.array(source, dtype=np.intp), tuple(elsewhere)


def _exchange(
    kind: str, reason: str, one: list[int], *, other: list[int], chance: float
) -> LargerMixup:
    rows, source = np.array(one + other, dtype=np.intp), np.array(other + one, dtype=np.intp)
    return LargerMixup(kind, reason, rows, source, log(chance))


def _columns_of_assays(slips: PossibleSlips) -> list[list[list[Position]]]:
    """Return columns of assays in which a line can be missed: all together, then each by itself."""
    columns = [
        [column[s] for s in slips.streams if s in column]
        for quantity, column in slips.columns.items()
        if slips.meanings[quantity].analyte is not None
        and not any(slips.of_stack(p) for p in column.values())
    ]
    columns = [places for places in columns if len(places) >= _FEWEST]
    together = len(columns) > 1 and len({len(places) for places in columns}) == 1
    return ([columns] if together else []) + [[places] for places in columns]


def readings_in_lines(slips: PossibleSlips) -> int:
    """Return how many readings all shifts of lines have to do with."""
    if slips.overall <= 0.0:
        return 0
    ends = ((len(group), len(group[0])) for group in _columns_of_assays(slips))
    return sum(2 * c * (n * (n + 1) - _FEWEST * (_FEWEST - 1)) // 2 for c, n in ends)


def lines(
    slips: PossibleSlips, row: Mapping[Position, int], *, near: bool
) -> Iterator[LargerMixup]:
    """Yield columns of assays typed one line too high or too low from some sample on.

    With ``near`` whole sheets alone.
    """
    groups = _columns_of_assays(slips)
    single = sum(len(group) == 1 for group in groups)
    for group in groups:
        whole = len(group) > 1
        if near and not whole:
            continue
        share = 0.5 if whole else 0.5 / single
        n = len(group[0])
        chance = LINES * slips.overall * share / (2 * (n - _FEWEST + 1))
        at = np.array([[row.get(p, -1) for p in places] for places in group], dtype=np.intp)
        for first in range(n - _FEWEST + 1) if chance > 0.0 else ():
            where, part = slips.written[group[0][first]].stream, at[:, first:]
            lost = np.full((len(group), 1), -1, dtype=np.intp)
            for way, moved in (("high", [lost, part[:, :-1]]), ("low", [part[:, 1:], lost])):
                reason = f"the assays from '{where}' on stand one line too {way}"
                source = np.hstack(moved).ravel()
                yield LargerMixup("lines", reason, part.ravel(), source, log(chance))
