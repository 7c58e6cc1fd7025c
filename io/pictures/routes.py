"""Which way each stream runs through the bands, columns and rows of a drawing: whole numbers only.

Layers are folded into bands of columns. A stream to the next column runs through the channel
between. One that passes columns has a lane in each band that it crosses: between the nodes if it
leads on, below them if it leads back or leaves for another band, above them where it arrives from
one. Bands have one channel in common, slot -1, to the left of all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Stream
from oretally.io.pictures.layers import Drawable, layers
from oretally.io.pictures.rows import Link, Part, PartKind, beneath, stacked

__all__ = ["Routes", "Sizes", "Spot"]

# levels in a row: lines of two of them are never taken for one where they end at one channel
_ARRIVES, _LEAVES, _PASSES = range(3)


@dataclass(frozen=True, slots=True)
class Sizes:
    """How many rows the parts take.

    Attributes
    ----------
    node : mapping of str to int
        Each node's name.
    outlet : mapping of str to int
        Each stream where it leaves a node; its line is in the last row.
    outer : mapping of str to int
        Each feed and product at its outer end, an odd number; its line is in the row in the middle.
    lane : int
        A lane; its line is in the first row.
    """

    node: Mapping[str, int]
    outlet: Mapping[str, int]
    outer: Mapping[str, int]
    lane: int


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a line is level: in which of the three levels of a row."""

    band: int
    row: int
    level: int


