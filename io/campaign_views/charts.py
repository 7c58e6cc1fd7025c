"""Values over time as SVG: each with its ±, the level, limits, and where a rule is broken."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from math import inf
from statistics import median

from oretally.flowsheet.digits import format_number
from oretally.io.pictures import (
    GRID,
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
from oretally.recon.answers import GRADE, PULL, RECOVERY
from oretally.recon.persistent_bias import CusumRow
from oretally.recon.trends import AnswerSeries, ChangeKind, Trend

__all__ = ["cusum_svg", "trend_svg"]

_LEFT, _TOP, _WIDTH, _HEIGHT = 64.0, 34.0, 540.0, 200.0
_DOTS = 150  # values, beyond which dots are small


def trend_svg(trend: Trend) -> str:
    """Return one series: values with one sd, the level as a line, limits at 3 sd dashed.

    The frame holds all values, but for one so far out that it would press the others flat: an
    arrow at the edge tells it. Limits beyond the frame end at it; those of what cannot be, such as
    a recovery above 100 %, are not drawn. The moving average (EWMA) is the thin line; rings are
    values where a rule is broken; the bar below the plot spans where a change may have been.
    """
    s = trend.series
    limits = list(zip(trend.centre.tolist(), trend.limit.tolist(), strict=True))
    # a value that hardly anything tells must not press the others flat: it ends at the frame
    wide = 3.0 * median(trend.limit.tolist())
    told = [v for v, (_, e) in zip(s.value, limits, strict=True) if e <= wide]
    lowest, highest = _possible(s)
    ends = [min(max(c + sign * wide, lowest), highest) for c, _ in limits for sign in (-1.0, 1.0)]
    low, high = min([*told, *ends]), max([*told, *ends])
    near = [v for v in s.value if 2.0 * low - high <= v <= 2.0 * high - low]
    x, y = _axes(s.time, min([low, *near]), max([high, *near]))
    parts = framed(x, y, "days from the first survey" if s.clock == "days" else "survey",
                   f"{s.name} [{s.unit}]")  # fmt: skip
    at = [x.at(t) for t in s.time]
    for sign in (-3.0, 3.0):
        lines = [(a, c + sign * e) for a, (c, e) in zip(at, limits, strict=True)]
        for is_possible, some in groupby(lines, lambda p: lowest <= p[1] <= highest):
            points = [(a, y.at(v)) for a, v in some]
            if is_possible and len(points) > 1:
                parts.append(path(points, ink=PALE, dash="5 3"))
    parts.append(path([(a, y.at(c)) for a, (c, _) in zip(at, limits, strict=True)], width=1.6))
    average = (trend.average.average + trend.centre).tolist()
    parts.append(
        path([(a, y.at(v)) for a, v in zip(at, average, strict=True)], ink=PALE, width=0.9)
    )
    radius = 3.0 if len(at) <= _DOTS else 1.6
    for a, value, error in zip(at, s.value, s.sd, strict=True):
        parts.append(line(a, y.at(value - error), a, y.at(value + error), ink=PALE, width=0.8))
        if y.low <= value <= y.high:
            parts.append(dot(a, y.at(value), radius=radius))
        else:
            parts += _beyond(a, y, value)
    parts += [cross(at[i], y.at(s.value[i])) for i in trend.rules.broken]
    if trend.change is not None and trend.change.kind is ChangeKind.LEVEL:
        first, last = (min(i, len(at) - 1) for i in trend.change.places)
        below = _TOP + _HEIGHT + 40.0
        parts += [line(at[first], below, max(at[last], at[first] + 2.0), below, width=4.0),
                  text((at[first] + at[last]) / 2.0, below + 14.0, "changed within (95 %)",
                       ink=PALE)]  # fmt: skip
    said = "; ".join(
        f"{label} {format_number(v)}" for label, v in zip(s.labels, s.value, strict=True)
    )
    return plot_svg(_LEFT + _WIDTH + 20.0, _TOP + _HEIGHT + 62.0, s.name, said, parts)


def _possible(series: AnswerSeries) -> tuple[float, float]:
    """Return between which values an answer must lie, unless one of them does not."""
    if series.unit != "%" or series.subject not in (RECOVERY, PULL, GRADE):
        return -inf, inf
    return (0.0 if min(series.value) >= 0.0 else -inf, 100.0 if max(series.value) <= 100.0 else inf)


def _beyond(at: float, y: Axis, value: float) -> list[str]:
    """Return an arrow at the edge of the frame, and the value that stands beyond it."""
    edge, inwards = y.at(value), 1.0 if value > y.high else -1.0
    foot = edge + 12.0 * inwards
    return [
        line(at, foot, at, edge),
        path([(at - 4.0, edge + 5.0 * inwards), (at, edge), (at + 4.0, edge + 5.0 * inwards)]),
        text(at, foot + (11.0 if inwards > 0.0 else -4.0), format_number(value)),
    ]


def cusum_svg(row: CusumRow, name: str, labels: Sequence[str]) -> str:
    """Return the cumulative sums of one measurement, up above 0 and down below it."""
    up, down = row.sums.up.tolist(), (-row.sums.down).tolist()
    h = row.sums.decision
    times = [float(i + 1) for i in row.numbers]
    x, y = _axes(times, min(-1.2 * h, *down), max(1.2 * h, *up))
    parts = framed(x, y, "survey", f"{name}: cumulative sum [sd]")
    parts += [line(x.start, y.at(v), x.start + x.length, y.at(v), ink=PALE, dash="5 3")
              for v in (-h, h)]  # fmt: skip
    parts.append(line(x.start, y.at(0.0), x.start + x.length, y.at(0.0), ink=GRID))
    for sums in (up, down):
        parts.append(path([(x.at(t), y.at(v)) for t, v in zip(times, sums, strict=True)], ink=INK,
                          width=1.4))  # fmt: skip
    if row.sums.signal is not None:
        i = row.sums.signal
        value = up[i] if up[i] > h else down[i]
        parts.append(cross(x.at(times[i]), y.at(value)))
    said = "; ".join(
        f"{labels[n]} {format_number(z, 2)}"
        for n, z in zip(row.numbers, row.standardised, strict=True)
    )
    return plot_svg(_LEFT + _WIDTH + 20.0, _TOP + _HEIGHT + 44.0, name, said, parts)


def _axes(times: Sequence[float], low: float, high: float) -> tuple[Axis, Axis]:
    first, last = min(times), max(times)
    wide = (last - first) or 1.0
    room = 0.05 * (high - low) or 1.0
    return (
        Axis(first - 0.02 * wide, last + 0.02 * wide, _LEFT, _WIDTH),
        Axis(low - room, high + room, _TOP + _HEIGHT, -_HEIGHT),
    )
