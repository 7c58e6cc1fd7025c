"""Values of which only bounds are known: how they enter a balance, and what is said of it."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet import Unit
from oretally.flowsheet.digits import format_number
from oretally.flowsheet.survey import DETECTION_LIMIT, RANGE_LIMIT, uniform_ends

__all__ = ["BoundedValue", "above_range", "below_detection", "entered", "written_bound"]


@dataclass(frozen=True, slots=True)
class BoundedValue:
    """A value taken as uniform between two bounds: its mean and sd, and words on it."""

    value: float
    sd: float
    source: str
    note: str


def below_detection(limit: float, unit: Unit) -> BoundedValue:
    """Return a value between 0 and a detection limit.

    Source: GUM (JCGM 100:2008), 4.3.7.
    """
    told = f"below detection: < {limit:g} {unit}; taken as uniform between 0 and the limit"
    return BoundedValue(limit / 2.0, limit / 12.0**0.5, DETECTION_LIMIT, told)


def above_range(limit: float, most: float, unit: Unit) -> BoundedValue:
    """Return a value between the end of an assay's range and the most there can be.

    Source: GUM (JCGM 100:2008), 4.3.7.
    """
    told = f"above range: > {limit:g} {unit}; taken as uniform up to {most:g}"
    return BoundedValue((limit + most) / 2.0, (most - limit) / 12.0**0.5, RANGE_LIMIT, told)


def entered(name: str, value: float, sd: float, unit: Unit, source: str) -> str:
    """Return one sentence on what a bounded value enters as; ``name`` is 'Sn of 'tails''."""
    low, high = uniform_ends(value, sd)
    if source == DETECTION_LIMIT and low == 0.0:
        return (f"{name} is below detection (< {high:g} {unit}); it enters as {value:g} ± {sd:.2g} "
                f"{unit}.")  # fmt: skip
    if source == DETECTION_LIMIT:
        return (f"{name} is only known to lie between {low:g} and {high:g} {unit}; it enters as "
                f"{value:.4g} ± {sd:.2g} {unit}.")  # fmt: skip
    return (f"{name} is above the range of its assay (> {low:g} {unit}); it enters as {value:.4g} "
            f"± {sd:.2g} {unit}: have it assayed by a method for such grades.")  # fmt: skip


def written_bound(value: float, sd: float, source: str) -> str:
    """Return what stands in a table in place of a bounded value; nothing for another source.

    Examples
    --------
    >>> written_bound(0.25, 0.5 / 12**0.5, DETECTION_LIMIT)
    '<0.5'
    """
    low, high = uniform_ends(value, sd)
    if source == DETECTION_LIMIT:
        return (
            f"<{format_number(high)}"
            if low == 0.0
            else f"{format_number(low)}-{format_number(high)}"
        )
    return f">{format_number(low)}" if source == RANGE_LIMIT else ""
