"""Axes, ticks and frame of a small plot, as SVG that is the same bytes every time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from oretally.flowsheet.digits import format_number

__all__ = ["GRID", "INK", "PALE", "Axis", "cross", "dot", "framed", "line", "path", "plot_svg",
           "text"]  # fmt: skip

_TICKS = 6  # about so many on an axis
INK, PALE, GRID = "#1f2a33", "#5b6770", "#d5dbdf"


@dataclass(frozen=True, slots=True)
class Axis:
    """Values from ``low`` to ``high``, drawn from ``start`` on over ``length`` (minus is up)."""

    low: float
    high: float
    start: float
    length: float
    log: bool = False

    def at(self, value: float) -> float:
        """Return where a value stands; one beyond an end stands at the end."""
        inside = min(max(value, self.low), self.high)
        if self.log:
            share = math.log(inside / self.low) / math.log(self.high / self.low)
        else:
            share = (inside - self.low) / (self.high - self.low)
        return self.start + self.length * share

    def ticks(self) -> list[float]:
        """Return round values between the ends: steps of 1, 2 or 5, or of decades.

        Examples
        --------
        >>> Axis(0.0, 1.1, 0.0, 100.0).ticks()
        [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
        >>> Axis(0.04, 30.0, 0.0, 100.0, log=True).ticks()
        [0.1, 1.0, 10.0]
        """
        if self.log:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            factors = (1.0,) if len(decades) > 3 else (1.0, 2.0, 5.0)
            values = [float(f"{f}e{d}") for d in decades for f in factors]
            return [v for v in values if self.low <= v <= self.high]
        rough = (self.high - self.low) / _TICKS
        power = math.floor(math.log10(rough))
        size = rough / 10.0**power
        step = 10.0**power * (1.0 if size <= 1.0 else 2.0 if size <= 2.0 else 5.0 if size <= 5.0
                              else 10.0)  # fmt: skip
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [float(f"{i * step:.12g}") for i in range(first, last + 1)]


def line(x1: float, y1: float, x2: float, y2: float, *, ink: str = INK, dash: str = "",
         width: float = 1.0) -> str:  # fmt: skip
    """Return a straight line."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{ink}" '
            f'stroke-width="{width:g}"{dashed}/>')  # fmt: skip


def path(points: Sequence[tuple[float, float]], *, ink: str = INK, dash: str = "",
         width: float = 1.2) -> str:  # fmt: skip
    """Return a line through points."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    steps = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return (f'<polyline points="{steps}" fill="none" stroke="{ink}" stroke-width="{width:g}"'
            f"{dashed}/>")  # fmt: skip


def dot(x: float, y: float, *, hollow: bool = False, radius: float = 3.5) -> str:
    """Return a dot."""
    fill = "#fff" if hollow else INK
    return (f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" fill="{fill}" stroke="{INK}" '
            'stroke-width="1.2"/>')  # fmt: skip


def cross(x: float, y: float) -> str:
    """Return a ring around a point that is out of order."""
    return (f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="none" stroke="{INK}" '
            'stroke-width="1.4"/>')  # fmt: skip


def text(x: float, y: float, words: str, *, anchor: str = "middle", ink: str = INK,
         turn: float = 0.0, halo: bool = False) -> str:  # fmt: skip
    """Return a text, turned by so many degrees; with a halo it stays clear of lines behind it."""
    turned = f' transform="rotate({turn:g} {x:.1f} {y:.1f})"' if turn else ""
    around = ' stroke="#fff" stroke-width="3" paint-order="stroke"' if halo else ""
    return (f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{ink}"{around}{turned}>'
            f"{escape(words)}</text>")  # fmt: skip


def framed(x: Axis, y: Axis, x_title: str, y_title: str, *, x_ticks: bool = True) -> list[str]:
    """Return grid, ticks and titles of a plot."""
    left, right = x.start, x.start + x.length
    bottom, top = y.start, y.start + y.length
    parts = []
    for tick in x.ticks() if x_ticks else ():
        parts += [line(x.at(tick), top, x.at(tick), bottom, ink=GRID, width=0.7),
                  text(x.at(tick), bottom + 14.0, format_number(tick), ink=PALE)]  # fmt: skip
    for tick in y.ticks():
        parts += [line(left, y.at(tick), right, y.at(tick), ink=GRID, width=0.7),
                  text(left - 6.0, y.at(tick) + 4.0, format_number(tick), anchor="end",
                       ink=PALE)]  # fmt: skip
    parts += [line(left, bottom, right, bottom), line(left, top, left, bottom)]
    if x_title:
        parts.append(text((left + right) / 2.0, bottom + 30.0, x_title))
    parts.append(text(left, top - 8.0, y_title, anchor="start"))
    return parts


def plot_svg(width: float, height: float, title: str, said: str, parts: Sequence[str]) -> str:
    """Return the whole picture; ``said`` is what a screen reader says of it."""
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" height="{height:.0f}" role="img" '
        'font-family="system-ui, Helvetica, Arial, sans-serif" font-size="11">'
    )
    return "\n".join(
        [head, f"<title>{escape(title)}</title>", f"<desc>{escape(said)}</desc>", *parts, "</svg>"]
    )
