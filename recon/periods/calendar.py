"""Days, weeks and months of a campaign, and gaps between its surveys.

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
    """A time between two surveys that is longer than usual.

    Attributes
    ----------
    before, after : str
        Labels of the surveys on both sides.
    begin, end : datetime
        When these began.
    usual : timedelta
        From the beginning of one survey to that of the next, in the middle.
    """

    before: str
    after: str
    begin: datetime
    end: datetime
    usual: timedelta

    @property
    def missing(self) -> int:
        """How many surveys would fit in, at the usual distance."""
        return max(1, round((self.end - self.begin) / self.usual) - 1)

    @property
    def about(self) -> tuple[datetime, ...]:
        """When these would have begun."""
        step = (self.end - self.begin) / (self.missing + 1)
        return tuple(self.begin + i * step for i in range(1, self.missing + 1))


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


def gaps_of(surveys: Sequence[tuple[str, datetime]]) -> tuple[Gap, ...]:
    """Return the gaps between surveys (label and time), which are in order.

    What is usual is the median of the times between two. None with less than three surveys.

    Examples
    --------
    >>> at = [("a", 0), ("b", 8), ("c", 16), ("d", 32), ("e", 40)]
    >>> [(g.before, g.after, g.missing)
    ...  for g in gaps_of([(n, datetime(2026, 3, 1) + timedelta(hours=h)) for n, h in at])]
    [('c', 'd', 1)]
    """
    pairs = list(zip(surveys, surveys[1:], strict=False))
    between = sorted(after[1] - before[1] for before, after in pairs)
    if len(between) < 2:
        return ()
    usual = between[len(between) // 2]
    if usual <= timedelta(0):
        return ()
    return tuple(
        Gap(before[0], after[0], before[1], after[1], usual)
        for before, after in pairs
        if after[1] - before[1] > _LONGER * usual
    )
