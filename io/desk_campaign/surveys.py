"""The surveys of a campaign: listed, judged one by one as `campaign show` does, taken out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oretally.flowsheet import InputError, NotBalanceable
from oretally.io.campaign import (
    Campaign,
    Decision,
    listed_surveys,
    open_campaign,
    when,
)
from oretally.io.campaign_commands import balanced_survey, usual_readings
from oretally.io.desk_files import GivenCase, given_case
from oretally.io.files import digest
from oretally.io.first_page import (
    NOT_YET,
    SOUND,
    extracted_figures,
    in_the_report,
    kept_figures,
    kept_sentences,
    short_suspect,
    verdict_sentences,
)
from oretally.io.wording import is_quiet, listed
from oretally.recon.result import Balance

__all__ = ["TakenOut", "judged", "survey_list_rows", "survey_taken_out"]


@dataclass(frozen=True)
class TakenOut:
    """A survey as a case.

    Attributes
    ----------
    given : GivenCase
        As it was given.
    number : int
        Of the survey in its campaign.
    without : tuple of str
        What is left out by decision, as behind the option --without.
    story : str
        What it is, and what of it counts.
    """

    given: GivenCase
    number: int
    without: tuple[str, ...]
    story: str


def survey_list_rows(campaign: Campaign) -> list[dict[str, Any]]:
    """Return the surveys in order of time, as `campaign list` has them, with their decisions."""
    decisions, out = campaign.decisions(), campaign.left_out()
    current = listed_surveys(campaign)
    every = [f"{entry.hash} {sorted(out.get(entry.number, ()))}" for entry, _ in current]
    # what an answer hangs on, that of the other surveys too: as long as it is the same, so is that
    key = digest("\n".join(every).encode())
    return [
        {
            "label": entry.label,
            "time": when(entry),
            "kind": entry.kind,
            "standing": standing,
            "decided": [_decided(d) for d in decisions if d.survey == entry.number],
            "key": key,
        }
        for entry, standing in current
    ]  # fmt: skip


def _decided(decision: Decision) -> str:
    of = f" {decision.quantity} of '{decision.stream}'" if decision.stream else ""
    by = f" by {decision.by}" if decision.by else ""
    return f"{decision.at[:10]}{by}: {decision.what}{of and ':'}{of}: {decision.why}"


def judged(
    campaign: Campaign, labels: Sequence[str], say: Callable[..., None]
) -> Iterator[dict[str, Any]]:
    """Yield what each survey comes to; ``say`` is told which is at work."""
    others = usual_readings(campaign)
    for i, label in enumerate(labels, start=1):
        say(f"balancing '{label}', {i} of {len(labels)}")
        try:
            _, balance = balanced_survey(campaign, campaign.entry(label), others)
        except InputError as error:
            found = _no_balance(error.faults[0].problem)
        except NotBalanceable as error:
            found = _no_balance(error.reason)
        else:
            found = _found(balance)
        yield {"label": label, **found}


def _no_balance(why: str) -> dict[str, Any]:
    return {"level": "fault", "brief": "No balance", "why": why, "recovered": [], "yet": ""}


def _found(balance: Balance) -> dict[str, Any]:
    verdict = verdict_sentences(balance)
    if not balance.converged:
        return _no_balance(" ".join(verdict))
    sound = verdict[0].startswith(SOUND)
    begin = min(verdict[0].find(mark) for mark in ":.," if mark in verdict[0])
    told = kept_sentences(balance)
    figures = [
        *((f"Recovered: {analyte} in {listed(streams)}", figure)
          for analyte, streams, figure in kept_figures(balance)),
        *((f"Extracted: {analyte} at {node}", figure)
          for analyte, node, figure in extracted_figures(balance)),
    ]  # fmt: skip
    why = [_suspect(balance) or ("" if sound else " ".join(verdict))]
    why += told if not figures else ()
    return {
        "level": "sound" if sound else "doubt",
        "brief": verdict[0][:begin],
        "why": in_the_report(" ".join(filter(None, why)), "in the report"),
        "recovered": [{"of": of, "figure": figure} for of, figure in figures],
        "yet": NOT_YET.rstrip(".").lower() if told and told[0].startswith(NOT_YET) else "",
    }


def _suspect(balance: Balance) -> str:
    """Return the likeliest wrong number in short words; empty if none stands out."""
    if is_quiet(balance) or not balance.suspects:
        return ""
    return short_suspect(balance.suspects[0])


def survey_taken_out(file: str, label: str) -> TakenOut:
    """Return a survey as a case, with what is left out of it by decision named.

    Raises
    ------
    InputError
        If there is no such survey.
    """
    campaign = open_campaign(file)
    entry = campaign.entry(label)
    ((_, files),) = campaign.files([entry.number])
    given = given_case(files, entry.label)
    out = campaign.left_out().get(entry.number, frozenset())
    numbers = [(stream, quantity) for stream, quantity in sorted(out) if stream]
    of = f"Survey '{entry.label}' of {Path(file).name}"
    told = f"{of}: nothing is written back to the campaign."
    if ("", "") in out:
        told += " It is left out by decision, and counts in no answer of the campaign."
    if numbers:
        names = [f"{quantity} of '{stream}'" for stream, quantity in numbers]
        told += f" Left out by decision, and not in these tables: {listed(names)}."
    without = tuple(f"{stream}:{quantity}" for stream, quantity in numbers)
    return TakenOut(given, entry.number, without, told)
