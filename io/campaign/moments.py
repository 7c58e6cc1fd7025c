"""When a survey was taken, as it was written: ISO 8601, or a date that can be no other day."""

from __future__ import annotations

import re
from datetime import date, datetime
from datetime import time as clock

from oretally.flowsheet import Fault, Place

__all__ = ["first_number", "leading_date", "read_moment"]

_ISO = re.compile(
    r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?: ?(?:Z|[+-]\d\d:?\d\d))?)?"
)
_DATE = re.compile(
    r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?: (\d{1,2}):(\d\d)(?::(\d\d))?)?"
)  # the day or the month first
_MONTHS = 12
_MEND = "Write it as 2026-03-14 or 2026-03-14 06:30."


def read_moment(value: object, place: Place) -> datetime | Fault | None:
    """Return the time that a cell or option says; None if it is blank.

    Examples
    --------
    >>> read_moment("2026-03-14 06:30", Place())
    datetime.datetime(2026, 3, 14, 6, 30)
    >>> read_moment("14/3/2026 6:30", Place())
    datetime.datetime(2026, 3, 14, 6, 30)
    >>> read_moment("4/3/2026", Place()).mend
    'Write it as 2026-03-14 or 2026-03-14 06:30.'
    """
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime.combine(value, clock())
    text = "" if value is None else " ".join(str(value).split())
    if not text:
        return None
    in_iso = _in_iso(text)
    if _ISO.fullmatch(in_iso):
        try:
            return datetime.fromisoformat(in_iso)
        except ValueError:
            return Fault(f"There is no such time as '{text}'.", _MEND, place)
    return Fault(f"'{text}' is no time that can be read in one way only.", _MEND, place)


def first_number(text: str) -> str:
    """Return what comes first in a date that can be no other day: 'day', 'month', or 'either'.

    Empty if it may be two days, or is no such date.

    Examples
    --------
    >>> [first_number(t) for t in ("13/04/2026 6:00", "4/13/2026", "4.4.2026", "3/4/2026")]
    ['day', 'month', 'either', '']
    """
    found = _DATE.fullmatch(text)
    if found is None:
        return ""
    first, second = int(found[1]), int(found[3])
    if first == second:
        return "either"
    if (first > _MONTHS) is (second > _MONTHS):
        return ""
    return "day" if first > _MONTHS else "month"


def _in_iso(text: str) -> str:
    """Return a date that can be no other day as ISO 8601 has it; any other text as it is."""
    found, first = _DATE.fullmatch(text), first_number(text)
    if found is None or not first:
        return text
    month, day = (found[1], found[3]) if first == "month" else (found[3], found[1])
    time = f" {found[5]:0>2}:{found[6]}:{found[7] or '00'}" if found[5] else ""
    return f"{found[4]}-{month:0>2}-{day:0>2}{time}"


def leading_date(name: str) -> datetime | None:
    """Return the date that a name begins with; None if there is none.

    Examples
    --------
    >>> leading_date("2026-03-14 night"), leading_date("night 3")
    (datetime.datetime(2026, 3, 14, 0, 0), None)
    """
    found = read_moment(name[:10], Place()) if not name[10:11].isdigit() else None
    return found if isinstance(found, datetime) else None
