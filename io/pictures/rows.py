"""In which rows the parts of a band stand: above each other without touching, lines straight.

Rows are whole numbers. A band has slots side by side: columns of parts and the channels between.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

__all__ = ["Link", "Part", "PartKind", "beneath", "stacked"]

_SHIFTS = 6  # of all parts, upwards and downwards in turns
_SLACK = 3  # rows that a band may grow by on either side where that makes lines straight
_CROSSING = 6  # rows of detour that one crossing is worth


class PartKind(IntEnum):
    """What a part of the drawing is."""

    NODE = 0
    FEED = 1
    PRODUCT = 2
    LANE = 3


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What takes up rows of the slots from ``first`` to ``last``.

    Attributes
    ----------
    kind : PartKind
    name : str
        Of the node, or of the stream.
    band, first, last : int
        Column k of a band is slot 2 k, the channel to its right 2 k + 1; the one before all is -1.
    rows : int
    """

    kind: PartKind
    name: str
    band: int
    first: int
    last: int
    rows: int

    @property
    def slots(self) -> range:
        """The slots it takes up."""
        return range(self.first, self.last + 1)


@dataclass(frozen=True, slots=True)
class Link:
    """A stream's step through a channel, from a part on its left to one on its right."""

    stream: str
    channel: int
    left: Part
    right: Part


_Pin = tuple[int, int, int]  # channel, row on its left, row on its right
_Settled = tuple[int, dict[Part, int], list[_Pin]]


def stacked(
    parts: Sequence[Part],
    links: Sequence[Link],
    leaves: Callable[[Mapping[Part, int]], Sequence[int]],
    enters: Sequence[int],
) -> dict[Part, int]:
    """Return the first row of each part, so that parts of one slot have no row in common.

    Parts are put in order by the mean of what they are linked to: on the left, on the right, on
    both. Of all orders tried, the one with the least detours and crossings is kept; then parts
    whose links cross change places where that is better.

    Parameters
    ----------
    parts : sequence of Part
        In the order to begin with; the opposite one is tried too.
    links : sequence of Link
    leaves : callable
        For each link the row in its left part, counted from the part's first, given the rows of
        all parts.
    enters : sequence of int
        The same in its right part.
    """
    number = {part: i for i, part in enumerate(parts)}
    ends = [(number[link.left], number[link.right]) for link in links]
    # where lanes pass a channel, other links may cross them
    passed = [(slot, p) for p in parts if p.kind is PartKind.LANE
              for slot in range(p.first + 2, p.last, 2)]  # fmt: skip
    sides = [(link.left, link.right) for link in links] + [(lane, lane) for _, lane in passed]

    def settled(order: Sequence[Part]) -> _Settled:
        """Return what an order costs, the rows, and the rows between which each link runs."""
        rows = beneath(order, {})
        # how much higher the left part is than the right one where a link is straight
        drop = [a - b for a, b in zip(leaves(rows), enters, strict=True)]
        rows = _straightened(parts, rows, ends, drop)
        pins = [
            (i.channel, rows[i.left] + out, rows[i.right] + to)
            for i, out, to in zip(links, leaves(rows), enters, strict=True)
        ]
        pins += [(channel, rows[lane], rows[lane]) for channel, lane in passed]
        return sum([abs(a - b) for _, a, b in pins]) + _CROSSING * len(_crossings(pins)), rows, pins

    found = []
    for start in (parts, parts[::-1]):
        found.append(settled(start))
        for from_left, from_right in ((True, False), (False, True), (True, True)):
            _, rows, pins = found[-1]
            near: list[list[int]] = [[] for _ in parts]
            for (left, right), (_, a, b) in zip(ends, pins, strict=False):
                if from_left:
                    near[right].append(a)
                if from_right:
                    near[left].append(b)
            means = [
                sum(at) / len(at) if at else rows[part] + part.rows / 2.0
                for part, at in zip(parts, near, strict=True)
            ]
            order = sorted(range(len(parts)), key=means.__getitem__)
            found.append(settled([parts[i] for i in order]))
    best = min(found, key=lambda settling: settling[0])
    return _uncrossed(best, links, sides, settled)


