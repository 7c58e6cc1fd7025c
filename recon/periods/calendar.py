"""Days, weeks and months of a campaign, and times in which surveys are missing.

A survey counts to the day on which it began: a night shift that begins at 22:00 to that evening's
day. Weeks are those of ISO 8601, from Monday.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

__all__ = ["Gap", "gaps_of", "span_of"]

_LONGER = 1.5  # times the usual time from one survey to the next: there is a gap


@dataclass(frozen=True, slots=True)
class Gap:
    """A time without the surveys that are usual: between two, or at an edge of the period.

    Attributes
    ----------
    before, after : str
        Labels of the surveys on both sides; empty at the edge of the period.
    begin, end : datetime
        When these began; at the edge, when the period begins or ends.
    usual : timedelta
        From the beginning of one survey to that of the next, in the middle.
    about : tuple of datetime
        When those that are missing would have begun.
    """

    before: str
    after: str
    begin: datetime
    end: datetime
    usual: timedelta
    about: tuple[datetime, ...]

    @property
    def missing(self) -> int:
        """About how many surveys are missing."""
        return len(self.about)


def span_of(time: datetime, over: str) -> str:
    """Return the name of the day, week or month of a time, or the one campaign.

    Examples
    --------
    >>> [span_of(datetime(2026, 3, 2, 22), s) for s in ("day", "week", "month", "campaign")]
    ['2026-03-02', '2026-W10', '2026-03', 'campaign']
    """
    if over == "day":
        return f"{time:%Y-%m-%d}"
    if over == "week":
        year, week, _ = time.isocalendar()
        return f"{year}-W{week:02d}"
    return f"{time:%Y-%m}" if over == "month" else over


def gaps_of(
    surveys: Sequence[tuple[str, datetime]], begin: datetime | None = None,
    end: datetime | None = None,
) -> tuple[Gap, ...]:  # fmt: skip
    """Return when surveys are missing from ``begin`` on and before ``end``, in order.

    What is usual from one survey to the next is the median of these times, of the surveys of the
    period and of those as long before and after it. Where that is much exceeded, as many are
    missing as fit in; at an edge of the campaign, as many as fit into the period. None with less
    than three surveys.

    Parameters
    ----------
    surveys : sequence of (str, datetime)
        Label and time of all surveys of the campaign, in order.
    begin, end : datetime, optional
        Of the period; without one, it is open there and nothing is missing at that edge.

    Examples
    --------
    >>> at = [("a", 6), ("b", 14), ("c", 22), ("d", 38), ("e", 46)]
    >>> days = [datetime(2026, 3, day) for day in (1, 4)]
    >>> [(g.before, g.after, [f"{t:%d %H:%M}" for t in g.about])
    ...  for g in gaps_of([(n, days[0] + timedelta(hours=h)) for n, h in at], *days)]
    [('c', 'd', ['02 06:00']), ('e', '', ['03 06:00', '03 14:00', '03 22:00'])]
    """
    inside = [(label, time) for label, time in surveys if _within(time, begin, end)]
    usual = _usual([time for _, time in surveys], begin, end)
    if usual is None or not inside:
        return ()
    found = list[Gap]()
    (first, start), (last, stop) = inside[0], inside[-1]
    earlier = [time for _, time in surveys if begin is not None and time < begin]
    later = [time for _, time in surveys if end is not None and time >= end]
    if begin is not None:
        about = (_between(earlier[-1], start, usual) if earlier else
                 _steps(start, -usual, (start - begin) // usual)[::-1])  # fmt: skip
        found.append(Gap("", first, begin, start, usual, tuple(t for t in about if t >= begin)))
    for (before, a), (after, b) in zip(inside, inside[1:], strict=False):
        found.append(Gap(before, after, a, b, usual, _between(a, b, usual)))
    if end is not None:
        about = (_between(stop, later[0], usual) if later else
                 _steps(stop, usual, -((stop - end) // usual) - 1))  # fmt: skip
        found.append(Gap(last, "", stop, end, usual, tuple(t for t in about if t < end)))
    return tuple(gap for gap in found if gap.about)


def _within(time: datetime, begin: datetime | None, end: datetime | None) -> bool:
    return (begin is None or time >= begin) and (end is None or time < end)


def _usual(
    times: Sequence[datetime], begin: datetime | None, end: datetime | None
) -> timedelta | None:
    """Return the usual time from one survey to the next about a period; None if nobody knows."""
    if begin is not None and end is not None:
        times = [t for t in times if _within(t, begin - (end - begin), end + (end - begin))]
    between = sorted(b - a for a, b in zip(times, times[1:], strict=False))
    if len(between) < 2:
        return None
    usual = between[len(between) // 2]
    return usual if usual > timedelta(0) else None


def _between(a: datetime, b: datetime, usual: timedelta) -> tuple[datetime, ...]:
    """Return when the surveys would have begun that are missing between two."""
    if b - a <= _LONGER * usual:
        return ()
    missing = max(1, round((b - a) / usual) - 1)
    return _steps(a, (b - a) / (missing + 1), missing)


def _steps(time: datetime, step: timedelta, n: int) -> tuple[datetime, ...]:
    return tuple(time + i * step for i in range(1, n + 1))
