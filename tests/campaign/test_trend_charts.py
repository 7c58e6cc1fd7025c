"""A chart of an answer over time: what is drawn where, and what is not drawn."""

from __future__ import annotations

import re
from collections.abc import Sequence

from oretally.io.campaign_views.charts import trend_svg
from oretally.recon.answers import RECOVERY
from oretally.recon.trends import AnswerSeries, Trend, trends_of

FRAME = (34.0, 234.0)


def _trend(value: Sequence[float], sd: Sequence[float], subject: str = RECOVERY) -> Trend:
    n = len(value)
    days = tuple(map(float, range(n)))
    labels = tuple(f"s{i}" for i in range(n))
    series = AnswerSeries("recovery of Sn", subject, "conc", "Sn", "%", labels, days,
                          tuple(value), tuple(sd))  # fmt: skip
    return trends_of([series])[0]


def _dots(svg: str) -> list[float]:
    return [float(y) for y in re.findall(r'<circle cx="[^"]*" cy="([^"]*)" r="3"', svg)]


def _dashed(svg: str) -> list[list[float]]:
    """Return the heights of the lines of the limits."""
    lines = re.findall(r'<polyline points="([^"]*)"[^>]*stroke-dasharray="5 3"', svg)
    return [[float(pair.split(",")[1]) for pair in line.split()] for line in lines]


def test_a_value_beyond_the_others_is_in_the_frame() -> None:
    """One that hardly anything tells, at 84.9, once stood on the edge as if it were 86.0."""
    sound = [88.0, 88.3, 87.6, 89.0, 88.6, 87.5, 88.2, 88.4]
    svg = trend_svg(_trend([*sound, 85.0], [0.5] * 8 + [4.0]))
    dots = _dots(svg)
    assert len(dots) == 9 and all(FRAME[0] < y < FRAME[1] for y in dots)
    ys = dict(zip([*sound, 85.0], dots, strict=True))
    scale = (ys[88.0] - ys[89.0]) / 1.0
    assert abs((ys[85.0] - ys[88.0]) / scale - 3.0) < 0.05  # as far as it is


def test_a_value_very_far_out_is_told_at_the_edge() -> None:
    """It would press the others flat: an arrow, and the figure."""
    sound = [88.0, 88.3, 87.6, 89.0, 88.6, 87.5, 88.2, 88.4]
    svg = trend_svg(_trend([*sound, 20.0], [0.5] * 8 + [30.0]))
    dots = _dots(svg)
    assert len(dots) == 8 and max(dots) - min(dots) > 20.0
    assert ">20</text>" in svg


def test_no_limit_is_drawn_of_what_cannot_be() -> None:
    """A recovery near 100 %: the limit above is none; another answer may have both."""
    value, sd = [98.0, 99.0, 98.5, 99.4, 98.8, 98.2, 99.1, 98.9], [0.5] * 8
    (lower,) = _dashed(trend_svg(_trend(value, sd)))
    upper, also_lower = sorted(_dashed(trend_svg(_trend(value, sd, "closures"))))
    assert len(lower) == len(upper) == len(also_lower) == 8
    low = [2.0 - 1.9 * i / 8 for i in range(8)]
    (one,) = _dashed(trend_svg(_trend(low, [0.6] * 8)))
    assert len(one) == 8 and max(one) < FRAME[1]
