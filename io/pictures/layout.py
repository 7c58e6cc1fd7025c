"""Where the parts of a drawn circuit stand: layers from left to right, folded like lines of text.

Nodes stand in layers, feeds before what they enter, products at the right edge. As many layers as
the sheet is wide make a band; the next ones stand in the band below. Each outlet has room for its
label above its line. Nothing meets by construction: parts have rows of their own (``routes``),
upright lines have tracks of their own (``tracks``).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from oretally.io.pictures.layers import Drawable, layers
from oretally.io.pictures.lettering import text_width
from oretally.io.pictures.routes import Routes, Sizes, Spot
from oretally.io.pictures.rows import PartKind
from oretally.io.pictures.tracks import Upright, tracks

__all__ = ["BOX", "TEXT", "Box", "Drawing", "Label", "Line", "Pen", "lay_out"]

BOX = 100.0  # width of a node
TEXT = 13.0  # height of a line of text
_LEAST = 36.0  # height of a node
_STUB = 15.0  # straight end of a line before it meets a node
_AIR = 3.0  # between a text and what is nearest
_BESIDE = 7.0  # between a node and the texts beside it
_EDGE = 8.0  # around all
_CHANNEL = 31.0  # about how wide a channel is
_WIDEST = 1340.0  # of a drawing


@dataclass(frozen=True, slots=True)
class Box:
    """A node; (x, y) is the upper left corner."""

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
    """The way of one stream: a polyline, level and upright in turns, from its source on.

    ``ends`` where that is its end: else the line runs on beyond the sheet.
    """

    stream: str
    points: tuple[tuple[float, float], ...]
    ends: bool = True


@dataclass(frozen=True, slots=True)
class Drawing:
    """A laid-out circuit; ``folds`` are the heights between its bands."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    labels: tuple[Label, ...]
    lines: tuple[Line, ...]
    folds: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Pen:
    """How wide lines are at most, and how far apart the levels of a row."""

    width: float = 1.3
    level: float = 4.0

    @property
    def row(self) -> float:
        """Height of a row."""
        return 3.0 * self.level

    @property
    def track(self) -> float:
        """Distance of upright lines side by side."""
        return max(9.0, self.width + 3.0)


def lay_out(
    circuit: Drawable,
    labels: Mapping[str, Sequence[str]],
    names: Mapping[str, Sequence[str]],
    *,
    pen: Pen | None = None,
) -> Drawing:
    """Lay out a circuit, about as wide as a page at most; a single layer in each band may be wider.

    Parameters
    ----------
    circuit : Drawable
    labels : mapping of str to sequence of str
        Lines of text for each stream; the first is bold where the stream leaves the circuit.
    names : mapping of str to sequence of str
        Lines of text for each node, not wider than its box.
    pen : Pen, optional
    """
    pen = pen or Pen()
    layer = layers(circuit)
    count = max(layer.values()) + 1
    wide = {name: max(map(text_width, lines)) for name, lines in labels.items()}
    folded = sorted({ceil(count / bands) for bands in range(1, count + 1)}, reverse=True)
    for per_band in folded:  # bands are filled evenly
        if per_band > 1 and _about(circuit, layer, wide, pen, per_band) > _WIDEST:
            continue
        drawing = _Layout(circuit, labels, names, pen, per_band).drawing()
        if drawing.width <= _WIDEST:
            break
    return drawing


