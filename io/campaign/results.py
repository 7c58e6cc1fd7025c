"""Results of the surveys of a campaign: made some at a time, kept with the version that made them.

A result belongs to a survey, to what was left out of it by decision, to a version and to what was
asked; it is made once. What was made before an interruption is there when the work goes on.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from itertools import groupby
from time import monotonic
from typing import Any

import numpy as np
import sqlalchemy as sa

import oretally.io.campaign.schema as t
from oretally.flowsheet import Circuit, Survey
from oretally.io.campaign.adding import now
from oretally.io.campaign.entries import SurveyEntry
from oretally.io.campaign.given import content_hash
from oretally.io.campaign.store import Campaign
from oretally.recon.many import Asked, ManyBalances
from oretally.recon.many_surveys import CHUNK

__all__ = [
    "BALANCE",
    "SUSPECTS",
    "Result",
    "Task",
    "WhoBalances",
    "answers_of_row",
    "balanced_tasks",
    "keep_results",
    "kept_results",
    "make_results",
    "missing",
    "results_now",
]  # fmt: skip

BALANCE, SUSPECTS = "balance", "suspects"
_TOGETHER = 200

Task = tuple[Circuit, Sequence[Survey], Asked]
WhoBalances = Callable[[Iterable[Task]], Iterator[ManyBalances]]
"""Balances tasks one after the other, or on many machines; in the order given."""


@dataclass(frozen=True, slots=True)
class Result:
    """What a survey comes to.

    Attributes
    ----------
    survey : int
        Its number.
    reason : str
        Why there is no balance; empty if there is one.
    columns : mapping of str to float
        By name.
    words : mapping of str to str
        The likeliest wrong number, if there is one.
    """

    survey: int
    reason: str
    columns: Mapping[str, float]
    words: Mapping[str, str]


def _content(reason: str, columns: Mapping[str, float], words: Mapping[str, str]) -> str:
    return json.dumps(
        {"reason": reason, "columns": dict(columns), "words": dict(words)}, ensure_ascii=False
    )


def _left_out(campaign: Campaign) -> dict[int, str]:
    """Return what is left out of each survey, as results have it."""
    return {
        number: json.dumps(sorted(map(list, names)), ensure_ascii=False)
        for number, names in campaign.left_out().items()
    }


def kept_results(campaign: Campaign, asked: str) -> dict[int, Result]:
    """Return the results of this version that are there, by number of the survey."""
    out = _left_out(campaign)
    c = t.results.c
    query = sa.select(c.survey, c.left_out, c.content).where(
        c.version == version("oretally"), c.asked == asked
    )
    found = {}
    with campaign.database.reading() as connection:
        for number, left, content in connection.execute(query):
            if left == out.get(number, "[]"):
                read = json.loads(content)
                found[number] = Result(number, read["reason"], read["columns"], read["words"])
    return found


def missing(campaign: Campaign, asked: str) -> list[SurveyEntry]:
    """Return the current surveys that have no result of this version, but for those left out."""
    there, out = kept_results(campaign, asked), campaign.left_out()
    return [e for e in campaign.entries()
            if e.number not in there and ("", "") not in out.get(e.number, ())]  # fmt: skip


def make_results(
    campaign: Campaign, entries: Sequence[SurveyEntry], asked: str, spread: WhoBalances,
    say: Callable[[str], None] = lambda _: None,
) -> int:  # fmt: skip
    """Balance surveys and keep what they come to, some at a time; return how many.

    Parameters
    ----------
    campaign : Campaign
    entries : sequence of SurveyEntry
    asked : str
        `BALANCE` or `SUSPECTS`.
    spread : callable
        Who balances.
    say : callable, optional
        Is told how far it is, and how long it may still take.
    """

    def unread(entry: SurveyEntry, reason: str) -> None:
        _keep(campaign, [_row(entry.number, _left_out(campaign), asked, reason, {}, {})])

    begun, done = monotonic(), 0
    for numbers, found in balanced_tasks(campaign, entries, asked, spread, unread):
        keep_results(campaign, numbers, found, asked)
        done += len(numbers)
        left = (monotonic() - begun) / done * (len(entries) - done)
        say(f"balanced {done} of {len(entries)} surveys{_still(left)}")
    return done


def results_now(campaign: Campaign, asked: str, spread: WhoBalances) -> dict[int, Result]:
    """Return results as `kept_results`, those that are `missing` balanced and not kept."""
    every = kept_results(campaign, asked)

    def unread(entry: SurveyEntry, reason: str) -> None:
        every[entry.number] = Result(entry.number, reason, {}, {})

    entries = missing(campaign, asked)
    for numbers, found in balanced_tasks(campaign, entries, asked, spread, unread):
        for i, number in enumerate(numbers):
            every[number] = Result(number, str(found.reason[i]), *answers_of_row(found, i))
    return every


def balanced_tasks(
    campaign: Campaign, entries: Sequence[SurveyEntry], asked: str, spread: WhoBalances,
    unread: Callable[[SurveyEntry, str], None],
) -> Iterator[tuple[list[int], ManyBalances]]:  # fmt: skip
    """Yield the numbers of surveys and what they come to, some at a time.

    ``unread`` is told each survey that cannot be read, and the reason.
    """
    parts: list[list[int]] = []

    def tasks() -> Iterator[Task]:
        for task, numbers in _tasks_of(campaign, entries, asked, unread):
            parts.append(numbers)
            yield task

    for i, found in enumerate(spread(tasks())):
        yield parts[i], found


def _still(seconds: float) -> str:
    if seconds < 1.0:
        return ""
    if seconds < 90.0:
        return f", about {math.ceil(seconds)} s more"
    return f", about {math.ceil(seconds / 60.0)} min more"


def _tasks_of(
    campaign: Campaign, entries: Sequence[SurveyEntry], asked: str,
    unread: Callable[[SurveyEntry, str], None],
) -> Iterator[tuple[Task, list[int]]]:  # fmt: skip
    """Yield surveys of one circuit and one report together, as they are read."""
    together: dict[object, tuple[Circuit, Asked, list[tuple[int, Survey]]]] = {}
    for entry, dated, case, error in campaign.read_cases(entries):
        if dated is None or case is None:
            unread(entry, " ".join(str(error).split()))
            continue
        of = Asked(tuple(case.feeds), tuple(case.products) or None, asked == SUSPECTS)
        circuit, survey = dated.circuit, dated.survey
        key = entry.circuit, of
        waiting = together.setdefault(key, (circuit, of, []))[2]
        waiting.append((entry.number, survey))
        size = CHUNK if asked == BALANCE else _TOGETHER // 8
        if len(waiting) == size:
            del together[key]
            yield (circuit, [s for _, s in waiting], of), [n for n, _ in waiting]
    for circuit, of, waiting in together.values():
        yield (circuit, [s for _, s in waiting], of), [n for n, _ in waiting]


def keep_results(
    campaign: Campaign, numbers: Sequence[int], found: ManyBalances, asked: str
) -> None:
    """Keep what surveys come to, all or none; what is there already stays."""
    out, rows = _left_out(campaign), []
    for i, number in enumerate(numbers):
        rows.append(_row(number, out, asked, str(found.reason[i]), *answers_of_row(found, i)))
    _keep(campaign, rows)


def answers_of_row(found: ManyBalances, i: int) -> tuple[dict[str, float], dict[str, str]]:
    """Return what one survey comes to: numbers and words, by name."""
    columns = {
        name.answer if not name.stream else str(name): float(values[i])
        for name, values in found.columns.items()
        if np.isfinite(values[i])
    }
    if not found.suspect[i]:
        return columns, {}
    return columns | {"probability": float(found.probability[i])}, {"suspect": found.suspect[i]}


def _row(
    number: int, out: Mapping[int, str], asked: str, reason: str, columns: Mapping[str, float],
    words: Mapping[str, str],
) -> dict[str, Any]:  # fmt: skip
    content = _content(reason, columns, words)
    return {
        "survey": number, "left_out": out.get(number, "[]"), "version": version("oretally"),
        "asked": asked, "reason": reason, "content": content,
        "hash": content_hash(content.encode()), "made_at": now(),
    }  # fmt: skip


def _keep(campaign: Campaign, rows: Sequence[dict[str, Any]]) -> None:
    c = t.results.c
    for _, part in groupby(enumerate(rows), lambda pair: pair[0] // _TOGETHER):
        some = [row for _, row in part]
        with campaign.database.writing() as connection:
            query = sa.select(c.survey, c.left_out).where(
                c.survey.in_([row["survey"] for row in some]),
                c.version == some[0]["version"], c.asked == some[0]["asked"],
            )  # fmt: skip
            there = {tuple(row) for row in connection.execute(query)}
            new = [row for row in some if (row["survey"], row["left_out"]) not in there]
            if new:
                connection.execute(t.results.insert(), new)
