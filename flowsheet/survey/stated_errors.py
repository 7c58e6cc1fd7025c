"""Stated errors: the standard deviation of each measurement, and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.read_only import freeze
from oretally.flowsheet.units import Unit

__all__ = ["ErrorModel", "ErrorRule", "ErrorSource", "SizeRule"]


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
    low, high : float or None
        Values, in ``unit``, between which the rule was fitted; None where it was stated.
    """

    relative: float = 0.0
    absolute: float = 0.0
    unit: Unit | None = None
    coverage: float = 1.0
    slope: float = 0.0
    source: str = ""
    low: float | None = None
    high: float | None = None

    def extrapolates(self, value: float, unit: Unit) -> bool:
        """Tell whether a value is below half of what the rule was fitted to, or above twice it.

        Examples
        --------
        >>> from oretally.flowsheet.units.parse import parse_unit
        >>> rule = ErrorRule(0.0, 0.01, parse_unit("%"), slope=0.03, low=0.2, high=3.0)
        >>> [rule.extrapolates(v, parse_unit("%")) for v in (0.09, 0.1, 6.0, 6.1)]
        [True, False, False, True]
        """
        if self.unit is None or self.low is None or self.high is None:
            return False
        own = self.unit.from_base(unit.to_base(value))
        return not 0.5 * self.low <= own <= 2.0 * self.high

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

    def __post_init__(self) -> None:
        freeze(self, "by_quantity", "by_stream")

    def rule(self, stream: str, quantity: str) -> tuple[ErrorRule, str] | None:
        """Return the rule for a measurement and its source ('stream' or 'quantity'), or None."""
        own = self.by_stream.get((fold_name(stream), fold_name(quantity)))
        if own is not None:
            return own, own.source or "stream"
        general = self.by_quantity.get(fold_name(quantity))
        return (general, general.source or "quantity") if general is not None else None


class SizeRule(Protocol):
    """What gives the sd that a source of error adds to a value."""

    def sd(self, value: float, unit: Unit) -> float:
        """Return the standard deviation for ``value``, both in ``unit``."""
        ...


@dataclass(frozen=True, slots=True)
class ErrorSource:
    """A source of error beside the stated one: sampling, preparation, a scale, a batch.

    Attributes
    ----------
    name, quantity : str
    general : SizeRule or None
        Its size in every stream that is not named.
    by_stream : mapping of str to SizeRule
        Its size in single streams, by folded name.
    shared : bool
        Whether it moves all its measurements together.
    over : str
        Over which surveys of a campaign, one of `SPANS`; empty: each survey has its own error.
    dof : float
        Degrees of freedom behind its size.
    note : str
        What the reader should know of its size.
    """

    name: str
    quantity: str
    general: SizeRule | None = None
    by_stream: Mapping[str, SizeRule] = field(default_factory=dict)
    shared: bool = False
    dof: float = inf
    note: str = ""
    over: str = ""

    def __post_init__(self) -> None:
        freeze(self, "by_stream")

    def sd(self, stream: str, value: float, unit: Unit) -> float:
        """Return what it adds to a measurement, in ``unit``; 0 if it does not concern it."""
        rule = self.by_stream.get(fold_name(stream), self.general)
        return 0.0 if rule is None else rule.sd(value, unit)
