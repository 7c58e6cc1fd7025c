"""Curves by size as SVG: cumulative passing of the streams, partition of each separator.

Curves differ in colour, dashes and marks, and each has its name beside it: the pictures can be
read in black and white.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10

from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.io.pictures.lettering import text_width
from oretally.io.pictures.plot import GRID, PALE, Axis, framed, line, path, plot_svg, text
from oretally.recon.result import Partitioned, StreamSizes

__all__ = ["partition_svg", "passing_svg"]

_LEFT, _WIDTH, _TOP, _HEIGHT = 48.0, 560.0, 28.0, 330.0
_FAN, _SAMPLE = 30.0, 34.0  # from the end of a curve to the sample of its line; length of that
_GAP = 16.0  # between names
_SIDE = 3.0  # between bars of one class
_INKS = ("#1f2a33", "#0b5fa5", "#b5401c", "#23693f", "#7a3b8f", "#806300")
_DASHES = ("", "7 3", "2 3", "9 3 2 3")
_MARKS = ("circle", "square", "triangle", "diamond")


@dataclass(frozen=True, slots=True)
class _Curve:
    """A named curve: (size [um], value [%], sd [%]) from coarse to fine."""

    name: str
    points: Sequence[tuple[float, float, float]]


@dataclass(frozen=True, slots=True)
class _Style:
    ink: str
    dash: str
    mark: str
    hollow: bool


def _style(i: int) -> _Style:
    """Return how curve number i is drawn: 24 ways, neighbours differ in everything."""
    return _Style(_INKS[i % 6], _DASHES[i % 4], _MARKS[i % 4], hollow=i // 4 % 2 == 1)


def passing_svg(streams: Sequence[StreamSizes]) -> str:
    """Return the cumulative passing of all streams in one picture; empty without streams."""
    curves = [
        _Curve(s.stream, [(r.retained_um, *r.passing) for r in s.classes if r.passing is not None])
        for s in streams
    ]
    if not curves:
        return ""
    return _picture(curves, "Cumulative passing", "passing [%]", "opening [um]")


def partition_svg(found: Partitioned) -> str:
    """Return the partition curve of the solids and of each analyte, with bars of one sd.

    Classes stand at their representative size; the open ones at both ends have none and are left
    out. Empty if no class has a size and a share.
    """
    curves = []
    for name in ("solids", *(found.classes[0].analytes if found.classes else ())):
        shares = [(r.size_um, r.solids if name == "solids" else r.analytes[name])
                  for r in found.classes]  # fmt: skip
        points = [(d, *share) for d, share in shares if d is not None and share is not None]
        if points:
            curves.append(_Curve(name, points))
    if not curves or curves[0].name != "solids":
        return ""
    cut = found.sharpness.d50
    return _picture(curves, f"Partition at {found.node}", f"share to {found.product} [%]",
                    "representative size of the class [um]", bars=True,
                    cut=None if cut.size_um is None else (cut.size_um, cut.sd_um))  # fmt: skip


def _picture(
    curves: Sequence[_Curve], title: str, y_title: str, x_title: str, *, bars: bool = False,
    cut: tuple[float, float | None] | None = None,
) -> str:  # fmt: skip
    sizes = [d for curve in curves for d, _, _ in curve.points]
    height = max(_HEIGHT, _GAP * len(curves))
    x = Axis(_round_below(min(sizes)), _round_above(max(sizes)), _LEFT, _WIDTH, log=True)
    y = Axis(0.0, 100.0, _TOP + height, -height)
    parts = framed(x, y, x_title, y_title, x_ticks=False)
    for tick in _steps(x.low, x.high):
        parts += [line(x.at(tick), _TOP, x.at(tick), y.start, ink=GRID, width=0.7),
                  text(x.at(tick), y.start + 14.0, f"{tick:g}", ink=PALE)]  # fmt: skip
    right = _LEFT + _WIDTH + _FAN + _SAMPLE + 6.0 + max(text_width(c.name) for c in curves) + 10.0
    if cut is not None:
        drawn, reach = _cut(x, y, *cut)
        parts += drawn
        right = max(right, reach)
    for i, curve in enumerate(curves):
        style = _style(i)
        aside = _SIDE * (i - (len(curves) - 1) / 2.0) if bars else 0.0
        at = [(x.at(d) + aside, y.at(v)) for d, v, _ in curve.points]
        if bars:
            parts += [_bar(px, y.at(v - sd), y.at(v + sd), style.ink)
                      for (px, _), (_, v, sd) in zip(at, curve.points, strict=True)]  # fmt: skip
        parts.append(path(at, ink=style.ink, dash=style.dash, width=1.4))
        parts += [_mark(px, py, style) for px, py in at]
    parts += _names(curves, x, y)
    said = "; ".join(
        f"{c.name}: " + ", ".join(f"{format_number(d)} um {v:.1f} %" for d, v, _ in c.points)
        for c in curves
    )
    return plot_svg(right, _TOP + height + 40.0, title, said, parts)


def _names(curves: Sequence[_Curve], x: Axis, y: Axis) -> list[str]:
    """Return the names beside the plot, each with a sample of its line, fanned so as to be read.

    They stand in the order of the curves at their coarse ends, so that no two leaders cross.
    """
    ends = [(x.at(c.points[0][0]), y.at(c.points[0][1])) for c in curves]
    mean = [sum(y.at(v) for _, v, _ in c.points) / len(c.points) for c in curves]
    order = sorted(range(len(curves)), key=lambda i: (round(ends[i][1], 1), mean[i], i))
    places = _apart([ends[i][1] for i in order], y.start + y.length, y.start)
    start = x.start + x.length + _FAN
    parts = []
    for i, py in zip(order, places, strict=True):
        style, (ex, ey) = _style(i), ends[i]
        parts += [
            line(ex, ey, start, py, ink=style.ink, width=0.5),
            path([(start, py), (start + _SAMPLE, py)], ink=style.ink, dash=style.dash, width=1.4),
            _mark(start + _SAMPLE / 2.0, py, style),
            text(start + _SAMPLE + 6.0, py + 4.0, curves[i].name, anchor="start", ink=style.ink),
        ]
    return parts


def _apart(wanted: Sequence[float], top: float, bottom: float) -> list[float]:
    """Return places in the same order, near those wanted, none closer than a line of text."""
    places: list[float] = []
    for place in wanted:
        places.append(max(place, places[-1] + _GAP if places else top))
    limit = bottom
    for i in reversed(range(len(places))):
        places[i] = min(places[i], limit)
        limit = places[i] - _GAP
    return places


def _cut(x: Axis, y: Axis, size: float, sd: float | None) -> tuple[list[str], float]:
    """Return the lines that lead from 50 % down to the cut size, and how far its name reaches."""
    px, (value, spread) = x.at(size), format_with_sd(size, sd)
    words = f"d50 {value} um" if sd is None else f"d50 {value} ± {spread} um"
    parts = [
        line(x.start, y.at(50.0), px, y.at(50.0), ink=PALE, dash="4 3"),
        line(px, y.at(50.0), px, y.start, ink=PALE, dash="4 3"),
        text(px + 6.0, y.start - 8.0, words, anchor="start", halo=True),
    ]
    return parts, px + 6.0 + text_width(words) + 10.0


def _bar(px: float, low: float, high: float, ink: str) -> str:
    """Return a bar of one sd to both sides, with its ends."""
    return "".join(
        [line(px, low, px, high, ink=ink), line(px - 2.5, low, px + 2.5, low, ink=ink),
         line(px - 2.5, high, px + 2.5, high, ink=ink)]
    )  # fmt: skip


def _mark(px: float, py: float, style: _Style) -> str:
    """Return the mark of a point."""
    fill = "#fff" if style.hollow else style.ink
    look = f'fill="{fill}" stroke="{style.ink}" stroke-width="1.2"'
    if style.mark == "circle":
        return f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3" {look}/>'
    corners = {
        "square": ((-2.7, -2.7), (2.7, -2.7), (2.7, 2.7), (-2.7, 2.7)),
        "triangle": ((0.0, -3.6), (3.4, 2.6), (-3.4, 2.6)),
        "diamond": ((0.0, -3.9), (3.9, 0.0), (0.0, 3.9), (-3.9, 0.0)),
    }[style.mark]
    points = " ".join(f"{px + dx:.1f},{py + dy:.1f}" for dx, dy in corners)
    return f'<polygon points="{points}" {look}/>'


def _round_below(size: float) -> float:
    """Return the next size below of 1, 2, 5 times a power of ten: there is a tick at the end."""
    return max(s for s in _steps(size / 10.0, size) if s < size)


def _round_above(size: float) -> float:
    """Return the next size above."""
    return min(s for s in _steps(size, 10.0 * size) if s > size)


def _steps(low: float, high: float) -> list[float]:
    """Return 1, 2, 5 times the powers of ten from one size to another."""
    decades = range(floor(log10(low)), floor(log10(high)) + 1)
    steps = (float(f"{f}e{d}") for d in decades for f in (1, 2, 5))
    return [s for s in steps if low <= s <= high]
