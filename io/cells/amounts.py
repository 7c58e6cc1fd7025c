"""Numbers that stand in a case's definition: an amount with its unit, a share in percent."""

from __future__ import annotations

import math
import re

from oretally.flowsheet import Dimension, Fault, Place, UnitError, parse_unit

__all__ = ["in_unit_of", "read_amount", "read_definition_number", "read_share"]

_AMOUNT = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([^\d\s.].*?)\s*")


def read_amount(written: object) -> tuple[float, str] | None:
    """Return the number and the unit of an amount such as '2 g'; None if it is not one."""
    match = _AMOUNT.fullmatch(str(written))
    return None if match is None else (float(match[1]), match[2])


def read_definition_number(written: object) -> float | None:
    """Return a finite number, given as one or as text; None if it is not one."""
    if isinstance(written, bool) or written is None:
        return None
    try:
        number = float(written if isinstance(written, int | float) else str(written))
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def read_share(written: object) -> float | None:
    """Return a share from a number in percent, above 0 and below 50; None if it is not one.

    A percent sign may stand behind it.

    Examples
    --------
    >>> read_share(3), read_share("20 %"), read_share("0.2 g")
    (0.03, 0.2, None)
    """
    if isinstance(written, str):
        written = written.strip().removesuffix("%")
    percent = read_definition_number(written)
    return percent / 100.0 if percent is not None and 0.0 < percent < 50.0 else None


def in_unit_of(
    amount: tuple[float, str], dimension: Dimension, place: Place, faults: list[Fault]
) -> tuple[float, str] | None:
    """Return an amount with its unit as that dimension spells it; None, with a fault, if wrong."""
    try:
        unit = parse_unit(amount[1], dimension)
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, place))
        return None
    return amount[0], unit.symbol
