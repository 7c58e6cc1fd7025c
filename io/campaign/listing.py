"""A campaign on one screen: its surveys; one survey with its history and decisions."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.io.campaign.entries import Decision, SurveyEntry
from oretally.io.campaign.store import Campaign
from oretally.io.wording import ResultTable, Terminal

__all__ = ["listed_surveys", "of_measurement", "survey_list", "survey_story", "when"]


def when(entry: SurveyEntry) -> str:
    """Return the time of a survey as it is shown: without a clock if it has only a date."""
    if entry.time is None:
        return ""
    text = entry.time.isoformat(sep=" ", timespec="minutes")
    return text.removesuffix(" 00:00")


def of_measurement(decision: Decision) -> str:
    """Return what a decision is of, as the commands have it; empty for the whole survey."""
    return f"{decision.stream}:{decision.quantity}" if decision.stream else ""


def survey_list(campaign: Campaign, terminal: Terminal, *, every: bool) -> str:
    """Return the surveys, a line each: those that count, or every one."""
    listed = listed_surveys(campaign, every=every)
    entries = [e for e, _ in listed]
    if not entries:
        return "There is no survey in the campaign yet.\n"
    rows = [(e.label, when(e), e.kind, standing) for e, standing in listed]
    table = ResultTable("Surveys", ("survey", "time", "kind", ""), tuple(rows), 3, 1).trimmed
    circuits = len({e.circuit for e in entries})
    many = f"{len(entries)} survey{'s' * (len(entries) > 1)}"
    last = f"{many} of {circuits} circuits." if circuits > 1 else f"{many} of one circuit."
    return "\n".join([*terminal.plain(table), "", last, ""])


def listed_surveys(campaign: Campaign, *, every: bool = False) -> list[tuple[SurveyEntry, str]]:
    """Return the surveys in order of time, each with what became of it in words."""
    out, decided = campaign.left_out(), [d.survey for d in campaign.decisions()]
    rows = []
    for e in campaign.entries(every=every):
        left = out.get(e.number, frozenset())
        words = []
        if not e.current:
            words.append("corrected since")
        elif e.supersedes is not None:
            words.append("a correction")
        if ("", "") in left:
            words.append("left out")
        elif left:
            words.append(f"{len(left)} measurement{'s' * (len(left) > 1)} left out")
        elif e.number in decided:
            words.append("decisions")
        rows.append((e, "; ".join(words)))
    return rows


def survey_story(
    entry: SurveyEntry, history: Sequence[SurveyEntry], decisions: Sequence[Decision],
    terminal: Terminal,
) -> str:  # fmt: skip
    """Return where a survey is from, what it corrects, and what was decided on it."""
    lines = [terminal.bold(", ".join(part for part in (entry.label, when(entry), entry.kind)
                                     if part))]  # fmt: skip
    for one in history:
        by = f" by {one.added_by}" if one.added_by else ""
        what = "corrected" if one.supersedes is not None else "added"
        why = f": {one.why}" if one.why else ""
        place = f", {one.place}" if one.place else ""
        lines += terminal.sentence(what, f"{one.added_at[:10]}{by}, from {one.source}{place}{why}")
    numbers = {one.number for one in history}
    for d in (d for d in decisions if d.survey in numbers):
        of = f" {of_measurement(d)}" if d.stream else ""
        by = f" by {d.by}" if d.by else ""
        old = "" if d.survey == entry.number else " (before it was corrected)"
        lines += terminal.sentence("decided", f"{d.at[:10]}{by}: {d.what}{of}: {d.why}{old}")
    return "\n".join([*lines, ""])
