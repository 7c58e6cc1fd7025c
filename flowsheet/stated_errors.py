"""Stated errors: the standard deviation of each measurement, and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from oretally.flowsheet.streams import fold_name
from oretally.flowsheet.unit_table import Unit

__all__ = ["ErrorModel", "ErrorRule"]


@dataclass(frozen=True, slots=True)
class ErrorRule:
    """Rule for the sd of a value: sqrt(absolute^2 + (relative * value)^2) / coverage.

    Attributes
    ----------
    relative : float
        Share of the value. [%]
    absolute : float
        Constant part, in ``unit``.
    unit : Unit or None
        Unit of the constant part; None when there is none.
    coverage : float
        The figures are this many standard deviations.
    slope : float
        For an sd fitted to duplicates: it is absolute + slope * value, a share of the value.
    source : str
        Where the rule comes from, if that is more than its statement: '24 duplicate pairs'.
    """

    relative: float = 0.0
    absolute: float = 0.0
    unit: Unit | None = None
    coverage: float = 1.0
    slope: float = 0.0
    source: str = ""

    def sd(self, value: float, unit: Unit) -> float:
        """Return the standard deviation of ``value``, both in ``unit``."""
        constant = unit.from_base(self.unit.to_base(self.absolute)) if self.unit else 0.0
        if self.slope:
            return constant + self.slope * value
        proportional = self.relative / 100.0 * value
        return float((constant**2 + proportional**2) ** 0.5 / self.coverage)


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Rules used where a measurement states no error of its own.

    Attributes
    ----------
    by_quantity : mapping
        Folded quantity name to rule.
    by_stream : mapping
        Folded (stream, quantity) to rule; goes before ``by_quantity``.
    """

    by_quantity: Mapping[str, ErrorRule] = field(default_factory=dict)
    by_stream: Mapping[tuple[str, str], ErrorRule] = field(default_factory=dict)

    def rule(self, stream: str, quantity: str) -> tuple[ErrorRule, str] | None:
        """Return the rule for a measurement and its source ('stream' or 'quantity'), or None."""
        own = self.by_stream.get((fold_name(stream), fold_name(quantity)))
        if own is not None:
            return own, own.source or "stream"
        general = self.by_quantity.get(fold_name(quantity))
        return (general, general.source or "quantity") if general is not None else None
