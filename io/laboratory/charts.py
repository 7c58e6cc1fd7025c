"""The charts of a batch as SVG: control charts of standards, duplicates and blanks as scatter."""

from __future__ import annotations

import math

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

__all__ = ["blanks_svg", "control_chart_svg", "duplicates_svg"]

_C_LEFT, _C_WIDTH, _C_TOP, _C_HEIGHT = 56.0, 560.0, 26.0, 200.0
_FARTHEST = 6.0  # sd beyond which a reading is drawn at the edge, with its z
_LONGEST = 95.0  # of a name below the chart
_NAMED = 14  # readings; more of them are numbered in place of named
_LEFT, _WIDTH, _TOP, _HEIGHT = 60.0, 540.0, 28.0, 250.0
_HALF, _MOST = 0.6744897501960817, 1.959963984540054  # of |z| for normal z: median, 95 %


def control_chart_svg(judgement: Judgement, chart: StandardChart) -> str:
    """Return the chart of one standard; readings that break a rule have a ring."""
    batch, found = judgement.batch, chart.chart
    rows = [batch.standards[i] for i in chart.places]
    names = [row.sample for row in rows]
    longest = max(text_width(name) for name in names)
    if len(rows) > _NAMED or longest > _LONGEST:
        names = [str(i + 1) for i in range(len(rows))]
    reach = max(3.5, min(max(abs(z) for z in found.z), _FARTHEST) + 0.5)
    y = Axis(found.centre - reach * chart.sd, found.centre + reach * chart.sd, _C_TOP + _C_HEIGHT,
             -_C_HEIGHT)  # fmt: skip
    x = Axis(0.5, len(rows) + 0.5, _C_LEFT, _C_WIDTH)
    parts = framed(x, y, "", f"{batch.analyte} [{batch.unit}]", x_ticks=False)
    levels = [(0.0, "certified", "", INK)]
    for sign in (1.0, -1.0):
        levels += [(2.0 * sign, f"{sign * 2:+.0f} sd", "5 3", PALE),
                   (3.0 * sign, f"{sign * 3:+.0f} sd", "", INK)]  # fmt: skip
    for z, word, dash, ink in levels:
        at = y.at(found.centre + z * chart.sd)
        parts += [line(_C_LEFT, at, _C_LEFT + _C_WIDTH, at, dash=dash, ink=ink,
                       width=1.6 if z == 0.0 else 1.1),
                  text(_C_LEFT + _C_WIDTH + 6.0, at + 4.0, word, anchor="start")]  # fmt: skip
    points = [(x.at(i + 1.0), y.at(row.measured)) for i, row in enumerate(rows)]
    parts.append(path(points, ink=PALE, width=0.9))
    broken = {*found.beyond_action, *found.two_of_three}
    longest = max(text_width(name) for name in names)
    turned = longest > _C_WIDTH / len(rows) - 6.0
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
            below = _C_TOP + _C_HEIGHT + 15.0
            parts.append(text(px + 3.0, below, name, anchor="end", ink=PALE, turn=-40.0)
                         if turned else text(px, below, name, ink=PALE))  # fmt: skip
    deep = 0.65 * longest + 14.0 if turned else 18.0
    said = "; ".join(f"{r.sample} {r.measured:g}" for r in rows)
    title = f"Control chart of {chart.name}, certified {format_number(chart.certified)}"
    return plot_svg(
        _C_LEFT + _C_WIDTH + 66.0,
        _C_TOP + _C_HEIGHT + deep + 8.0,
        title,
        said,
        parts,
    )


