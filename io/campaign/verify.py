"""Is a campaign what it was: hashes computed again, surveys read again, results made again."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import version

import sqlalchemy as sa

import oretally.io.campaign.schema as t
from oretally.flowsheet import InputError
from oretally.io.campaign.entries import SurveyEntry
from oretally.io.campaign.given import GivenSurvey, case_of, circuit_text, content_hash
from oretally.io.campaign.results import (
    BALANCE,
    SUSPECTS,
    Result,
    WhoBalances,
    answers_of_row,
    balanced_tasks,
    kept_results,
)
from oretally.io.campaign.store import Campaign

__all__ = ["Verified", "verified"]

_CLOSE = 1e-6  # relative: balanced together with others a search ends 1e-5 of an sd elsewhere
_UNSURE = 1e-5  # of a standardised adjustment that next to nothing checks
_TINY = 1e-12


class Verified:
    """What was looked at, and what is wrong.

    Attributes
    ----------
    surveys, results : int
        Read again, and made again.
    older : int
        Results of other versions: their hashes are right, and they were not made again.
    faults : list of str
        In words.
    """

    def __init__(self) -> None:
        self.surveys = self.results = self.older = 0
        self.faults = list[str]()


def verified(
    campaign: Campaign, spread: WhoBalances, say: Callable[[str], None] = lambda _: None
) -> Verified:
    """Look through a campaign.

    Parameters
    ----------
    campaign : Campaign
    spread : callable
        Who balances again.
    say : callable, optional
        Is told how far it is.
    """
    found = Verified()
    say("looking through the file")
    found.faults += [f"The file: {line}" for line in campaign.database.damage()]
    found.faults += _changed_contents(campaign)
    entries = campaign.entries(every=True)
    for i, entry in enumerate(entries):
        say(f"reading again, {i} of {len(entries)} surveys")
        found.surveys += 1
        found.faults += _changed_survey(campaign, entry)
    found.faults += _changed_results(campaign, found)
    for asked in (BALANCE, SUSPECTS):
        kept = kept_results(campaign, asked)
        some = [e for e in entries if e.current and e.number in kept]
        say(f"balancing {len(some)} surveys again")
        for entry, columns, words, reason in _again(campaign, some, asked, spread):
            found.results += 1
            wrong = _difference(kept[entry.number], columns, words, reason)
            if wrong:
                found.faults.append(f"'{entry.label}': balanced again, {wrong}.")
    return found


def _changed_contents(campaign: Campaign) -> Iterator[str]:
    with campaign.database.reading() as connection:
        for digest, content in connection.execute(sa.select(t.files.c.hash, t.files.c.content)):
            if content_hash(bytes(content)) != digest:
                yield f"A file {digest[:12]} is not what was given."
        for digest, text in connection.execute(sa.select(t.circuits.c.hash, t.circuits.c.content)):
            if content_hash(text.encode()) != digest:
                yield f"A circuit {digest[:12]} is not what was given."


def _changed_survey(campaign: Campaign, entry: SurveyEntry) -> Iterator[str]:
    ((_, files),) = campaign.files([entry.number])
    if not files:
        yield f"'{entry.label}': nothing is there of what was given."
        return
    try:
        case = case_of(files, entry.label)
    except InputError as error:
        yield f"'{entry.label}' cannot be read again: {error.faults[0].problem}"
        return
    given = GivenSurvey(entry.label, entry.time, entry.kind, files, "", "", case.circuit)
    if given.hash != entry.hash:
        yield f"'{entry.label}' is not what was given."
    if content_hash(circuit_text(case.circuit).encode()) != entry.circuit:
        yield f"'{entry.label}' is read as another circuit than it was."


def _changed_results(campaign: Campaign, found: Verified) -> Iterator[str]:
    c = t.results.c
    label = {e.number: e.label for e in campaign.entries(every=True)}
    query = sa.select(c.survey, c.version, c.content, c.hash)
    with campaign.database.reading() as connection:
        for number, made_by, content, digest in connection.execute(query):
            if content_hash(content.encode()) != digest:
                yield f"'{label.get(number, number)}': a result is not what was written."
            elif made_by != version("oretally"):
                found.older += 1


def _again(
    campaign: Campaign, entries: list[SurveyEntry], asked: str, spread: WhoBalances
) -> Iterator[tuple[SurveyEntry, Mapping[str, float], Mapping[str, str], str]]:
    """Yield surveys with what they come to when they are balanced again."""
    by_number = {e.number: e for e in entries}

    def unread(entry: SurveyEntry, _: str) -> None:
        """Say nothing: that it cannot be read again was told."""

    for numbers, part in balanced_tasks(campaign, entries, asked, spread, unread):
        for row, number in enumerate(numbers):
            columns, words = answers_of_row(part, row)
            yield by_number[number], columns, words, str(part.reason[row])


def _difference(
    kept: Result, columns: Mapping[str, float], words: Mapping[str, str], reason: str
) -> str:
    """Return how an answer differs from what was kept; empty if it does not."""
    if bool(kept.reason) != bool(reason):
        return "it has no balance now" if reason else "it has a balance now"
    if kept.words != words:
        return "another number is suspect"
    if kept.columns.keys() != columns.keys():
        name = sorted(kept.columns.keys() ^ columns.keys())[0]
        return f"'{name}' is there only once"
    for name, value in kept.columns.items():
        close = _UNSURE if "standardised" in name else _CLOSE
        if not math.isclose(value, columns[name], rel_tol=close, abs_tol=close + _TINY):
            return f"'{name}' is {columns[name]:.9g} and was {value:.9g}"
    return ""
