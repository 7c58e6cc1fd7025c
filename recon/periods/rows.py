"""Rows of a period: sums as measured and as balanced, what is unaccounted for, what was left out.

Absent is not zero: a number that the data do not give is None. ``sd`` is one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from oretally.recon.other_surveys import FarNumber
from oretally.recon.periods.calendar import Gap
from oretally.recon.periods.shifts import SameReading
from oretally.recon.persistent_bias import CampaignBias
from oretally.recon.result import GlobalTest

__all__ = [
    "CLOSING_STOCK",
    "FED",
    "LOST",
    "OPENING_STOCK",
    "PRODUCED",
    "STOCK_CHANGE",
    "Period",
    "PeriodAmount",
    "PeriodPart",
    "PeriodRecovery",
    "PeriodShare",
    "PeriodShift",
    "PeriodSuspect",
    "SurveyLeftOut",
    "Unaccounted",
]

FED, PRODUCED, LOST = "fed", "produced", "lost"
OPENING_STOCK, CLOSING_STOCK, STOCK_CHANGE = "opening stock", "closing stock", "change in stock"


@dataclass(frozen=True, slots=True)
class PeriodShare:
    """What one source of error adds to the variance of an answer: ``share``; all together are 1.

    Attributes
    ----------
    source : str
        Name of the source, or 'stated error'.
    of : str
        Quantity and stream of a reading; the quantity of a source that shifts share.
    shared : bool
        Whether several shifts have the same error from it.
    """

    source: str
    of: str
    shared: bool
    share: float


@dataclass(frozen=True, slots=True)
class PeriodAmount:
    """One amount, in ``unit``.

    Attributes
    ----------
    item : str
        'fed', 'produced', 'lost'; or 'opening stock', 'closing stock', 'change in stock'.
    where : str
        Stream, or stockpile.
    quantity : str
        The flow quantity, or the analyte.
    check_in, check_in_sd : float or None
        The sum as measured, shift by shift, and its sd with the errors that shifts share.
    not_in : tuple of str
        Surveys that are missing in it, since a number was not measured there.
    by_difference : bool
        Whether it takes a flow that was not measured as what the flows around it leave; of a change
        in stock, whether it is closing less opening stock, since not all flows are known.
    check_out, check_out_sd : float or None
        The sum as balanced.
    apart_sd : float or None
        What that sd would be if every shift had all its errors for itself.
    not_out : tuple of str
        Surveys that are missing in it, since their measurements do not determine it.
    ounces : float or None
        One of the unit in troy ounces, for precious metals.
    shares : tuple of PeriodShare
        Of the variance of check-out, the largest first.
    """

    item: str
    where: str
    quantity: str
    unit: str
    check_in: float | None
    check_in_sd: float | None
    not_in: tuple[str, ...]
    by_difference: bool
    check_out: float | None
    check_out_sd: float | None
    apart_sd: float | None
    not_out: tuple[str, ...]
    ounces: float | None = None
    shares: tuple[PeriodShare, ...] = ()


@dataclass(frozen=True, slots=True)
class PeriodRecovery:
    """The recovery of an analyte to a product, in percent of what was fed; as `PeriodAmount`."""

    stream: str
    analyte: str
    kept: bool
    check_in: float | None
    check_in_sd: float | None
    not_in: tuple[str, ...]
    check_out: float | None
    check_out_sd: float | None
    apart_sd: float | None
    not_out: tuple[str, ...]
    shares: tuple[PeriodShare, ...] = ()


@dataclass(frozen=True, slots=True)
class Unaccounted:
    """What went in, less what came out and what the stock grew by, as measured.

    Attributes
    ----------
    where : str
        A stockpile, or 'the whole circuit'.
    amount, sd : float or None
        In ``unit``; None if a number is missing.
    share : float or None
        Percent of what went in.
    explained : bool or None
        Whether the stated errors explain it: at most 1.96 sd.
    missing : tuple of str
        What was not measured, so that it is not known.
    """

    where: str
    quantity: str
    unit: str
    amount: float | None
    sd: float | None
    share: float | None
    explained: bool | None
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PeriodPart:
    """Amounts and recoveries of a day, a week, a month, or the whole.

    Attributes
    ----------
    name : str
    labels : tuple of str
        Surveys that are in it.
    """

    name: str
    labels: tuple[str, ...]
    amounts: tuple[PeriodAmount, ...]
    recoveries: tuple[PeriodRecovery, ...]


@dataclass(frozen=True, slots=True)
class SurveyLeftOut:
    """A survey of the period that is in no sum, and why; ``time`` is None if it has none."""

    label: str
    reason: str
    time: datetime | None


@dataclass(frozen=True, slots=True)
class PeriodShift:
    """A survey of the period, balanced by itself.

    Attributes
    ----------
    test : GlobalTest
        Of it alone.
    doubtful : bool
        Whether it disagrees by more than the largest of so many would by chance.
    """

    label: str
    time: datetime
    test: GlobalTest
    doubtful: bool


@dataclass(frozen=True, slots=True)
class PeriodSuspect:
    """A number of one survey that may be the one that is wrong, in ``unit``.

    Attributes
    ----------
    label, stream, quantity : str
    probability : float
        That it is this one, if one number alone is wrong.
    measured : float
    meant, meant_sd : float
        What all other numbers of the period say of it.
    usual : (int, float, float) or None
        Of how many other surveys of the campaign it was measured, the least and the most of them.
    test : GlobalTest
        Of all shifts together without it.
    slip : str
        What may have happened to it, where that is likelier than an error of any size; else empty.
    fits : float or None
        What it was meant to be then; None of a wet mass, whose moisture nobody knows.
    """

    label: str
    stream: str
    quantity: str
    unit: str
    probability: float
    measured: float
    meant: float
    meant_sd: float
    usual: tuple[int, float, float] | None
    test: GlobalTest
    slip: str = ""
    fits: float | None = None


@dataclass(frozen=True)
class Period:
    """Shifts balanced together.

    Attributes
    ----------
    name : str
    whole : PeriodPart
    parts : tuple of PeriodPart
        Days, weeks or months of it, if asked for.
    shifts : tuple of PeriodShift
        That were balanced.
    left_out : tuple of SurveyLeftOut
    gaps : tuple of Gap
    carried_over_gaps : bool
        Whether stocks were handed on over them.
    interrupted : tuple of (str, str)
        Shifts one after the other between which something is missing: no stock is handed on.
    once : tuple of SameReading
    handed_on : int
        Stocks handed on from one shift to the next.
    unaccounted : tuple of Unaccounted
    test : GlobalTest
        Of all shifts together.
    suspects : tuple of PeriodSuspect
        Where the numbers do not agree: which one may be wrong, the likeliest first.
    within_surveys : tuple of str
        Sources that measurements of one survey share, and surveys do not: is that so?
    between_surveys : tuple of str
        Sources that surveys share.
    feeds, kept, lost : tuple of str
        'analyte: stream' is kept or lost, for products of which that differs by analyte.
    hours : float or None
        How long each shift ran, for rates.
    without_sizes : tuple of str
        Shifts with sieve analyses, which are not used.
    far : tuple of FarNumber
        Numbers far from the same of all other surveys, the farthest first.
    persistent : CampaignBias or None
        Where the numbers do not agree: what stays in all surveys of the campaign, of its errors
        those that are there in the period; None if that was not looked for.
    """

    name: str
    whole: PeriodPart
    parts: tuple[PeriodPart, ...]
    shifts: tuple[PeriodShift, ...]
    left_out: tuple[SurveyLeftOut, ...]
    gaps: tuple[Gap, ...]
    carried_over_gaps: bool
    interrupted: tuple[tuple[str, str], ...]
    once: tuple[SameReading, ...]
    handed_on: int
    unaccounted: tuple[Unaccounted, ...]
    test: GlobalTest
    suspects: tuple[PeriodSuspect, ...]
    within_surveys: tuple[str, ...]
    between_surveys: tuple[str, ...]
    feeds: tuple[str, ...]
    hours: float | None = None
    without_sizes: tuple[str, ...] = ()
    far: tuple[FarNumber, ...] = ()
    persistent: CampaignBias | None = None

    @property
    def n_missing(self) -> int:
        """About how many shifts were not surveyed, by their times; 0 if the plant stood still."""
        return 0 if self.carried_over_gaps else sum(g.missing for g in self.gaps)
