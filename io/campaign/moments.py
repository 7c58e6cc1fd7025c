"""When a survey was taken, as it was written: ISO 8601, which can be read in one way only."""

from __future__ import annotations

import re
from datetime import date, datetime
from datetime import time as clock

from oretally.flowsheet import Fault, Place

__all__ = ["leading_date", "read_moment"]

_ISO = re.compile(
    r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?: ?(?:Z|[+-]\d\d:?\d\d))?)?"
)
_MEND = "Write it as 2026-03-14 or 2026-03-14 06:30."


def read_moment(value: object, place: Place) -> datetime | Fault | None:
    """Return the time that a cell or option says; None if it is blank.

    Examples
    --------
    >>> read_moment("2026-03-14 06:30", Place())
    datetime.datetime(2026, 3, 14, 6, 30)
    >>> read_moment("14/3/26", Place()).mend
    'Write it as 2026-03-14 or 2026-03-14 06:30.'
    """
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime.combine(value, clock())
    text = "" if value is None else " ".join(str(value).split())
    if not text:
        return None
    if _ISO.fullmatch(text):
        try:
            return datetime.fromisoformat(text)
        except ValueError:
            return Fault(f"There is no such time as '{text}'.", _MEND, place)
    return Fault(f"'{text}' is no time that can be read in one way only.", _MEND, place)


def leading_date(name: str) -> datetime | None:
    """Return the date that a name begins with; None if there is none.

    Examples
    --------
    >>> leading_date("2026-03-14 night"), leading_date("night 3")
    (datetime.datetime(2026, 3, 14, 0, 0), None)
    """
    found = read_moment(name[:10], Place()) if not name[10:11].isdigit() else None
    return found if isinstance(found, datetime) else None
