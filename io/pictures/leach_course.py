"""Extraction against time as SVG: by the balance with bars, by the solution, the curve."""

from __future__ import annotations

from oretally.flowsheet.digits import format_number
from oretally.io.pictures.lettering import text_width
from oretally.io.pictures.plot import (
    INK,
    PALE,
    Axis,
    cross,
    dot,
    framed,
    line,
    path,
    plot_svg,
    text,
)
from oretally.recon.result import LeachCourse

__all__ = ["leach_course_svg"]

_LEFT, _WIDTH, _TOP, _HEIGHT = 56.0, 500.0, 28.0, 290.0
_BAR_END = 2.5  # half the length of the end of a bar


def leach_course_svg(course: LeachCourse, doubted: frozenset[str] = frozenset()) -> str:
    """Return one analyte's extraction against time; samples that are ``doubted`` have a ring.

    Empty if no time has an extraction.
    """
    known = [(p, p.reconciled) for p in course.points if p.reconciled is not None]
    if not known:
        return ""
    x = Axis(0.0, 1.05 * course.points[-1].time, _LEFT, _WIDTH)
    highest = max(100.0, *(e[0] + e[1] for _, e in known))
    y = Axis(0.0, 1.05 * highest, _TOP + _HEIGHT, -_HEIGHT)
    parts = framed(x, y, f"time [{course.unit}]", f"extraction of {course.analyte} [%]")
    curve = next((c for c in course.curves if c.determined), None)
    if curve is not None:
        dash = "" if curve.holds is not False else "5 3"
        parts.append(path([(x.at(t), y.at(v)) for t, v in curve.drawn], ink=PALE, dash=dash))
    for p, (value, sd) in known:
        px, py = x.at(p.time), y.at(value)
        low, high = y.at(value - sd), y.at(value + sd)
        if abs(high - low) > 1.0:
            parts += [line(px, low, px, high, ink=INK),
                      line(px - _BAR_END, low, px + _BAR_END, low, ink=INK),
                      line(px - _BAR_END, high, px + _BAR_END, high, ink=INK)]  # fmt: skip
        if p.by_solution is not None:
            parts.append(dot(px, y.at(p.by_solution[0]), hollow=True, radius=3.0))
        parts.append(dot(px, py))
        if p.sample in doubted:
            parts.append(cross(px, py))
    right = _LEFT + _WIDTH + 20.0
    if curve is not None:
        t, v = curve.drawn[-1]
        name = str(curve.model)
        parts.append(text(x.at(t), y.at(v) + 18.0, name, anchor="end", ink=PALE, halo=True))
        right = max(right, x.at(t) + 10.0, text_width(name))
    said = "; ".join(
        f"{format_number(p.time)} {course.unit}: {value:.1f} ± {sd:.1f} %"
        for p, (value, sd) in known
    )
    title = f"Extraction of {course.analyte} against time"
    return plot_svg(right, _TOP + _HEIGHT + 40.0, title, said, parts)