def duplicates_svg(judgement: Judgement) -> str:
    """Return |difference| against mean on logarithmic axes, with the fitted precision as lines.

    A half of the pairs should lie below the solid line, 19 of 20 below the dashed one. Pairs
    without a difference stand hollow on the lower edge; pairs that are off have a ring. Empty if no
    pair has a mean above 0.
    """
    batch, fit = judgement.batch, judgement.fit
    pairs = [
        (p, (p.first + p.second) / 2.0, abs(p.first - p.second))
        for p in batch.pairs
        if p.first + p.second > 0.0
    ]
    if not pairs:
        return ""
    means = [m for _, m, _ in pairs]
    gaps = [d for _, _, d in pairs if d > 0.0]
    low, high = min(means) / 1.25, max(means) * 1.25
    grades = [low * (high / low) ** (i / 48.0) for i in range(49)]
    curves = []
    if fit is not None:
        curves = [[times * 2.0**0.5 * fit.sd(g) for g in grades] for times in (_HALF, _MOST)]
    heights = gaps + [v for curve in curves for v in curve if v > 0.0] or [high / 100.0]
    x = Axis(low, high, _LEFT, _WIDTH, log=True)
    y = Axis(max(min(heights), max(heights) * 1e-4) / 1.6, max(heights) * 1.6, _TOP + _HEIGHT,
             -_HEIGHT, log=True)  # fmt: skip
    parts = framed(x, y, f"mean of the pair [{batch.unit}]",
                   f"difference of the pair, without its sign [{batch.unit}]")  # fmt: skip
    for curve, dash, word in zip(curves, ("", "6 4"), ("1 of 2", "19 of 20"), strict=False):
        parts.append(path([(x.at(g), y.at(v)) for g, v in zip(grades, curve, strict=True)],
                          dash=dash))  # fmt: skip
        parts.append(text(_LEFT + _WIDTH + 6.0, y.at(curve[-1]) + 4.0, word, anchor="start"))
    off = {batch.pairs[o.index].name for o in judgement.off}
    for pair, mean, gap in pairs:
        inside = gap >= y.low
        parts.append(dot(x.at(mean), y.at(max(gap, y.low)), hollow=not inside))
        if pair.name in off:
            parts.append(cross(x.at(mean), y.at(max(gap, y.low))))
    for o in judgement.off:
        mean = (o.first + o.second) / 2.0
        right = x.at(mean) < _LEFT + _WIDTH - 80.0
        parts.append(
            text(x.at(mean) + (11.0 if right else -11.0), y.at(abs(o.first - o.second)) + 4.0,
                 batch.pairs[o.index].name, anchor="start" if right else "end",
                 halo=True)
        )  # fmt: skip
    said = "; ".join(f"{p.name}: {p.first:g}, {p.second:g}" for p, _, _ in pairs)
    return plot_svg(_LEFT + _WIDTH + 66.0, _TOP + _HEIGHT + 40.0,
                    f"Duplicates of {batch.analyte}", said, parts)  # fmt: skip


def blanks_svg(judgement: Judgement) -> str:
    """Return each blank against what was assayed before it, with the limit of a blank.

    Blanks below detection are hollow, at half the limit. Empty if nothing was assayed before any.
    """
    batch, found, carry = judgement.batch, judgement.blanks, judgement.carry_over
    known = [(b, b.before) for b in batch.blanks if b.before is not None]
    if not known or found is None:
        return ""
    limit = found.limit if math.isfinite(found.limit) else 0.0
    tallest = max(*(b.value for b, _ in known), limit, 0.0) or 1.0
    widest = max(before for _, before in known) or 1.0
    x = Axis(0.0, 1.08 * widest, _LEFT, _WIDTH)
    y = Axis(0.0, 1.15 * tallest, _TOP + 180.0, -180.0)
    parts = framed(x, y, f"assayed before the blank [{batch.unit}]",
                   f"blank [{batch.unit}]")  # fmt: skip
    if limit:
        parts += [
            line(_LEFT, y.at(limit), _LEFT + _WIDTH, y.at(limit), dash="6 4"),
            text(_LEFT + _WIDTH + 6.0, y.at(limit) + 4.0, "limit", anchor="start"),
        ]
    if carry is not None and carry.slope > 0.0:
        ends = [(g, carry.intercept + carry.slope * g) for g in (0.0, x.high)]
        if all(y.low <= v <= y.high for _, v in ends):
            parts.append(path([(x.at(g), y.at(v)) for g, v in ends], ink=PALE))
            parts.append(text(_LEFT + _WIDTH + 6.0, y.at(ends[1][1]) + 4.0, "carry-over",
                              anchor="start", ink=PALE))  # fmt: skip
    above = {batch.blanks[i].sample for i in found.above}
    for blank, before in known:
        px, py = x.at(before), y.at(blank.value)
        parts.append(dot(px, py, hollow=blank.below))
        if blank.sample in above:
            right = px < _LEFT + _WIDTH - 90.0
            parts += [
                cross(px, py),
                text(px + (11.0 if right else -11.0), py + 4.0, blank.sample,
                     anchor="start" if right else "end", halo=True),
            ]  # fmt: skip
    said = "; ".join(f"{b.sample} {b.value:g} after {before:g}" for b, before in known)
    return plot_svg(_LEFT + _WIDTH + 80.0, _TOP + 180.0 + 40.0, f"Blanks of {batch.analyte}", said,
                    parts)  # fmt: skip
