"""What many surveys say of their errors, as named rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from oretally.recon.result import ErrorPlace, Estimate
from oretally.recon.trends import ChangeKind, Cusum

__all__ = [
    "CampaignBias", "CusumRow", "ErrorForm", "JudgedError", "LeftOutSurvey", "OneTimeError",
    "OtherBias", "PersistentBias",
]  # fmt: skip


class ErrorForm(StrEnum):
    """What stays the same from survey to survey while an error persists."""

    SCALE = "scale"
    """A share of the true value: a scale that reads 2 % high."""
    OFFSET = "offset"
    """An amount: a scale that is not at zero when empty."""
    LOSS = "loss"
    """A share of what passes a node."""
    SOURCE = "source"
    """A shared source of error, in its own sd."""


@dataclass(frozen=True, slots=True)
class OtherBias:
    """An error that would explain the same surveys, in ``unit``.

    ``exact`` if its signatures are the same, so that no survey of this kind could tell it apart;
    else the surveys so far do not decide.
    """

    place: ErrorPlace
    form: ErrorForm
    unit: str
    size: Estimate
    exact: bool


@dataclass(frozen=True, slots=True)
class PersistentBias:
    """An error that stays: reading minus true value, in ``unit``: 'rel %' of a share of the value.

    Attributes
    ----------
    place : ErrorPlace
    form : ErrorForm
    unit : str
    change : ChangeKind
        A level since a survey, or a drift from 0 at the first survey.
    size : Estimate
        From ``since`` on; of a drift at the last survey.
    since : int
        Place in the timeline of the first survey with it.
    places : (int, int)
        First and last ``since`` that the data allow (95 %).
    until : int or None
        Place of the last survey with it, if it ended.
    p : float
        Chance of one so strong in a sound campaign, whatever was looked at.
    n_surveys : int
        Surveys that see it.
    others : tuple of OtherBias
        What cannot be told apart from it, the likeliest first.
    """

    place: ErrorPlace
    form: ErrorForm
    unit: str
    change: ChangeKind
    size: Estimate
    since: int
    places: tuple[int, int]
    until: int | None
    p: float
    n_surveys: int
    others: tuple[OtherBias, ...]


@dataclass(frozen=True, slots=True)
class OneTimeError:
    """A number that was badly wrong in one survey: it takes no part in what is said of the others.

    ``statistic`` is how far it stood off, in sd; ``group`` what its balance cannot tell from it,
    unless the other surveys make it 20 times less likely.
    """

    number: int
    label: str
    group: tuple[ErrorPlace, ...]
    statistic: float


@dataclass(frozen=True, slots=True)
class JudgedError:
    """A stated error against the adjustments of many surveys.

    Attributes
    ----------
    places : tuple of ErrorPlace
        One, or several that no data can tell apart: then the factor is that of all of them.
    unit : str
        'rel %' where the stated error is a share of the value, else its unit.
    stated : float
        One sd, as stated: the middle one of all surveys.
    factor : float
        Estimated over stated sd.
    factor_sd : float or None
        To first order; None at 0.
    low, high : float or None
        95 % limits of the factor by the likelihood, where it was asked for.
    p : float
        Chance of what was seen if the stated error is right.
    p_together : float
        Corrected for all errors that were judged (Holm).
    n_surveys : int
    """

    places: tuple[ErrorPlace, ...]
    unit: str
    stated: float
    factor: float
    factor_sd: float | None
    low: float | None
    high: float | None
    p: float
    p_together: float
    n_surveys: int

    @property
    def wrong(self) -> bool:
        """Whether another error is proposed."""
        return self.low is not None


@dataclass(frozen=True, slots=True)
class CusumRow:
    """Cumulative sums of the standardised adjustments of one measurement, survey by survey.

    ``numbers`` are the surveys that see it; a positive sum means it reads high.
    """

    place: ErrorPlace
    numbers: tuple[int, ...]
    standardised: tuple[float, ...]
    mean: float
    sums: Cusum


@dataclass(frozen=True, slots=True)
class LeftOutSurvey:
    """A survey without a balance or without any check, and why."""

    label: str
    reason: str


@dataclass(frozen=True, slots=True)
class CampaignBias:
    """What the adjustments of a campaign say.

    Attributes
    ----------
    labels : tuple of str
        Of all surveys, in the order of time.
    n_used : int
        Surveys with at least one check.
    biases : tuple of PersistentBias
        The strongest first.
    one_time : tuple of OneTimeError
    errors : tuple of JudgedError
    unjudged : tuple of ErrorPlace
        Stated errors that too little is seen of to judge them.
    unseen : tuple of ErrorPlace
        Whose errors change no balance of any survey.
    cusums : tuple of CusumRow
    left_out : tuple of LeftOutSurvey
    statistic, dof : float, int
        Sum of the squared adjustments that are left, in stated sd; what it is expected to be.
    p : float
        Chance of a sum so large or so small if all stated errors are right.
    alpha : float
    detectable : tuple of (ErrorPlace, float, str)
        Least error of each measurement that would be found with a chance of 80 %, had it been there
        in all surveys.
    """

    labels: tuple[str, ...]
    n_used: int
    biases: tuple[PersistentBias, ...]
    one_time: tuple[OneTimeError, ...]
    errors: tuple[JudgedError, ...]
    unjudged: tuple[ErrorPlace, ...]
    unseen: tuple[ErrorPlace, ...]
    cusums: tuple[CusumRow, ...]
    left_out: tuple[LeftOutSurvey, ...]
    statistic: float
    dof: int
    p: float
    alpha: float
    detectable: tuple[tuple[ErrorPlace, float, str], ...]

    def beside(self, left_out: Sequence[LeftOutSurvey]) -> CampaignBias:
        """Return the same with more surveys that could not be used, the first of them."""
        return replace(self, left_out=(*left_out, *self.left_out))

    @property
    def proposals(self) -> tuple[JudgedError, ...]:
        """Stated errors for which another one is proposed."""
        return tuple(e for e in self.errors if e.wrong)

    @property
    def factor(self) -> float | None:
        """Root of the mean square of all adjustments, in stated sd; None without any check."""
        return (self.statistic / self.dof) ** 0.5 if self.dof else None
