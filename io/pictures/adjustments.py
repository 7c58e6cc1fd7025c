"""How far each measurement moved, against the limits of the tests: a dot plot as SVG."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from html import escape

from oretally.io.pictures.lettering import text_width
from oretally.io.pictures.plot import plot_svg
from oretally.recon.result import Balance, BalancedValue

__all__ = ["adjustment_svg"]

_ROW = 17.0
_WIDTH = 420.0  # of the plot itself
_INK, _PALE, _GRID = "#1f2a33", "#5b6770", "#c9d0d5"


def adjustment_svg(balance: Balance, without: Collection[str] = ()) -> str:
    """Return the plot: one row a checked measurement, its standardised adjustment as a dot.

    Solid lines stand at the limit for one measurement looked at alone, dashed ones at the limit
    for the largest of all (Sidak). Dots beyond the plot's edge are drawn at the edge as triangles,
    with their number. Values of the carriers ``without`` are left out; empty if no row is left.
    """
    rows = [v for v in balance.values if v.standardised is not None and v.carrier not in without]
    limits = balance.gross_errors.adjustment_limits
    if not rows or limits is None:
        return ""
    reach = max(min(max((abs(v.standardised or 0.0) for v in rows), default=0.0), 8.0), 4.0) * 1.05
    names = [f"{v.stream}: {v.quantity}" for v in rows]
    left = max((text_width(name) for name in names), default=60.0) + 14.0
    bottom = 24.0 + _ROW * len(rows)

    def x(value: float) -> float:
        return left + _WIDTH * (value + reach) / (2.0 * reach)

    parts = list[str]()
    for tick in range(-int(reach), int(reach) + 1):
        parts.append(
            f'<line x1="{x(tick):.1f}" y1="18" x2="{x(tick):.1f}" y2="{bottom:.1f}" '
            f'stroke="{_INK if tick == 0 else _GRID}" stroke-width="0.7"/>'
            f'<text x="{x(tick):.1f}" y="{bottom + 13:.1f}" text-anchor="middle" '
            f'fill="{_PALE}">{tick:+d}</text>'
        )
    for limit, dash in zip(limits, ("", ' stroke-dasharray="5 3"'), strict=True):
        parts += [
            f'<line x1="{x(s * limit):.1f}" y1="14" x2="{x(s * limit):.1f}" y2="{bottom:.1f}" '
            f'stroke="{_INK}" stroke-width="1.2"{dash}/>'
            for s in (-1.0, 1.0)
        ]
    for i, (v, name) in enumerate(zip(rows, names, strict=True)):
        parts.append(_row(x, 28.0 + _ROW * i, left, reach, v.standardised or 0.0, name))
    parts.append(
        f'<text x="{x(0):.1f}" y="{bottom + 28:.1f}" text-anchor="middle" fill="{_INK}">'
        "adjustment / its own standard deviation</text>"
    )
    title = "Standardised adjustments against the limits of the tests"
    return plot_svg(left + _WIDTH + 60.0, bottom + 34.0, title, _said(rows, names), parts)


def _row(
    x: Callable[[float], float], y: float, left: float, reach: float, value: float, name: str
) -> str:
    """Return one row of the plot."""
    shown = max(-reach, min(reach, value))
    beyond = shown != value
    at = x(shown)
    mark = f'<circle cx="{at:.1f}" cy="{y:.1f}" r="4" fill="{_INK}"/>'
    if beyond:
        tip = 6.0 if value > 0 else -6.0
        anchor, aside = ("start", 10.0) if value > 0 else ("end", -10.0)
        mark = (
            f'<path d="M{at:.1f} {y - 5:.1f} L{at + tip:.1f} {y:.1f} L{at:.1f} {y + 5:.1f} Z" '
            f'fill="{_INK}"/><text x="{at - aside:.1f}" y="{y + 4:.1f}" fill="{_INK}" '
            f'text-anchor="{"end" if anchor == "start" else "start"}">{value:+.1f}</text>'
        )
    return (
        f'<text x="{left - 8:.1f}" y="{y + 4:.1f}" text-anchor="end" fill="{_INK}">'
        f"{escape(name)}</text>"
        f'<line x1="{x(0.0):.1f}" y1="{y:.1f}" x2="{at:.1f}" y2="{y:.1f}" '
        f'stroke="{_PALE}" stroke-width="1"/>{mark}'
    )


def _said(rows: Sequence[BalancedValue], names: Sequence[str]) -> str:
    return "; ".join(f"{n} {v.standardised:+.1f}" for n, v in zip(names, rows, strict=True))
