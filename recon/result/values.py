"""Rows of a balance: values, closures, heads, recoveries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from oretally.flowsheet.digits import format_number
from oretally.flowsheet.read_only import freeze
from oretally.recon.result.estimate import Estimate

__all__ = [
    "BEYOND_BOUNDS",
    "SOLIDS_EXPLAIN",
    "BalancedValue",
    "CalculatedHead",
    "Closure",
    "CombinedFeed",
    "FormulaRecovery",
    "GlobalTest",
    "Recovery",
    "Separation",
    "ValueClass",
]


SOLIDS_EXPLAIN = "with that the numbers agree"
"""What the note that solids are missing at a leach says where they explain all."""


BEYOND_BOUNDS = "one or the other is wrong"
"""How a note ends on a reading of which only bounds are known and which the balance puts outside.

Its error is as wide as its bounds, or, above a range, as all that may be: no test of agreement
sees it.
"""


_CHANCE = 1e-3  # p below which no one speaks of chance: our own choice


class ValueClass(StrEnum):
    """What the balances can say of a value.

    A measured value is redundant if the others can check it; an unmeasured one is observable if
    the balance gives it. An ``absent`` grade is that of a stream which carries nothing.
    """

    REDUNDANT = "redundant"
    NONREDUNDANT = "nonredundant"
    OBSERVABLE = "observable"
    UNOBSERVABLE = "unobservable"
    ABSENT = "absent"


@dataclass(frozen=True, slots=True)
class BalancedValue:
    """One quantity of one stream, measured against adjusted, in ``unit``.

    Attributes
    ----------
    measured, sd : float or None
        As measured, and its stated error.
    adjusted, adjusted_sd : float or None
        Reconciled; None where unobservable. ``adjusted_sd`` is None also at a bound.
    adjustment, standardised : float or None
        Adjusted minus measured; the same divided by its own standard deviation
        sqrt(sd^2 - adjusted_sd^2), None for a nonredundant value.
    value_class : ValueClass
    redundancy : float or None
        Redundancy number 1 - adjusted_sd^2/sd^2: the share of an error that shows. Where the
        measurement shares sources of error with others, that of its own part; where grades rest on
        bounds, with the sd that is left while they do; so for ``standardised`` and
        ``detectable_error``.
    detectable_error : float or None
        Least error that the measurement test finds (alpha 5 %, power 80 %).
    at_bound : bool
        True if the value was held at its bound (0, or the analyte's maximum).
    error_source, note : str
        Where the stated error came from; what else to know of the measurement.
    """

    stream: str
    quantity: str
    carrier: str
    unit: str
    measured: float | None
    sd: float | None
    adjusted: float | None
    adjusted_sd: float | None
    adjustment: float | None
    standardised: float | None
    value_class: ValueClass
    redundancy: float | None
    detectable_error: float | None
    at_bound: bool = False
    error_source: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Closure:
    """In minus out at a node, as measured; amounts in ``unit`` (mass or rate).

    ``quantity`` is the flow quantity or an analyte; ``z`` is imbalance / sd.
    """

    node: str
    quantity: str
    unit: str
    inflow: float
    outflow: float
    imbalance: float
    sd: float
    z: float


@dataclass(frozen=True, slots=True)
class CalculatedHead:
    """Feed grade rebuilt from the measured products, against the assayed and the adjusted head.

    Grades in ``unit``; ``z`` is (calculated - assayed) / sd of the difference.
    """

    stream: str
    analyte: str
    unit: str
    calculated: float
    calculated_sd: float
    assayed: float | None
    assayed_sd: float | None
    z: float | None
    adjusted: float | None
    adjusted_sd: float | None


@dataclass(frozen=True, slots=True)
class Recovery:
    """Share of the analyte of stream ``of`` that reports to ``stream``, adjusted, in percent.

    ``product`` is True for the reported products, whose recoveries are the distribution. Where the
    grade of ``stream`` rests on its lower bound there is no ``sd``, but the recovery is ``at_most``
    so much, with a confidence of 95 %; where those of all others do, ``at_least`` so much.
    """

    stream: str
    analyte: str
    of: str
    recovery: float | None
    sd: float | None
    product: bool
    unit: str = "%"
    at_most: float | None = None
    at_least: float | None = None

    @property
    def limit(self) -> str:
        """The limit in words, without its unit; empty where there is none."""
        if self.at_most is not None:
            return f"at most {format_number(self.at_most, 2)}"
        return "" if self.at_least is None else f"at least {format_number(self.at_least, 3)}"


@dataclass(frozen=True, slots=True)
class Separation:
    """How a product compares with stream ``of``, adjusted.

    Attributes
    ----------
    yield_percent, yield_sd : float or None
        Mass pull: mass of ``stream`` per mass of ``of``. [%]
    ratio_of_concentration, ratio_sd : float or None
        Mass of ``of`` per mass of ``stream``.
    enrichment : mapping of str to (float, float) or None
        By analyte: grade of ``stream`` per grade of ``of``, and its sd.
    """

    stream: str
    of: str
    yield_percent: float | None
    yield_sd: float | None
    ratio_of_concentration: float | None
    ratio_sd: float | None
    enrichment: Mapping[str, Estimate | None]

    def __post_init__(self) -> None:
        freeze(self, "enrichment")


@dataclass(frozen=True, slots=True)
class CombinedFeed:
    """Several feeds taken together.

    Attributes
    ----------
    feeds : tuple of str
    unit : str
        Of the flow.
    measured, adjusted : (float, float) or None
        The sum of their flows, with its sd; None where it is not known.
    assayed, grades : mapping of str to (float, float) or None
        By analyte, in its unit: the grade of all their solids, of what was measured of each feed,
        and adjusted.
    """

    feeds: tuple[str, ...]
    unit: str
    measured: Estimate | None
    adjusted: Estimate | None
    assayed: Mapping[str, Estimate | None]
    grades: Mapping[str, Estimate | None]

    def __post_init__(self) -> None:
        freeze(self, "assayed", "grades")


@dataclass(frozen=True, slots=True)
class FormulaRecovery:
    """A textbook answer for one plain separation, beside the reconciled one, in percent.

    Attributes
    ----------
    formula : str
        'two-product formula', 'three-product formula', 'weights, assayed head' or
        'weights, calculated head'.
    recovery, sd : float
        From the measured values alone; sd by first-order propagation.
    reconciled, reconciled_sd : float or None
        What the balance says.
    """

    stream: str
    analyte: str
    formula: str
    recovery: float
    sd: float | None
    reconciled: float | None
    reconciled_sd: float | None


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """Chi-square test of the whole survey; ``consistent`` if p >= alpha. p is None if dof = 0."""

    statistic: float
    dof: int
    p: float | None
    alpha: float
    consistent: bool | None

    @property
    def slightly_off(self) -> bool:
        """Whether numbers do not agree, yet not so badly that chance is out of the question."""
        return self.consistent is False and self.p is not None and self.p >= _CHANCE
