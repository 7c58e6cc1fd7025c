"""The control chart of a standard: its readings in order, with lines at 2 and 3 sd, as SVG."""

from __future__ import annotations

from oretally.flowsheet.digits import format_number
from oretally.io.laboratory.judgement import Judgement, StandardChart
from oretally.io.pictures import (
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
    text_width,
)

__all__ = ["control_chart_svg"]

_LEFT, _WIDTH, _TOP, _HEIGHT = 56.0, 560.0, 26.0, 200.0
_FARTHEST = 6.0  # sd beyond which a reading is drawn at the edge, with its z
_LONGEST = 95.0  # of a name below the chart
_NAMED = 14  # readings; more of them are numbered in place of named


def control_chart_svg(judgement: Judgement, chart: StandardChart) -> str:
    """Return the chart of one standard; readings that break a rule have a ring."""
    batch, found = judgement.batch, chart.chart
    rows = [batch.standards[i] for i in chart.places]
    names = [row.sample for row in rows]
    longest = max(text_width(name) for name in names)
    if len(rows) > _NAMED or longest > _LONGEST:
        names = [str(i + 1) for i in range(len(rows))]
    reach = max(3.5, min(max(abs(z) for z in found.z), _FARTHEST) + 0.5)
    y = Axis(found.centre - reach * chart.sd, found.centre + reach * chart.sd, _TOP + _HEIGHT,
             -_HEIGHT)  # fmt: skip
    x = Axis(0.5, len(rows) + 0.5, _LEFT, _WIDTH)
    parts = framed(x, y, "", f"{batch.analyte} [{batch.unit}]", x_ticks=False)
    levels = [(0.0, "certified", "", INK)]
    for sign in (1.0, -1.0):
        levels += [(2.0 * sign, f"{sign * 2:+.0f} sd", "5 3", PALE),
                   (3.0 * sign, f"{sign * 3:+.0f} sd", "", INK)]  # fmt: skip
    for z, word, dash, ink in levels:
        at = y.at(found.centre + z * chart.sd)
        parts += [line(_LEFT, at, _LEFT + _WIDTH, at, dash=dash, ink=ink,
                       width=1.6 if z == 0.0 else 1.1),
                  text(_LEFT + _WIDTH + 6.0, at + 4.0, word, anchor="start")]  # fmt: skip
    points = [(x.at(i + 1.0), y.at(row.measured)) for i, row in enumerate(rows)]
    parts.append(path(points, ink=PALE, width=0.9))
    broken = {*found.beyond_action, *found.two_of_three}
    longest = max(text_width(name) for name in names)
    turned = longest > _WIDTH / len(rows) - 6.0
    step = 1 if len(rows) <= 2 * _NAMED else (len(rows) + _NAMED - 1) // _NAMED
    for i, ((px, py), name) in enumerate(zip(points, names, strict=True)):
        parts.append(dot(px, py))
        if i in broken:
            parts.append(cross(px, py))
        if abs(found.z[i]) > reach:
            right = i + 1 < len(rows) or len(rows) == 1
            parts.append(text(px + (11.0 if right else -11.0), py + 4.0, f"z {found.z[i]:+.1f}",
                              anchor="start" if right else "end", halo=True))  # fmt: skip
        if i % step == 0:
            below = _TOP + _HEIGHT + 15.0
            parts.append(text(px + 3.0, below, name, anchor="end", ink=PALE, turn=-40.0)
                         if turned else text(px, below, name, ink=PALE))  # fmt: skip
    deep = 0.65 * longest + 14.0 if turned else 18.0
    said = "; ".join(f"{r.sample} {r.measured:g}" for r in rows)
    title = f"Control chart of {chart.name}, certified {format_number(chart.certified)}"
    return plot_svg(_LEFT + _WIDTH + 66.0, _TOP + _HEIGHT + deep + 8.0, title, said, parts)
