"""Lengths of time as a bench sheet writes them: '0.5 min', '24 h'; counted from the start."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from oretally.flowsheet.units.parse import UnitError

__all__ = ["Elapsed", "time_unit"]

_SECONDS: Final = {"s": 1, "min": 60, "h": 3600, "d": 86400, "wk": 604800}
_SPELT: Final = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "mins": "min", "minute": "min",
    "minutes": "min", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
    "week": "wk", "weeks": "wk",
}  # fmt: skip
_OFFER: Final = "Write one of: s, min, h, d, wk."


@dataclass(frozen=True, slots=True)
class Elapsed:
    """A time since the start, in the unit in which it was written.

    Examples
    --------
    >>> Elapsed(0.5, "min").seconds, str(Elapsed(24.0, "h"))
    (30.0, '24 h')
    """

    value: float
    unit: str

    @property
    def seconds(self) -> float:
        """The same in seconds."""
        return self.value * _SECONDS[self.unit]

    def within(self, unit: str) -> float:
        """Return it in another unit of time, the value itself in its own."""
        return self.value * _SECONDS[self.unit] / _SECONDS[unit]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


def time_unit(text: str) -> str:
    """Return the symbol of a unit of time: s, min, h, d or wk.

    Raises
    ------
    UnitError
        If it is missing or unknown; 'm' and 'M' may be minutes or months, and are neither.

    Examples
    --------
    >>> time_unit("Minutes"), time_unit("hrs")
    ('min', 'h')
    """
    written = " ".join(text.split()).casefold().removesuffix(".")
    if not written:
        raise UnitError("A time stands without a unit.", _OFFER)
    symbol = _SPELT.get(written, written)
    if symbol not in _SECONDS:
        raise UnitError(f"'{text.strip()}' is not a unit of time known here.", _OFFER)
    return symbol
