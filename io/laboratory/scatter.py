"""Duplicates and blanks of a batch as scatter plots in SVG."""

from __future__ import annotations

import math

from oretally.io.laboratory.judgement import Judgement
from oretally.io.pictures import PALE, Axis, cross, dot, framed, line, path, plot_svg, text

__all__ = ["blanks_svg", "duplicates_svg"]

_LEFT, _WIDTH, _TOP, _HEIGHT = 60.0, 540.0, 28.0, 250.0
_HALF, _MOST = 0.6744897501960817, 1.959963984540054  # of |z| for normal z: median, 95 %


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
