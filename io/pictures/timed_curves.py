"""Recovery against time as SVG: values with bars, and the curve fitted to them."""

from __future__ import annotations

from oretally.io.pictures.lettering import text_width
from oretally.io.pictures.plot import INK, Axis, dot, framed, line, path, plot_svg, text
from oretally.recon.result import TimedProducts, TimedQuantity

__all__ = ["timed_svg"]

_LEFT, _WIDTH, _TOP, _HEIGHT = 48.0, 500.0, 28.0, 300.0
_INKS = ("#1f2a33", "#0b5fa5", "#b5401c", "#23693f", "#7a3b8f", "#806300")
_GAP = 15.0  # between names
_BAR_END = 2.5  # half the length of the end of a bar
_LEAST_BAR = 0.5  # shorter bars are hidden by the dot
_ROOM = 1.04  # of the last time, that the axis shows


def timed_svg(timed: TimedProducts) -> str:
    """Return the recoveries of all analytes against time; empty if none is known."""
    held = [q for q in timed.quantities if not q.is_mass and any(q.recovery)]
    if not held:
        return ""
    x = Axis(0.0, _ROOM * timed.times[-1], _LEFT, _WIDTH)
    y = Axis(0.0, 100.0, _TOP + _HEIGHT, -_HEIGHT)
    parts = framed(x, y, f"time [{timed.unit}]", "recovered by then [%]")
    right, names = _LEFT + _WIDTH + 20.0, _names(held, y)
    for i, (q, at) in enumerate(zip(held, names, strict=True)):
        ink = _INKS[i % len(_INKS)]
        if q.best is not None:
            drawn = [(x.at(t), y.at(v)) for t, v in q.best.drawn]
            dash = "6 3" if q.best.holds is False else ""
            parts.append(path(drawn, ink=ink, dash=dash))
        for t, found in zip(timed.times, q.recovery, strict=True):
            if found is not None:
                parts += _point(x.at(t), y, *found, hollow=i % 2 == 1)
        start = _LEFT + _WIDTH + 10.0
        parts.append(text(start, at + 4.0, q.quantity, anchor="start", ink=ink))
        right = max(right, start + text_width(q.quantity) + 10.0)
    said = "; ".join(
        f"{q.quantity}: " + ", ".join(
            f"{t:g} {timed.unit} {found[0]:.1f} %"
            for t, found in zip(timed.times, q.recovery, strict=True) if found is not None
        )
        for q in held
    )  # fmt: skip
    return plot_svg(right, _TOP + _HEIGHT + 40.0, "Recovery against time", said, parts)


def _names(held: list[TimedQuantity], y: Axis) -> list[float]:
    """Return where the names stand: at the last value of each, none on another."""
    last = [next(r[0] for r in reversed(q.recovery) if r is not None) for q in held]
    places = dict[int, float]()
    limit = y.start
    for i in sorted(range(len(held)), key=lambda i: last[i]):
        places[i] = min(y.at(last[i]), limit)
        limit = places[i] - _GAP
    return [places[i] for i in range(len(held))]


def _point(px: float, y: Axis, value: float, sd: float, *, hollow: bool) -> list[str]:
    top, bottom = y.at(value + sd), y.at(value - sd)
    bar = [
        line(px, top, px, bottom, ink=INK),
        line(px - _BAR_END, top, px + _BAR_END, top, ink=INK),
        line(px - _BAR_END, bottom, px + _BAR_END, bottom, ink=INK),
    ]
    shown = bar if bottom - top >= _LEAST_BAR else []
    return [*shown, dot(px, y.at(value), hollow=hollow, radius=3.0)]
