"""Which numbers are taken, in whatever unit they are written: one rule for values and errors.

A value is 0 or at least 1e-12; above, what it is of bounds it (a grade the whole, a mass that of
the Earth). A stated error and any number of the definition is 0, where that means something, or
between 1e-12 and 1e15. Beyond that arithmetic in 16 digits says nothing of a balance.
"""

from __future__ import annotations

import re

from oretally.flowsheet import Fault, Place

__all__ = ["LARGEST_NUMBER", "SMALLEST_NUMBER", "range_fault", "written_out_of_range"]

SMALLEST_NUMBER, LARGEST_NUMBER = 1e-12, 1e15
_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)(?:\s*[^\d\s.,:/-].*)?")
_SHOWN = 40


def range_fault(what: str, written: object, place: Place) -> Fault:
    """Return the refusal of a number that is too small or too large."""
    if isinstance(written, int) and abs(written) > LARGEST_NUMBER:
        found = f"an integer of {round(written.bit_length() * 0.30103)} digits"
    else:
        text = str(written)
        found = text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
    return Fault(
        f"The {what} is {found}; numbers are 0, or between {SMALLEST_NUMBER:g} and "
        f"{LARGEST_NUMBER:g}.",
        "Correct it, or choose a unit in which it is neither so small nor so large.",
        place,
    )


def written_out_of_range(written: object) -> bool:
    """Tell whether something is a number, alone or with a unit, too small or too large.

    Examples
    --------
    >>> [written_out_of_range(w) for w in (1e300, "1e-300 g", 10**400, 0, "feed", "0.5 kg")]
    [True, True, True, False, False, False]
    """
    if isinstance(written, bool):
        return False
    if isinstance(written, str):
        match = _NUMBER.fullmatch(written)
        written = float(match[1]) if match else 0
    if not isinstance(written, int | float):
        return False
    return written != 0 and not SMALLEST_NUMBER <= abs(written) <= LARGEST_NUMBER
