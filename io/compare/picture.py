"""Differences between tests as SVG: each in units of its own sd, with its 95 % limits."""

from __future__ import annotations

from oretally.flowsheet.digits import format_number
from oretally.io.compare.wording import deciding_sd
from oretally.io.pictures import GRID, INK, PALE, Axis, dot, line, plot_svg, text, text_width
from oretally.recon.comparison import Comparison, Difference

__all__ = ["MOST_ROWS", "comparison_svg"]

MOST_ROWS = 30
"""More rows than these make a picture that nobody reads: the first ones are drawn."""

_TOP, _ROW, _WIDTH, _LEAST = 30.0, 22.0, 420.0, 3.5


def comparison_svg(found: Comparison) -> str:
    """Return one row an answer: filled dots are real differences, hollow ones are not shown.

    Answers that only mirror an earlier one are left out.
    """
    rows = [d for d in found.differences if d.mirror_of is None][:MOST_ROWS]
    names = [_name(found, d) for d in rows]
    left = 16.0 + max((text_width(name) for name in names), default=0.0)
    spans = [(d.low / deciding_sd(d), d.high / deciding_sd(d)) for d in rows]
    reach = max([_LEAST, *(1.08 * abs(end) for span in spans for end in span)])
    x = Axis(-reach, reach, left, _WIDTH)
    bottom = _TOP + _ROW * len(rows)
    parts = []
    for tick in x.ticks():
        parts += [line(x.at(tick), _TOP, x.at(tick), bottom, ink=GRID, width=0.7),
                  text(x.at(tick), bottom + 14.0, format_number(tick), ink=PALE)]  # fmt: skip
    parts += [line(x.at(0.0), _TOP - 6.0, x.at(0.0), bottom, ink=INK, width=1.4),
              text(x.at(0.0) - 8.0, _TOP - 12.0, "less", anchor="end", ink=PALE),
              text(x.at(0.0) + 8.0, _TOP - 12.0, "more", anchor="start", ink=PALE),
              text(left + _WIDTH / 2.0, bottom + 30.0,
                   "difference, second less first, in its own standard deviations")]  # fmt: skip
    for i, (d, name, (low, high)) in enumerate(zip(rows, names, spans, strict=True)):
        y = _TOP + _ROW * (i + 0.5)
        parts += [text(left - 8.0, y + 4.0, name, anchor="end"),
                  line(x.at(low), y, x.at(high), y, width=1.6),
                  line(x.at(low), y - 4.0, x.at(low), y + 4.0),
                  line(x.at(high), y - 4.0, x.at(high), y + 4.0),
                  dot(x.at((low + high) / 2.0), y,
                      hollow=not d.real)]  # fmt: skip
    said = "; ".join(f"{n}: {d.verdict.value}" for n, d in zip(names, rows, strict=True))
    return plot_svg(left + _WIDTH + 16.0, bottom + 42.0, "Differences with their 95 % limits",
                    said, parts)  # fmt: skip


def _name(found: Comparison, d: Difference) -> str:
    if len(found.arms) == 2:
        return str(d.answer)
    return f"{d.answer}, {found.arm_label(d.second)} - {found.arm_label(d.first)}"
