"""A period of a campaign: its surveys chosen and balanced together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import DatedSurvey
from oretally.io.campaign import Campaign
from oretally.io.periods.dates import Span
from oretally.recon.periods import Period, SurveyLeftOut, balance_period
from oretally.recon.persistent_bias import CampaignBias, campaign_bias

__all__ = ["period_of"]

_MOST = 200  # surveys in which it is looked for what stays: that takes 15 ms each


def period_of(
    campaign: Campaign, span: Span, *, by: str | None, common: Sequence[str], stood_still: bool,
    hours: float | None,
) -> tuple[Period, str]:  # fmt: skip
    """Return the period and the title of the campaign.

    Feed, products and what is lost are those of the last survey of the period.

    Raises
    ------
    InputError
        If a source of error that is named is in no survey, or surveys cannot be read any more.
    NotBalanceable
        If nothing can be balanced.
    """
    surveys = campaign.dated_surveys()
    there = [
        s for s in surveys
        if s.time is not None
        and (span.begin is None or s.time.replace(tzinfo=None) >= span.begin)
        and (span.end is None or s.time.replace(tzinfo=None) < span.end)
    ]  # fmt: skip
    if not there:
        raise InputError([_nothing(campaign, surveys, span)])
    _require_known(common, there)
    case = campaign.case(campaign.entry(there[-1].label))
    found = balance_period(
        surveys, name=span.name, begin=span.begin, end=span.end, by=by, feed=case.feeds,
        products=case.products, lost=case.lost, common=frozenset(common), stood_still=stood_still,
        hours=hours, left_out=_left_out(campaign),
    )  # fmt: skip
    if found.test.consistent is False and len(surveys) <= _MOST:
        found = replace(found, persistent=_that_stays(surveys, there))
    return found, case.title


def _that_stays(surveys: Sequence[DatedSurvey], there: Sequence[DatedSurvey]) -> CampaignBias:
    """Return what stays in the surveys of a campaign, of its errors those in some of them."""
    found, some = campaign_bias(surveys), {s.label for s in there}
    own = [i for i, label in enumerate(found.labels) if label in some]
    biases = tuple(b for b in found.biases
                   if b.since <= max(own) and (b.until is None or min(own) <= b.until))  # fmt: skip
    return replace(found, biases=biases)


def _left_out(campaign: Campaign) -> list[SurveyLeftOut]:
    """Return the surveys that are left out by decision."""
    out = campaign.left_out()
    return [SurveyLeftOut(e.label, "left out by decision", e.time) for e in campaign.entries()
            if ("", "") in out.get(e.number, ())]  # fmt: skip


def _nothing(campaign: Campaign, surveys: Sequence[DatedSurvey], span: Span) -> Fault:
    times = [s.time for s in surveys if s.time is not None]
    mend = "Give the surveys times: a column 'time', or add --time."
    if times:
        mend = f"Its surveys are from {min(times):%Y-%m-%d} to {max(times):%Y-%m-%d}."
    return Fault(f"There is no survey in '{span.name}'.", mend, Place(file=campaign.name))


def _require_known(names: Sequence[str], surveys: Sequence[DatedSurvey]) -> None:
    known = dict.fromkeys(
        p.source for s in surveys for m in s.survey.measurements for p in m.parts
        if p.source != "stated error"
    )  # fmt: skip
    faults = [
        Fault(f"No survey of the period has a source of error '{name}'.",
              did_you_mean(name, list(known), "Sources"), Place(cell="option --common"))
        for name in names if name not in known
    ]  # fmt: skip
    if faults:
        raise InputError(faults)
