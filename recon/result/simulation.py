"""Rows of a simulation: what many drawn surveys say of each answer of a balance."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from oretally.flowsheet.arrays import Bools, Floats

__all__ = ["COVERAGE", "AnswerKind", "BalanceAnswer", "Interval", "SimulatedAnswer", "Simulation",
           "Validation"]  # fmt: skip

COVERAGE = 0.95
"""Coverage probability of the limits."""
_CONSTANT = 1e-8  # of the value: a spread below it is rounding


class AnswerKind(StrEnum):
    """What an answer is."""

    RECOVERY = "recovery"
    YIELD = "yield"
    RATIO = "ratio of concentration"
    ENRICHMENT = "enrichment"
    EXTRACTION = "extraction"
    TAKEN_UP = "taken up"
    DISSOLVED = "dissolved solids"
    VALUE = "value"

    def named(self, of: str, quantity: str = "") -> str:
        """Return an answer of this kind in a few words.

        Examples
        --------
        >>> AnswerKind.RECOVERY.named("conc", "Sn"), AnswerKind.YIELD.named("conc")
        ("recovery of Sn to 'conc'", "yield of 'conc'")
        """
        return {
            AnswerKind.RECOVERY: f"recovery of {quantity} to '{of}'",
            AnswerKind.YIELD: f"yield of '{of}'",
            AnswerKind.RATIO: f"ratio of concentration of '{of}'",
            AnswerKind.ENRICHMENT: f"enrichment of {quantity} in '{of}'",
            AnswerKind.EXTRACTION: f"extraction of {quantity} at '{of}'",
            AnswerKind.TAKEN_UP: f"share of {quantity} taken up at '{of}'",
            AnswerKind.DISSOLVED: f"share of solids dissolved at '{of}'",
            AnswerKind.VALUE: f"{quantity} of '{of}'",
        }[self]


@dataclass(frozen=True, slots=True)
class BalanceAnswer:
    """One answer of a balance.

    Attributes
    ----------
    kind : AnswerKind
    of : str
        Stream; of what happens at a leach its node.
    quantity : str
        Analyte or quantity; empty for yield, ratio of concentration and solids that dissolve.
    unit : str
        Empty for a ratio.
    value, sd : float
        Adjusted, and its sd to first order; the latter None where there is none.
    product : bool
        Whether it is of a reported product, or of a leach.
    """

    kind: AnswerKind
    of: str
    quantity: str
    unit: str
    value: float
    sd: float | None
    product: bool

    @property
    def name(self) -> str:
        """Return it in a few words."""
        return self.kind.named(self.of, self.quantity)


class Interval(NamedTuple):
    """Ends of an interval; infinite where there is no limit."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Validation:
    """Whether y +- U of first order agrees with a simulated interval (JCGM 101, clause 8.1).

    Attributes
    ----------
    delta : float
        Numerical tolerance of u.
    low_off, high_off : float
        d_low and d_high: how far the ends are apart.
    valid : bool or None
        None where the scatter of the simulated ends could turn the verdict: more samples tell.
    """

    delta: float
    low_off: float
    high_off: float
    valid: bool | None


@dataclass(frozen=True, slots=True)
class SimulatedAnswer:
    """What the draws say of one answer, in its unit.

    Attributes
    ----------
    answer : BalanceAnswer
        With its value and its sd to first order.
    draws : int
        Draws that balanced and in which there is such an answer: a stream that stands still has no
        grade.
    mean, sd : float or None
        None where a draw has no finite answer.
    symmetric, shortest : Interval or None
        95 %: from the 2.5 to the 97.5 % quantile, and the shortest; an end is infinite where there
        is no limit. None where there are fewer than 40 draws.
    validation : Validation or None
        Of value +- 1.96 sd to first order against the symmetric one; None where there is no sd.
    """

    answer: BalanceAnswer
    draws: int
    mean: float | None
    sd: float | None
    symmetric: Interval | None
    shortest: Interval | None
    validation: Validation | None

    @property
    def constant(self) -> bool:
        """Whether errors do not touch it: all of the feed leaves in the only product."""
        ends = self.symmetric
        return ends is not None and ends.high - ends.low <= _CONSTANT * abs(self.answer.value)

    @property
    def valid(self) -> bool | None:
        """Whether the +- of first order holds; None where that is open or there is none."""
        return None if self.validation is None else self.validation.valid


@dataclass(frozen=True, eq=False)
class Simulation:
    """Answers of many drawn surveys.

    Attributes
    ----------
    rows : tuple of SimulatedAnswer
        What the draws say, answer by answer of the balance about which was drawn.
    values : ndarray, shape (draws, n_answers)
        In the units of the answers. NaN where a draw has no such answer, and in the rows of draws
        that did not balance.
    converged : ndarray of bool, shape (draws,)
    """

    rows: tuple[SimulatedAnswer, ...]
    values: Floats
    converged: Bools

    @property
    def draws(self) -> int:
        """How many surveys were drawn."""
        return self.converged.size

    @property
    def failed(self) -> int:
        """How many of them did not balance: they are in no figure."""
        return int((~self.converged).sum())
