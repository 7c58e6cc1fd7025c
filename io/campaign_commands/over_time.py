"""The work of `oretally campaign FILE trend` and `bias`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.survey import DatedSurvey
from oretally.io.campaign import Campaign, SurveyEntry, open_campaign, when
from oretally.io.campaign_commands.batches import standards_of
from oretally.io.campaign_views import CampaignTrends
from oretally.io.files import readable_name
from oretally.recon.dated_balances import (
    NoDatedBalance,
    Timeline,
    balanced_in_time,
    in_time,
)
from oretally.recon.persistent_bias import CampaignBias, LeftOutSurvey, campaign_bias
from oretally.recon.propagation import global_test
from oretally.recon.trends import (
    AnswerSeries,
    SeriesReader,
    StandardInBatch,
    differences_of_kinds,
    series_of_standards,
    trends_of,
)

__all__ = ["bias_of", "campaign_title", "trends_of_campaign"]

Say = Callable[[str], None]
_ALPHA = 0.05  # chance that of all surveys, if sound, any is said not to agree


@dataclass(frozen=True)
class _Read:
    """The surveys of a campaign as far as they can be read."""

    campaign: Campaign
    surveys: tuple[DatedSurvey, ...]
    entries: tuple[SurveyEntry, ...]
    refused: tuple[NoDatedBalance, ...]


def campaign_title(file: str) -> str:
    """Return what a campaign is called."""
    return readable_name(Path(file.rpartition("/")[2]).stem)


def bias_of(file: str, *, say: Say) -> CampaignBias:
    """Judge what the adjustments of a campaign have in common.

    Raises
    ------
    InputError
        If there is no campaign, or no survey in it.
    """
    read = _read(file, say)
    found = campaign_bias(read.surveys, say=say)
    refused = tuple(LeftOutSurvey(r.label, r.reason) for r in read.refused)
    return found.beside(refused)


def trends_of_campaign(file: str, answers: Sequence[str] = (), *, say: Say) -> CampaignTrends:
    """Judge the answers of a campaign over time; ``answers`` are parts of the names wanted.

    Raises
    ------
    InputError
        If there is no campaign, no survey in it, or no such answer.
    """
    read = _read(file, say)
    timeline = in_time(read.surveys)
    case = read.campaign.case(read.entries[-1])
    reader, left = SeriesReader(timeline, case.feeds, case.products), list(read.refused)
    off, level = list[str](), _ALPHA / len(timeline.surveys)
    for balance in balanced_in_time(timeline):
        if balance.number % 20 == 0:
            say(f"balancing, {balance.number} of {len(timeline.surveys)} surveys")
        if isinstance(balance, NoDatedBalance):
            left.append(balance)
            continue
        try:
            reader.read(balance)
            found = balance.solution
            test = global_test(found.objective, found.classes.degrees_of_freedom, level)
            if test.consistent is False:
                off.append(balance.dated.label)
        except (
            InputError
        ) as error:  # another circuit: streams that the reference needs are not there
            reason = " ".join(str(error.faults[0]).split())
            left.append(NoDatedBalance(balance.number, balance.dated.label, reason))
    say("looking for changes")
    every = (*reader.series(), *series_of_standards(_standards(read, timeline), timeline.clock))
    chosen = _chosen(every, answers, read.campaign.name)
    return CampaignTrends(
        campaign_title(file), file, len(timeline.surveys), trends_of(chosen),
        differences_of_kinds(chosen), tuple(left),
        tuple(_notes(timeline)), disagreeing=tuple(off),
        dates={e.label: when(e) for e in read.entries},
    )  # fmt: skip


def _read(file: str, say: Say) -> _Read:
    campaign = open_campaign(file)
    surveys, entries, refused = list[DatedSurvey](), list[SurveyEntry](), list[NoDatedBalance]()
    for i, (entry, survey, error) in enumerate(campaign.read_surveys()):
        if i % 50 == 0:
            say(f"reading, {i} surveys")
        if survey is not None:
            surveys.append(survey)
            entries.append(entry)
        elif error is not None:
            refused.append(NoDatedBalance(-1, entry.label, error.faults[0].problem))
    if not surveys:
        problem = "There is no survey in the campaign that can be used."
        mend = f"Add some: oretally campaign {campaign.name} add CASE..."
        raise InputError([Fault(problem, mend, Place(file=campaign.name))])
    return _Read(campaign, tuple(surveys), tuple(entries), tuple(refused))


def _chosen(
    every: tuple[AnswerSeries, ...], asked: Sequence[str], file: str
) -> tuple[AnswerSeries, ...]:
    if not asked:
        return every
    found, faults = dict[str, AnswerSeries](), list[Fault]()
    for words in asked:
        own = [s for s in every if words.casefold() in s.name.casefold()]
        found |= {s.name: s for s in own}
        if not own:
            names = ", ".join(s.name for s in every[:12]) or "none, in so few surveys"
            faults.append(
                Fault(f"No answer over time is called '{words}'.", f"There are: {names}.",
                      Place(file=file))
            )  # fmt: skip
    if faults:
        raise InputError(faults)
    return tuple(s for s in every if s.name in found)


def _standards(read: _Read, timeline: Timeline) -> list[StandardInBatch]:
    number = {s.label: i for i, s in enumerate(timeline.surveys)}
    rows = list[StandardInBatch]()
    for entry, batches in standards_of(read.campaign, read.entries):
        at = number[entry.label]
        rows += [StandardInBatch(at, entry.label, timeline.time[at], *batch) for batch in batches]
    return sorted(rows, key=lambda row: row.number)


def _notes(timeline: Timeline) -> list[str]:
    if timeline.clock == "days":
        return []
    return ["Surveys stand in the order in which they were added: not all of them have a time."]