def _about(
    circuit: Drawable, layer: Mapping[str, int], wide: Mapping[str, float], pen: Pen, per_band: int
) -> float:
    """Return about how wide a drawing will be: its texts, and lines from band to band."""
    count = max(layer.values()) + 1
    columns = [BOX + _CHANNEL] * count
    feeds, product, folds = [0.0] * count, 0.0, [0] * count
    for s in circuit.streams:
        width = wide[s.name] + _BESIDE
        if s.source is None:
            k = layer[s.target or ""]
            feeds[k] = max(feeds[k], width + _CHANNEL)
        elif s.target is None:
            product = max(product, width)
        else:
            k = layer[s.source]
            columns[k] = max(columns[k], BOX + _CHANNEL + width)
            low, high = sorted(layer[end] // per_band for end in (s.source, s.target))
            for fold in range(low, high):
                folds[fold] += 1
    bands = (feeds[k] + sum(columns[k : k + per_band]) for k in range(0, count, per_band))
    return pen.track * max(folds) + max(bands) + product


class _Layout:
    """Gives rows their heights, columns and channels their places across."""

    def __init__(
        self, circuit: Drawable, labels: Mapping[str, Sequence[str]],
        names: Mapping[str, Sequence[str]], pen: Pen, per_band: int,
    ) -> None:  # fmt: skip
        self.circuit, self.labels, self.pen = circuit, labels, pen
        self.width = {
            s.name: max(text_width(t, bold=s.target is None) for t in labels[s.name])
            for s in circuit.streams
        }
        self.routes = Routes(circuit, self._sizes(names), per_band)
        self.top = [_EDGE]
        for rows in self.routes.heights:
            self.top.append(self.top[-1] + (rows + 1) * pen.row)
        self.y = {
            name: [self._height(place) for place in places]
            for name, places in self.routes.places().items()
        }

    def _sizes(self, names: Mapping[str, Sequence[str]]) -> Sizes:
        """Return how many rows the texts take."""
        pen, outlet, outer = self.pen, {}, {}
        for s in self.circuit.streams:
            text = TEXT * len(self.labels[s.name]) + 2.0 * _AIR
            if s.source is None or s.target is None:
                outer[s.name] = ceil(text / pen.row) // 2 * 2 + 1  # its line is in the middle row
            # above the line, which runs in the middle of its row; the one above has its width too
            outlet[s.name] = (
                2 if s.target is None else ceil((text + pen.width + pen.row / 2.0) / pen.row)
            )
        node = {
            name: ceil(max(_LEAST, TEXT * len(lines) + 3.0 * _AIR) / pen.row)
            for name, lines in names.items()
        }
        lane = ceil((2.5 * pen.level + pen.width / 2.0) / pen.row)
        return Sizes(node, outlet, outer, lane)

    def _height(self, place: Spot) -> float:
        return (
            self.top[place.band] + self.pen.row * place.row + self.pen.level * (place.level + 0.5)
        )

    def drawing(self) -> Drawing:
        """Return everything with its place."""
        routes, pen = self.routes, self.pen
        track, count = self._tracks()
        column_x, channel_x, right = self._across(count)
        boxes = tuple(
            Box(name, column_x[part.band, part.first],
                self.top[part.band] + pen.row * routes.row[part] + _AIR, BOX,
                pen.row * (part.rows - 1) - _AIR)
            for name, part in routes.nodes.items()
        )  # fmt: skip
        labels, lines = [], []
        for s in self.circuit.streams:
            start, end = routes.parts[s.name][0], routes.parts[s.name][-1]
            y, wide = self.y[s.name], self.width[s.name]
            x, to = column_x[start.band, start.first], column_x[end.band, end.first]
            text = x + BOX + _BESIDE
            if start.kind is PartKind.NODE:
                x += BOX
            else:
                text, x = x, x + wide + _AIR
            points = [(x, y[0])]
            for i in track.get(s.name, ()):
                at = channel_x[self._channel(s.name, i)] + pen.track * track[s.name][i]
                points += [(at, y[i]), (at, y[i + 1])]
            lines.append(Line(s.name, (*points, (to, y[-1]))))
            high = TEXT * len(self.labels[s.name])
            above = y[0] - pen.width / 2.0 - _AIR - high
            for part in (start, end):
                if part.kind is not PartKind.NODE:  # beside the line
                    middle = routes.row[part] + part.rows / 2.0
                    above = self.top[part.band] + pen.row * middle - high / 2.0
            if end.kind is PartKind.PRODUCT:
                text = to + _AIR
            labels.append(Label(s.name, tuple(self.labels[s.name]), text, above, wide, high))
        folds = tuple(top - pen.row / 2.0 for top in self.top[1:-1])
        return Drawing(
            right + _EDGE, self.top[-1] + _EDGE, boxes, tuple(labels), tuple(lines), folds
        )

    def _channel(self, stream: str, i: int) -> tuple[int, int]:
        """Return (band, slot) of a stream's channel; the one to the left of all is of no band."""
        slot = self.routes.channels[stream][i]
        return (self.routes.parts[stream][i].band if slot >= 0 else -1, slot)

    def _tracks(self) -> tuple[dict[str, dict[int, int]], dict[tuple[int, int], int]]:
        """Return the track of each stream in its channels, and how many each channel has."""
        runs: dict[tuple[int, int], list[tuple[str, int, Upright]]] = defaultdict(list)
        for name, y in self.y.items():
            parts = self.routes.parts[name]
            for i, slot in enumerate(self.routes.channels[name]):
                if y[i] != y[i + 1]:
                    onward = (parts[i].last > slot, parts[i + 1].last > slot)
                    line = Upright((y[i], y[i + 1]), onward)
                    runs[self._channel(name, i)].append((name, i, line))
        track: dict[str, dict[int, int]] = defaultdict(dict)
        count = {}
        for channel, run in runs.items():
            found = tracks([line for _, _, line in run], self.pen.track / 2.0)
            count[channel] = max(found) + 1
            for (name, i, _), t in zip(run, found, strict=True):
                track[name][i] = t
        return {name: dict(sorted(each.items())) for name, each in track.items()}, count

    def _across(
        self, count: Mapping[tuple[int, int], int]
    ) -> tuple[dict[tuple[int, int], float], dict[tuple[int, int], float], float]:
        """Return x of each column and of each channel's first track, and of the right edge."""
        pen, half = self.pen, self.pen.width / 2.0
        columns = self._column_widths()
        edge = max((self.width[s.name] + _AIR for s in self.circuit.streams if s.target is None),
                   default=0.0)  # fmt: skip
        column_x: dict[tuple[int, int], float] = {}
        channel_x = {(-1, -1): _EDGE + half}
        margin = count.get((-1, -1), 0)
        ends = []
        for band, exit_slot in enumerate(self.routes.exits):
            x = _EDGE + (pen.track * margin + _STUB if margin else 0.0)
            for slot in range(0, exit_slot, 2):
                column_x[band, slot] = x
                x += columns[band, slot]
                channel_x[band, slot + 1] = x + _BESIDE + half
                x += pen.track * count.get((band, slot + 1), 0) + _BESIDE + _STUB
            ends.append(x + edge)
        right = max(ends)
        for band, exit_slot in enumerate(self.routes.exits):
            column_x[band, exit_slot] = right - edge
        return column_x, channel_x, right

    def _column_widths(self) -> dict[tuple[int, int], float]:
        """Return the width of each column but the products': nodes and labels beside, feeds."""
        widths: dict[tuple[int, int], float] = defaultdict(float)
        for part in self.routes.nodes.values():
            widths[part.band, part.first] = BOX
        for name, parts in self.routes.parts.items():
            need = self.width[name] + _BESIDE
            if parts[0].kind is PartKind.NODE:
                need = BOX + (need if parts[-1].kind is PartKind.NODE else 0.0)
            place = parts[0].band, parts[0].first
            widths[place] = max(widths[place], need)
        return widths
