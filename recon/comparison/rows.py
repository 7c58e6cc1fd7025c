"""A comparison of tests as named rows: every answer in two arms, and what can be said of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from oretally.recon.answers import AnswerName
from oretally.recon.comparison.in_common import BalancedTest, InCommon

__all__ = ["Comparison", "Difference", "LeftOut", "Verdict"]


class Verdict(StrEnum):
    """What can be said of a difference."""

    REAL = "real"
    SLIGHT = "real, smaller than asked"
    OPEN = "not decided"
    SMALL = "smaller than asked"


@dataclass(frozen=True, slots=True)
class Difference:
    """One answer in two arms; numbers in ``unit``, differences as second minus first.

    Attributes
    ----------
    answer : AnswerName
    first, second : int
        Numbers of the arms.
    first_value, first_sd, second_value, second_sd : float
    difference, sd : float
    apart_sd : float
        The sd as it would be if nothing were common.
    between_sd : float or None
        Scatter between equal tests beyond their stated errors, one sd; None without repeats.
    dof : float
        Degrees of freedom; infinite without repeats.
    p : float
        Chance of a difference at least this large, either way, if there is none.
    scaled_sd, scaled_p : float or None
        With the stated errors of tests that are not consistent scaled up by the root of their
        variance factor; None if all are consistent. Where they are there, they decide.
    p_together : float
        p that decides, corrected for the number of answers looked at together (Holm), those of
        whole streams and of size classes.
    low, high : float
        Limits of the difference, for this answer alone, by the sd that decides.
    verdict : Verdict
    size : float
        Difference that repeats should tell: the least of interest, else the one seen.
    level : float
        Level of this answer by itself, such that all answers keep theirs together (Bonferroni).
    tests : int or None
        Tests of each arm with which ``size`` would be found real at that level with a chance of
        80 %, more than there were if these did not decide; None if a thousand would not do.
    common_sd : float
        What is left of the sd however often the tests are repeated.
    mirror_of : AnswerName or None
        Earlier answer that says the same but for sign and scale.
    """

    answer: AnswerName
    unit: str
    first: int
    second: int
    first_value: float
    first_sd: float
    second_value: float
    second_sd: float
    difference: float
    sd: float
    apart_sd: float
    between_sd: float | None
    dof: float
    p: float
    scaled_sd: float | None
    scaled_p: float | None
    p_together: float
    low: float
    high: float
    verdict: Verdict
    size: float
    level: float
    tests: int | None
    common_sd: float
    mirror_of: AnswerName | None = None

    @property
    def real(self) -> bool:
        """Whether it is real, be it large or slight."""
        return self.verdict in (Verdict.REAL, Verdict.SLIGHT)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An answer that was not compared, and why."""

    answer: AnswerName
    reason: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Arms of tests against each other.

    Attributes
    ----------
    arms : tuple of tuple of BalancedTest
    common : InCommon
    differences : tuple of Difference
    left_out : tuple of LeftOut
    alpha : float
    least : float or None
        Least difference of interest, in percentage points, of answers that are shares of the feed.
    together, together_by_size : int
        Different answers looked at together: of whole streams, by size.
    alpha_whole, alpha_by_size : float
        What of ``alpha`` goes to these and to those; together it is ``alpha``.
    """

    arms: tuple[tuple[BalancedTest, ...], ...]
    common: InCommon
    differences: tuple[Difference, ...]
    left_out: tuple[LeftOut, ...]
    alpha: float
    least: float | None
    together: int
    together_by_size: int
    alpha_whole: float
    alpha_by_size: float

    @property
    def tests(self) -> tuple[BalancedTest, ...]:
        """All tests, arm by arm."""
        return self.common.tests

    @property
    def repeated(self) -> bool:
        """Whether an arm has repeats."""
        return len(self.tests) > len(self.arms)

    def arm_label(self, number: int) -> str:
        """Return what an arm is called."""
        arm = self.arms[number]
        return arm[0].label + (f" and {len(arm) - 1} more" if len(arm) > 1 else "")
