"""Grade against recovery as SVG: products taken together from the richest down."""

from __future__ import annotations

from oretally.flowsheet.digits import format_number
from oretally.io.pictures.lettering import text_width
from oretally.io.pictures.plot import INK, PALE, Axis, dot, framed, line, path, plot_svg, text
from oretally.recon.result import GradeRecovery

__all__ = ["grade_recovery_svg"]

_LEFT, _WIDTH, _TOP, _HEIGHT = 56.0, 470.0, 28.0, 290.0
_BAR_END = 2.5  # half the length of the end of a bar
_LEAST_BAR = 0.5  # shorter bars are hidden by the dot


def grade_recovery_svg(curve: GradeRecovery) -> str:
    """Return one analyte's curve, with bars of one sd in both directions."""
    x = Axis(0.0, 105.0, _LEFT, _WIDTH)
    highest = max(p.grade[0] + p.grade[1] for p in curve.points)
    y = Axis(0.0, 1.08 * highest, _TOP + _HEIGHT, -_HEIGHT)
    grade_title = f"cumulative grade, {curve.analyte} [{curve.unit}]"
    parts = framed(x, y, f"cumulative recovery of {curve.analyte} [%]", grade_title)
    at = [(x.at(p.recovery[0]), y.at(p.grade[0])) for p in curve.points]
    parts.append(path(at, ink=PALE, dash="5 3"))
    right = _LEFT + _WIDTH + 20.0
    for i, (p, (px, py)) in enumerate(zip(curve.points, at, strict=True)):
        (r, r_sd), (g, g_sd) = p.recovery, p.grade
        parts += _bar(x.at(r - r_sd), py, x.at(r + r_sd), py, across=True)
        parts += _bar(px, y.at(g - g_sd), px, y.at(g + g_sd), across=False)
        parts.append(dot(px, py))
        name = p.stream if i == 0 else f"+ {p.stream}"
        parts.append(text(px + 8.0, py - 8.0, name, anchor="start", halo=True))
        right = max(right, px + 8.0 + text_width(name) + 10.0)
    said = "; ".join(
        f"{p.stream}: {p.recovery[0]:.1f} % at {format_number(p.grade[0])} {curve.unit}"
        for p in curve.points
    )
    title = f"Grade and recovery of {curve.analyte}"
    return plot_svg(right, _TOP + _HEIGHT + 40.0, title, said, parts)


def _bar(x1: float, y1: float, x2: float, y2: float, *, across: bool) -> list[str]:
    """Return a bar with its ends, unless it is too short to be seen."""
    if abs(x2 - x1) + abs(y2 - y1) < _LEAST_BAR:
        return []
    dx, dy = (0.0, _BAR_END) if across else (_BAR_END, 0.0)
    return [
        line(x1, y1, x2, y2, ink=INK),
        line(x1 - dx, y1 - dy, x1 + dx, y1 + dy, ink=INK),
        line(x2 - dx, y2 - dy, x2 + dx, y2 + dy, ink=INK),
    ]
