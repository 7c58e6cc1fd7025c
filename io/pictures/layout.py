"""Where the parts of a drawn circuit stand: columns of nodes, folded into bands; lanes for lines.

Nodes stand in columns by their distance from the feeds. Beside each node, every outlet has a slot
with room for its label, so that labels never touch. Lines run in lanes of their own: vertical ones
in the channel to the right of a column, horizontal ones in the bus between two bands. Long
circuits are folded: after ``columns`` columns the next band starts below.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Circuit

__all__ = ["Box", "Drawing", "Label", "Line", "lay_out", "text_width"]

_BOX = 112.0  # width of a node
_HEIGHT = 44.0  # least height of a node
_TEXT = 13.0  # height of a line of text
_GAP = 18.0  # between nodes of one column
_STUB = 14.0  # straight end of a line before it meets a node
_OUT = 26.0  # least room to the right of the last column
_PORT = 16.0  # least distance of two inlets


@dataclass(frozen=True, slots=True)
class Box:
    """A node, or the start of a feed (``node`` empty, no width)."""

    node: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Label:
    """Lines of text of one stream, in a box of their own; (x, y) is the upper left corner."""

    stream: str
    lines: tuple[str, ...]
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Line:
    """The way of one stream, a polyline from its source to its target."""

    stream: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A laid-out circuit."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    labels: tuple[Label, ...]
    lines: tuple[Line, ...]


def text_width(text: str, size: float = 11.0) -> float:
    """Return a safe estimate of the width of a text in a plain sans-serif face."""
    wide = sum(1.0 if ord(c) > 0x2E7F else 0.0 for c in text)
    return size * (0.56 * (len(text) - wide) + 1.05 * wide)


def lay_out(
    circuit: Circuit,
    labels: Mapping[str, Sequence[str]],
    *,
    columns: int = 4,
    lane: float = 9.0,
) -> Drawing:
    """Lay out a circuit.

    Parameters
    ----------
    circuit : Circuit
    labels : mapping of str to sequence of str
        Lines of text for each stream.
    columns : int
        Most columns of nodes in one band; bands are filled evenly.
    lane : float
        Distance of two lines that run side by side.
    """
    return _Layout(circuit, labels, columns, lane).drawing()


class _Layout:
    """Works out the drawing; each step fills what the next one needs."""

    def __init__(
        self, circuit: Circuit, labels: Mapping[str, Sequence[str]], columns: int, lane: float
    ) -> None:
        self.circuit, self.lane = circuit, lane
        self.labels = {s.name: tuple(labels.get(s.name, (s.name,))) for s in circuit.streams}
        widest = max(text_width(t) for lines in self.labels.values() for t in lines)
        self.slot = widest + 12.0
        self.slot_height = _TEXT * max(len(lines) for lines in self.labels.values()) + lane + 7.0
        self.ends = self._ends()
        self.column = self._columns()
        total = max(self.column.values()) + 1
        self.per_band = -(-total // -(-total // columns))
        self.rows = self._rows()

    def _ends(self) -> dict[str, tuple[str, str | None]]:
        """Return (source, target) of each stream; a feed starts at a point of its own."""
        return {
            s.name: (s.source if s.source is not None else f"\0{s.name}", s.target)
            for s in self.circuit.streams
        }

    def _columns(self) -> dict[str, int]:
        """Return the column of each node and feed: its distance from the nearest feed."""
        after = defaultdict(list)
        for source, target in self.ends.values():
            if target is not None:
                after[source].append(target)
        column: dict[str, int] = {}
        queue: deque[str] = deque()
        for s in self.circuit.streams:
            if s.source is None and s.target is not None and s.target not in column:
                column[s.target] = 1
                queue.append(s.target)
        while queue:
            node = queue.popleft()
            for target in after[node]:
                if target not in column:
                    column[target] = column[node] + 1
                    queue.append(target)
        for name, (source, target) in self.ends.items():
            if source.startswith("\0"):
                column[source] = column[target] - 1 if target is not None else 0
                self.labels.setdefault(name, (name,))
        return column

    def _rows(self) -> dict[int, list[str]]:
        """Return the nodes of each column from top to bottom, near what they are fed from."""
        rows: dict[int, list[str]] = defaultdict(list)
        for name in self.column:
            rows[self.column[name]].append(name)
        rank: dict[str, float] = {}
        order = {s.name: i for i, s in enumerate(self.circuit.streams)}
        for c in sorted(rows):

            def key(name: str, c: int = c) -> tuple[float, float]:
                above = [
                    rank[source] + 0.01 * order[stream]
                    for stream, (source, target) in self.ends.items()
                    if target == name and source in rank and self.column[source] < c
                ]
                first = min((order[s] for s, ends in self.ends.items() if name in ends), default=0)
                return (sum(above) / len(above) if above else 1e6 + first, first)

            rows[c].sort(key=key)  # fmt: skip
            rank.update({name: float(i) for i, name in enumerate(rows[c])})
        return rows

    # ---- lanes

    def band(self, column: int) -> int:
        return column // self.per_band

    def outlets(self, name: str) -> list[str]:
        return [stream for stream, (source, _) in self.ends.items() if source == name]

    def inlets(self, name: str) -> list[str]:
        return [stream for stream, (_, target) in self.ends.items() if target == name]

    def drawing(self) -> Drawing:
        """Return everything with its place."""
        routes = {stream: self._route(stream) for stream in self.ends}
        channels: dict[int, list[str]] = defaultdict(list)  # by the column to their left
        buses: dict[int, list[str]] = defaultdict(list)  # by the band below them
        margin: list[str] = []
        for stream, (kind, channel_pair, bus_pair) in routes.items():
            for channel in dict.fromkeys(channel_pair):
                channels[channel].append(stream)
            for bus in dict.fromkeys(bus_pair):
                buses[bus].append(stream)
            if kind == "far":
                margin.append(stream)
        bands = self.band(max(self.rows)) + 1
        left = 10.0 + self.lane * (len(margin) + 1)
        x_of, channel_x, width = self._across(channels, left, bands)
        y_of_bus, boxes, height = self._down(buses, bands, x_of)
        labels, lines = [], []
        place = {box.node: box for box in boxes}
        for stream, (kind, channel_pair, bus_pair) in routes.items():
            source, target = self.ends[stream]
            start = place[source]
            i = self.outlets(source).index(stream)
            slot = start.y + (start.height - len(self.outlets(source)) * self.slot_height) / 2.0
            y = slot + (i + 1) * self.slot_height - self.lane / 2.0 - 3.0
            x = start.x + start.width
            text = self.labels[stream]
            labels.append(
                Label(stream, text, x + 7.0, y - self.lane / 2.0 - 2.0 - _TEXT * len(text),
                      self.slot - 9.0, _TEXT * len(text))
            )  # fmt: skip
            points = [(x, y)]
            if target is None:
                points.append((x + self.slot - 3.0, y))  # short of the lanes of other streams
            else:
                end = place[target]
                into = self.inlets(target)
                port = end.y + end.height * (into.index(stream) + 1) / (len(into) + 1)

                def lane_x(channel: int, stream: str = stream) -> float:
                    return channel_x[channel] + self.lane * (1 + channels[channel].index(stream))

                points.append((lane_x(channel_pair[0]), y))
                if kind != "next":

                    def lane_y(bus: int, stream: str = stream) -> float:
                        return y_of_bus[bus] + self.lane * (1 + buses[bus].index(stream))

                    points.append((lane_x(channel_pair[0]), lane_y(bus_pair[0])))
                    if kind == "far":
                        aside = 6.0 + self.lane * (1 + margin.index(stream))
                        points += [(aside, lane_y(bus_pair[0])), (aside, lane_y(bus_pair[1]))]
                    points.append((lane_x(channel_pair[1]), lane_y(bus_pair[1])))  # fmt: skip
                points += [(lane_x(channel_pair[1]), port), (end.x, port)]
            lines.append(Line(stream, tuple(points)))
        return Drawing(width, height, tuple(boxes), tuple(labels), tuple(lines))

    def _route(self, stream: str) -> tuple[str, tuple[int, ...], tuple[int, ...]]:
        """Return how a stream runs, the channels it uses and the buses it uses.

        A channel is named by the column to its left, -1 - band for the one left of a band.
        """
        source, target = self.ends[stream]
        a = self.column[source]
        if target is None:
            return "out", (), ()
        b = self.column[target]
        before = b - 1 if b % self.per_band else -1 - self.band(b)
        if b == a + 1 and self.band(a) == self.band(b):
            return "next", (a, a), ()
        from_bus = self.band(a) + 1
        to_bus = self.band(b) + 1 if self.band(a) == self.band(b) else self.band(b)
        if from_bus == to_bus:
            return "near", (a, before), (from_bus, from_bus)
        return "far", (a, before), (from_bus, to_bus)

    def _across(
        self, channels: Mapping[int, Sequence[str]], left: float, bands: int
    ) -> tuple[dict[int, float], dict[int, float], float]:
        """Return x of each column and channel, and the width."""
        entry = max((len(channels.get(-1 - band, ())) for band in range(bands)), default=0)
        channel_x = {-1 - band: left for band in range(bands)}
        first = left + self.lane * (entry + 1) + _STUB
        x_of: dict[int, float] = {}
        width = 0.0
        for k in range(self.per_band):
            stacked = [c for c in self.rows if c % self.per_band == k]
            if not stacked:
                continue
            lanes = max(len(channels.get(c, ())) for c in stacked)
            feeds_only = all(name.startswith("\0") for c in stacked for name in self.rows[c])
            end = first + (0.0 if feeds_only else _BOX) + self.slot
            for c in stacked:
                x_of[c], channel_x[c] = first, end
            width = max(width, end + max(_OUT, self.lane * (lanes + 1)) + 10.0)
            first = end + self.lane * (lanes + 1) + _STUB
        return x_of, channel_x, width

    def _down(
        self, buses: Mapping[int, Sequence[str]], bands: int, x_of: Mapping[int, float]
    ) -> tuple[dict[int, float], list[Box], float]:
        """Return y of each bus, the boxes, and the height."""
        y_of_bus: dict[int, float] = {}
        boxes: list[Box] = []
        y = 6.0
        for band in range(bands):
            y_of_bus[band] = y
            y += self.lane * (len(buses.get(band, ())) + 1)
            stacks = {c: names for c, names in self.rows.items() if self.band(c) == band}
            tall = {
                c: sum(self._height(n) for n in names) + _GAP * (len(names) - 1)
                for c, names in stacks.items()
            }
            room = max(tall.values(), default=0.0)
            for c, names in stacks.items():
                top = y + (room - tall[c]) / 2.0
                for name in names:
                    feed = name.startswith("\0")
                    boxes.append(
                        Box(name, x_of[c], top,
                            0.0 if feed else _BOX, self._height(name))
                    )  # fmt: skip
                    top += self._height(name) + _GAP
            y += room + 6.0
        y_of_bus[bands] = y
        return y_of_bus, boxes, y + self.lane * (len(buses.get(bands, ())) + 1) + 6.0

    def _height(self, name: str) -> float:
        slots = len(self.outlets(name)) * self.slot_height
        least = 0.0 if name.startswith("\0") else _HEIGHT
        return max(least, slots, max(_PORT, self.lane + 4.0) * (len(self.inlets(name)) + 1))
