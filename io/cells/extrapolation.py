"""A note where a fitted error is used for grades that its duplicates never had."""

from __future__ import annotations

from oretally.flowsheet import ErrorRule, Unit
from oretally.flowsheet.digits import format_number

__all__ = ["extrapolation_notes"]


def extrapolation_notes(
    rule: ErrorRule, stream: str, quantity: str, value: float, unit: Unit
) -> list[str]:
    """Return a note if a grade, in ``unit``, lies well outside those that gave its sd; else none.

    Well outside is below a half of the least, or above twice the greatest; common sense, no source.
    """
    if rule.unit is None or rule.low is None or rule.high is None:
        return []
    if not rule.extrapolates(value, unit):
        return []
    low, high = (
        format_number(unit.from_base(rule.unit.to_base(v)), 2) for v in (rule.low, rule.high)
    )
    return [
        f"The sd of {quantity} of '{stream}' ({format_number(value)} {unit}) is extrapolated: the "
        f"{rule.source} range from {low} to {high} {unit}."
    ]