class Routes:
    """The ways of all streams.

    Attributes
    ----------
    parts : dict
        For each stream the parts that it meets, from its source to its target.
    channels : dict
        For each stream the slots of the channels between those.
    nodes : dict
        The part of each node.
    exits : list of int
        For each band the slot of the products.
    row : dict
        The first row of each part in its band.
    heights : list of int
        The rows of each band.

    Parameters
    ----------
    circuit : Drawable
    sizes : Sizes
    per_band : int
        Layers.
    """

    def __init__(self, circuit: Drawable, sizes: Sizes, per_band: int) -> None:
        self.circuit, self.sizes = circuit, sizes
        self.outlets: dict[str | None, list[Stream]] = defaultdict(list)
        self.inlets: dict[str | None, list[Stream]] = defaultdict(list)
        for s in circuit.streams:
            self.outlets[s.source].append(s)
            self.inlets[s.target].append(s)
        self.nodes, self.exits = self._folded(per_band)
        self.parts: dict[str, list[Part]] = {}
        self.channels: dict[str, list[int]] = {}
        for s in circuit.streams:
            self.parts[s.name], self.channels[s.name] = self._routed(s)
        # what stays in its band and leads to a later column
        self.onward = {
            name for name, channels in self.channels.items()
            if len(channels) == 1 or (len(channels) == 2 and channels[0] < channels[1])
        }  # fmt: skip
        self._streams: list[list[str]] = [[] for _ in self.exits]  # that meet a part of each band
        for name, parts in self.parts.items():
            for band in {part.band for part in parts}:
                self._streams[band].append(name)
        self.row: dict[Part, int] = {}
        self.heights = [self._stack(band) for band in range(len(self.exits))]

    def _folded(self, per_band: int) -> tuple[dict[str, Part], list[int]]:
        """Return the part of each node, and the slot of the products in each band."""
        layer = layers(self.circuit)
        fed = {layer[s.target] for s in self.outlets[None] if s.target is not None}
        nodes, exits = {}, [0] * (max(layer.values()) // per_band + 1)
        for name, k in layer.items():
            band, column = divmod(k, per_band)
            slot = 2 * (column + (band * per_band in fed))  # feeds stand in a column of their own
            exits[band] = max(exits[band], slot + 2)
            outlets = sum(self.sizes.outlet[s.name] for s in self.outlets[name])
            rows = max(self.sizes.node[name], outlets + 1, 2 * len(self.inlets[name]) + 1)
            nodes[name] = Part(PartKind.NODE, name, band, slot, slot, rows + 1)  # one stays free
        return nodes, exits

    def _routed(self, s: Stream) -> tuple[list[Part], list[int]]:
        """Return the parts that a stream meets, and the channels between them."""
        if s.source is not None:
            start = self.nodes[s.source]
        else:
            fed = self.nodes[s.target or ""]
            rows = self.sizes.outer[s.name]
            start = Part(PartKind.FEED, s.name, fed.band, fed.first - 2, fed.first - 2, rows)
        if s.target is not None:
            end = self.nodes[s.target]
        else:
            slot, rows = self.exits[start.band], self.sizes.outer[s.name]
            end = Part(PartKind.PRODUCT, s.name, start.band, slot, slot, rows)
        leaves, enters, rows = start.last + 1, end.first - 1, self.sizes.lane
        if start.band != end.band:
            away = Part(PartKind.LANE, s.name, start.band, -1, leaves, rows)
            if enters < 0:
                return [start, away, end], [leaves, -1]
            back = Part(PartKind.LANE, s.name, end.band, -1, enters, rows)
            return [start, away, back, end], [leaves, -1, enters]
        if leaves == enters:
            return [start, end], [leaves]
        lane = Part(
            PartKind.LANE, s.name, start.band, min(leaves, enters), max(leaves, enters), rows
        )
        return [start, lane, end], [leaves, enters]

    def _stack(self, band: int) -> int:
        """Find the rows of the parts of a band; return how many rows it has."""
        inner: dict[Part, None] = {}
        above: list[Part] = []
        below: list[Part] = []
        links = []
        for name in self._streams[band]:
            parts = self.parts[name]
            if name in self.onward:
                here = parts
                pairs = zip(self.channels[name], here, here[1:], strict=False)
                links += [Link(name, channel, a, b) for channel, a, b in pairs]
            else:
                here = [part for part in (parts[0], parts[-1]) if part.band == band]
                below += [lane for lane in parts[1:2] if lane.band == band]
                above += [lane for lane in parts[2:-1] if lane.band == band]
            inner |= dict.fromkeys(here)
        ceiling = beneath(sorted(above, key=lambda lane: -lane.last), {})
        first = max((row + lane.rows for lane, row in ceiling.items()), default=0)
        found = stacked(
            list(inner), links, lambda rows: self._leaves(links, rows), self._enters(links)
        )
        rows = ceiling | {part: row + first for part, row in found.items()}
        rows |= beneath(sorted(below, key=lambda lane: len(lane.slots)), rows)
        self.row |= rows
        return max(row + part.rows for part, row in rows.items())

    # ---- where lines meet parts

    def _outs(self, rows: Mapping[Part, int]) -> dict[str, int]:
        """Return the row of each stream that leaves a node, counted from the node's first.

        Outlets are in the order of what they lead to, from top to bottom. What goes below all comes
        last, the longest way first.
        """
        found: dict[str, int] = {}
        for name, node in ((p.name, p) for p in rows if p.kind is PartKind.NODE):
            keys: list[tuple[tuple[int, float], int, int, str]] = []
            for s in self.outlets[name]:
                to = self.parts[s.name][1]
                on = s.name in self.onward
                key = (0, rows[to] + to.rows / 2.0) if on else (1, -len(to.slots))
                keys.append((key, len(keys), self.sizes.outlet[s.name], s.name))
            row = (node.rows - 1 - sum(key[2] for key in keys)) // 2 - 1
            for _, _, size, stream in sorted(keys):
                row += size
                found[stream] = row
        return found

    def _leaves(self, links: Sequence[Link], rows: Mapping[Part, int]) -> list[int]:
        """Return the row of each link in its left part, counted from the part's first."""
        outs = self._outs(rows)
        return [
            outs[i.stream]
            if i.left.kind is PartKind.NODE
            else (i.left.rows // 2 if i.left.kind is PartKind.FEED else 0)
            for i in links
        ]

    def _enters(self, links: Sequence[Link]) -> list[int]:
        """Return the row in which each link should enter its right part, counted from its first."""
        found = []
        for part in (link.right for link in links):
            if part.kind is PartKind.NODE:
                found.append(self._entry(part))
            else:
                found.append(part.rows // 2 if part.kind is PartKind.PRODUCT else 0)
        return found

    def _entry(self, node: Part) -> int:
        """Return the row of a node for what comes from the left: that of its outlet, if it can."""
        sides = [self._side(s.name) for s in self.inlets[node.name]]
        low, high = 1 + 2 * sides.count(-1), node.rows - 3 - 2 * sides.count(1)
        wish = (low + high) // 2
        if len(self.outlets[node.name]) == 1:
            size = self.sizes.outlet[self.outlets[node.name][0].name]
            wish = (node.rows - 1 - size) // 2 + size - 1
        return max(low, min(wish, high))

    def _side(self, stream: str) -> int:
        """Return from where a stream comes to its node: -1 from above, 0 from the left, 1."""
        before, node = self.parts[stream][-2:]
        if before.band != node.band:
            return 1 if before.band > node.band else -1
        return 0 if stream in self.onward else -1 if len(self.parts[stream]) == 4 else 1

    def places(self) -> dict[str, list[Spot]]:
        """Return for each stream where its line is level, at each part that it meets."""
        found: dict[str, list[Spot]] = {}
        outs = self._outs(self.row)
        for name, (start, *lanes) in self.parts.items():
            row = self.row[start] + (outs[name] if start.kind is PartKind.NODE else start.rows // 2)
            found[name] = [Spot(start.band, row, _LEAVES)]
            for lane in lanes[:-1]:
                passes = Spot(lane.band, self.row[lane], _PASSES)
                found[name].append(_straight(found[name][-1], passes))
        for node in self.nodes:
            for name, place in self._ports(node, found).items():
                found[name].append(_straight(found[name][-1], place))
        for s in self.inlets[None]:
            end = self.parts[s.name][-1]
            place = Spot(end.band, self.row[end] + end.rows // 2, _ARRIVES)
            found[s.name].append(_straight(found[s.name][-1], place))
        return found

    def _ports(self, node: str, found: Mapping[str, Sequence[Spot]]) -> dict[str, Spot]:
        """Return where each inlet meets a node: near where it comes from, two rows apart."""
        part = self.nodes[node]
        wishes = []
        for s in self.inlets[node]:
            side, row = self._side(s.name), found[s.name][-1].row
            # what comes from above or below turns in the later, the nearer it runs
            wishes.append((side, -row if side else row, s.name))
        low = self.row[part] + 1
        high = self.row[part] + part.rows - 3
        at, ports = low - 2, {}
        for i, (side, row, name) in enumerate(sorted(wishes)):
            wish = row if side == 0 else low if side < 0 else high
            at = min(max(wish, at + 2), high - 2 * (len(wishes) - 1 - i))
            ports[name] = Spot(part.band, at, _ARRIVES)
        return ports


def _straight(before: Spot, place: Spot) -> Spot:
    """Return the place of a line in the row of the one before: on its level, so it is straight."""
    return before if (before.band, before.row) == (place.band, place.row) else place
