"""Which period is meant: a year, a month, a week, a day, or from one time to another."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.campaign import read_moment

__all__ = ["Span", "read_range", "read_span"]

_MEND = "Write a month as 2026-03, a week as 2026-W10, a day as 2026-03-05, a year as 2026."
_SPAN = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?|-?[Ww](\d\d))?")


@dataclass(frozen=True, slots=True)
class Span:
    """From ``begin`` on, and before ``end``; None for no limit."""

    name: str
    begin: datetime | None
    end: datetime | None


def read_span(text: str) -> Span:
    """Return the period that a word names.

    Raises
    ------
    InputError
        If it is none.

    Examples
    --------
    >>> print(read_span("2026-12").end, read_span("2026-W01").begin)
    2027-01-01 00:00:00 2025-12-29 00:00:00
    """
    match = _SPAN.fullmatch(text.strip())
    if match is None:
        raise _wrong(f"'{text}' is no period.", _MEND)
    year, month, day, week = (None if part is None else int(part) for part in match.groups())
    try:
        if week is not None:
            begin = datetime.fromisocalendar(year or 0, week, 1)
            return Span(f"{year}-W{week:02d}", begin, begin + timedelta(days=7))
        begin = datetime.combine(date(year or 0, month or 1, day or 1), time())
        if day is not None:
            return Span(f"{begin:%Y-%m-%d}", begin, begin + timedelta(days=1))
        if month is not None:
            return Span(f"{begin:%Y-%m}", begin, begin.replace(year=begin.year + month // 12,
                                                               month=month % 12 + 1))  # fmt: skip
        return Span(f"{begin:%Y}", begin, begin.replace(year=begin.year + 1))
    except (ValueError, OverflowError):  # of no year, or behind the last that a clock knows
        raise _wrong(f"There is no '{text}'.", _MEND) from None


def read_range(begin: str | None, end: str | None) -> Span:
    """Return the period between two days or times; a day at the end counts whole.

    Raises
    ------
    InputError
        If one of them is none, or they leave nothing between them.
    """
    first, last = _moment(begin, "--from"), _moment(end, "--to")
    whole = end is not None and ":" not in end
    try:
        until = last + timedelta(days=1) if last is not None and whole else last
    except OverflowError:
        raise _wrong(f"No day comes after --to {end}.", "Leave --to out.") from None
    if first is not None and until is not None and until <= first:
        raise _wrong(f"Nothing lies between --from {begin} and --to {end}.",
                     "The time after --to comes after that after --from.")  # fmt: skip
    parts = [f"from {begin}" if begin else "", f"to {end}" if end else ""]
    return Span(" ".join(p for p in parts if p) or "all surveys", first, until)


def _moment(text: str | None, option: str) -> datetime | None:
    if text is None:
        return None
    found = read_moment(text, Place(cell=f"option {option}"))
    if isinstance(found, Fault):
        raise InputError([found])
    return None if found is None else found.replace(tzinfo=None)


def _wrong(problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(cell="PERIOD"))])