def _uncrossed(
    best: _Settled,
    links: Sequence[Link],
    sides: Sequence[tuple[Part, Part]],
    settled: Callable[[Sequence[Part]], _Settled],
) -> dict[Part, int]:
    """Return the rows after parts whose links cross have changed places wherever that is better.

    Lanes are tried alone, and together with what they lead to.
    """
    onward = {link.left: link.right for link in links if link.left.kind is PartKind.LANE}
    better = True
    while better:
        better = False
        _, rows, pins = best
        order = sorted(rows, key=rows.__getitem__)
        for i, j in _crossings(pins):
            for p, q in zip(sides[i], sides[j], strict=True):
                exchanges = [{p: q, q: p}]
                if p in onward and q in onward:
                    far_p, far_q = onward[p], onward[q]
                    exchanges.append({p: q, q: p, far_p: far_q, far_q: far_p})
                for exchange in exchanges:
                    tried = settled([exchange.get(part, part) for part in order])
                    if tried[0] < best[0]:
                        best, better = tried, True
    return best[1]


def beneath(lanes: Iterable[Part], above: Mapping[Part, int]) -> dict[Part, int]:
    """Return the row of each lane, below all that stand in its slots."""
    end: dict[int, int] = defaultdict(int)
    for part, row in above.items():
        for slot in part.slots:
            end[slot] = max(end[slot], row + part.rows)
    found = {}
    for lane in lanes:
        found[lane] = max(end[slot] for slot in lane.slots)
        for slot in lane.slots:
            end[slot] = found[lane] + lane.rows
    return found


def _crossings(pins: Sequence[_Pin]) -> list[tuple[int, int]]:
    """Return the pairs of links that change sides in a channel, the later one first, in order."""
    channels: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for i, (channel, left, right) in enumerate(pins):
        channels[channel].append((left, right, i))
    found: list[tuple[int, int]] = []
    for run in channels.values():
        before: list[tuple[int, int]] = []  # right ends of what begins above, from top to bottom
        for _, right, i in sorted(run):
            at = bisect_right(before, (right, len(pins)))
            found += [(max(i, j), min(i, j)) for _, j in before[at:]]
            before.insert(at, (right, i))
    return sorted(found)


def _straightened(
    parts: Sequence[Part],
    rows: Mapping[Part, int],
    ends: Sequence[tuple[int, int]],
    drop: Sequence[int],
) -> dict[Part, int]:
    """Return rows in the same order, each part moved to where its lines are straight if it can."""
    count = len(parts)
    found = [rows[part] for part in parts]
    height = [part.rows for part in parts]
    floor = max((a + b for a, b in zip(found, height, strict=True)), default=0)
    floor += _SLACK
    wishes: list[list[tuple[int, int]]] = [[] for _ in parts]
    for (left, right), d in zip(ends, drop, strict=True):
        # feeds and products follow their nodes, lanes their sources
        if parts[left].kind is not PartKind.FEED:
            wishes[right].append((left, d))
        if parts[left].kind is not PartKind.LANE and parts[right].kind is not PartKind.PRODUCT:
            wishes[left].append((right, -d))
    order = sorted(range(count), key=found.__getitem__)
    above: list[set[int]] = [set() for _ in parts]
    below: list[set[int]] = [set() for _ in parts]
    last: dict[int, int] = {}
    for i in order:
        for slot in parts[i].slots:
            if slot in last:
                above[i].add(last[slot])
                below[last[slot]].add(i)
            last[slot] = i
    # what follows moves last
    down, up = (
        sorted(way, key=lambda i: parts[i].kind in (PartKind.FEED, PartKind.PRODUCT))
        for way in (order, order[::-1])
    )
    for sweep in range(_SHIFTS):
        for i in down if sweep % 2 else up:
            if wishes[i]:
                low = max([found[j] + height[j] for j in above[i]], default=-_SLACK)
                high = min([found[j] for j in below[i]], default=floor) - height[i]
                at = sorted([found[j] + d for j, d in wishes[i]])
                # between the two medians it stays where it is
                wish = min(max(found[i], at[(len(at) - 1) // 2]), at[len(at) // 2])
                found[i] = min(max(wish, low), high)
    return {part: row - min(found) for part, row in zip(parts, found, strict=True)}
