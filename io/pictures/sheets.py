"""A drawing cut into sheets that are not too high, none through a text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from oretally.io.pictures.layout import Box, Drawing, Label, Line

__all__ = ["cuts", "within"]

_NEAR = 7.0  # a cut is as far as that from what is level: half an arrow, and some
_FULL = 0.5  # a sheet is at least so full before it is cut


def cuts(drawing: Drawing, highest: float) -> list[float]:
    """Return the heights at which a drawing is cut, from its top to its end.

    Between bands if that leaves no sheet half empty, else where only upright lines pass.
    """
    edges = [0.0]
    while drawing.height - edges[-1] > highest:
        low, high = edges[-1] + _FULL * highest, edges[-1] + highest
        folds = [y for y in drawing.folds if low <= y <= high]
        edges.append(max(folds) if folds else _free(drawing, low, high))
    return [*edges, drawing.height]


def _free(drawing: Drawing, low: float, high: float) -> float:
    """Return the last height at which a cut meets upright lines only; the last if there is none."""
    parts: tuple[Box | Label, ...] = (*drawing.boxes, *drawing.labels)
    taken = [(part.y - _NEAR, part.y + part.height + _NEAR) for part in parts]
    taken += [(y - _NEAR, y + _NEAR) for line in drawing.lines for _, y in line.points]
    tried = sorted(
        (y for y in (high, *(top for top, _ in taken)) if low <= y <= high), reverse=True
    )
    return next((y for y in tried if not any(a < y < b for a, b in taken)), high)


def within(drawing: Drawing, top: float, bottom: float) -> Drawing:
    """Return what of a drawing is between two heights; lines that run on are cut off there."""
    if (top, bottom) == (0.0, drawing.height):
        return drawing
    return replace(
        drawing,
        boxes=tuple(b for b in drawing.boxes if b.y < bottom and b.y + b.height > top),
        labels=tuple(t for t in drawing.labels if t.y < bottom and t.y + t.height > top),
        lines=tuple(piece for line in drawing.lines for piece in _pieces(line, top, bottom)),
    )


def _pieces(line: Line, top: float, bottom: float) -> Iterator[Line]:
    """Yield the pieces of a line between two heights; only upright ones are cut."""
    points: list[tuple[float, float]] = []
    last = len(line.points) - 2
    for i, ((x0, y0), (x1, y1)) in enumerate(zip(line.points, line.points[1:], strict=False)):
        a, b = min(max(y0, top), bottom), min(max(y1, top), bottom)
        inside = a != b or (y0 == y1 and top <= y0 <= bottom)
        if inside:
            points = points or [(x0, a)]
            points.append((x1, b))
        if points and (not inside or b != y1):
            yield Line(line.stream, tuple(points), ends=False)
            points = []
        elif points and i == last:
            yield Line(line.stream, tuple(points))
