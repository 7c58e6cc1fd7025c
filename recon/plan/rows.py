"""A plan of measurements as named rows: candidates, prices, readings, options."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oretally.flowsheet import Position, Unit
from oretally.recon.plan.point_answers import PlanAnswer

__all__ = [
    "Candidate",
    "Declared",
    "MeasurementPlan",
    "NextBest",
    "Option",
    "PlannedReading",
    "Prices",
]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A measurement that can be had, or that is there.

    Attributes
    ----------
    stream, quantity : str
    unit : Unit
    place : Position
    value : float
        At the point, in ``unit``.
    own, stays : float
        Sd of one reading, and what repeats do not lessen, in base units.
    shared : mapping of (str, str) to float
        Shared sources of error, and what one sd of each adds, in base units.
    today : int
        Readings that are there.
    most : int
        Readings that can be had; 0 for none.
    price : float
    method : str
        Of measuring; empty for the usual one.
    """

    stream: str
    quantity: str
    unit: Unit
    place: Position
    value: float
    own: float
    stays: float
    shared: Mapping[tuple[str, str], float]
    today: int
    most: int
    price: float
    method: str = ""


@dataclass(frozen=True, slots=True)
class Declared:
    """A value that is known without measuring, such as a loss of 0 ± 60 t: where, and its sd."""

    place: Position
    sd: float


@dataclass(frozen=True, slots=True)
class Prices:
    """What else is charged.

    Attributes
    ----------
    least_charge : mapping of (str, str) to float
        Of each quantity by a method, in any case, if it is measured so at all.
    sample : mapping of str to float
        Of the sample of each stream; weighing needs none.
    """

    least_charge: Mapping[tuple[str, str], float]
    sample: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class PlannedReading:
    """A line of a plan: stream, quantity, method, how often, sd of the mean in ``unit``."""

    stream: str
    quantity: str
    unit: str
    value: float
    times: int
    new: int
    sd: float
    method: str = ""


@dataclass(frozen=True, slots=True)
class Option:
    """A plan.

    Attributes
    ----------
    budget : float or None
        Within which it is the best.
    cost : float
    readings : tuple of PlannedReading
    sds : tuple of float or None
        Of each answer, in its unit; None where it is not determined.
    gap : float
        By how much, as a share, a better plan's criterion may still be lower; 0 if proven best.
    unpriced : int
        Numbers that are not to be had at any price, and not in the cost: only of today's plan.
    """

    budget: float | None
    cost: float
    readings: tuple[PlannedReading, ...]
    sds: tuple[float | None, ...]
    gap: float = 0.0
    unpriced: int = 0


@dataclass(frozen=True, slots=True)
class NextBest:
    """One more reading on top of today's plan.

    Attributes
    ----------
    stream, quantity, method : str
    cost : float
    sds : tuple of float or None
    gain : float or None
        By how much the mean relative variance falls, as a share; None if some answer is known only
        with it.
    """

    stream: str
    quantity: str
    method: str
    cost: float
    sds: tuple[float | None, ...]
    gain: float | None


@dataclass(frozen=True, slots=True)
class MeasurementPlan:
    """What was found.

    Attributes
    ----------
    answers : tuple of PlanAnswer
    never : tuple of str
        Answers asked for that nothing on offer determines; they are left out of the others.
    today : Option or None
        None if nothing is measured.
    best : Option or None
        None if no plan within the budget determines every answer.
    curve : tuple of Option
        The best plans at several budgets.
    least : Option or None
        The cheapest plan found that determines every answer.
    more : tuple of NextBest
        The next best single readings, the best for its price first.
    identifiable : Option or None
    identifiable_proven : bool
        Whether no cheaper one can be.
    budget : float
    keep : bool
        Whether today's readings count and cost nothing.
    """

    answers: tuple[PlanAnswer, ...]
    never: tuple[str, ...]
    today: Option | None
    best: Option | None
    curve: tuple[Option, ...]
    least: Option | None
    more: tuple[NextBest, ...]
    identifiable: Option | None
    identifiable_proven: bool
    budget: float
    keep: bool
