"""The work of `oretally campaign FILE add`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import click

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.foreign_text import unreadable_character
from oretally.io.campaign import author, open_campaign, read_moment, relabelled, surveys_of
from oretally.io.report import narrow
from oretally.io.wording import quoted

__all__ = ["added_text"]

_SHOWN = 5  # surveys that cannot be read, told one by one


def added_text(
    file: str, sources: Sequence[Path], circuit: Path | None, *, label: str | None,
    moment: str | None, kind: str | None, correct: bool, why: str, by: str | None,
    say: Callable[[str], None],
) -> tuple[str, bool]:  # fmt: skip
    """Add surveys; return what became of them, and whether all of them could be read.

    Raises
    ------
    InputError
        If none could be added.
    """
    given, refused = [], list[tuple[str, InputError]]()
    for source in sources:
        found = surveys_of(source, circuit, say=say)
        given += found.surveys
        refused += found.refused
    if (label is not None or moment is not None) and len(given) + len(refused) > 1:
        raise click.UsageError("--label and --time are of one survey, and here are several.")
    time = None
    if moment is not None:
        read = read_moment(moment, Place(cell="option --time"))
        if isinstance(read, Fault):
            raise InputError([read])
        time = read
    if label is not None:
        label = " ".join(label.split())
        wrong = unreadable_character(label, name=True) if label else "of no name"
        if wrong:
            problem = f"'{label}' cannot be a label."
            raise InputError([Fault(problem, "Write another.", Place(cell="option --label"))])
    given = [relabelled(survey, label, time, kind) for survey in given]
    faults, more = _distinct_faults(refused)
    if not given:
        raise InputError(faults)
    first = {survey.label: survey for survey in reversed(given)}
    twice = [survey for survey in given if survey is not first[survey.label]]
    if twice:
        raise InputError(
            Fault(f"Two of the surveys are called '{s.label}': the other one is in "
                  f"{first[s.label].source}.", "Add one of them with --label.",
                  Place(file=s.source))
            for s in twice
        )  # fmt: skip
    say("adding")
    campaign = open_campaign(file, create=True)
    added = campaign.add(given, by=author() if by is None else by, correct=correct, why=why)
    corrected = sum(a.corrects for a in added)
    new = sum(a.new for a in added) - corrected
    there = len(added) - new - corrected
    lines = [
        f"{number} {what}."
        for number, what in (
            (new, "added"), (corrected, "corrected"), (there, "there already"),
            (len(refused), f"could not be read, and are not in the campaign{_names(refused)}"),
        )
        if number
    ]  # fmt: skip
    untimed = sum(s.time is None for s in given)
    if untimed:
        all_of = f"{untimed} of them have" if untimed < len(given) else "They have"
        lines.append(f"{all_of} no time, and stand last: what changes with time leaves them out.")
    doubled = [(s, told) for s in given for told in s.doubled]
    for survey, told in doubled[:_SHOWN]:
        table = Path(survey.source).name
        lines += ["", *narrow(f"{table}, survey '{survey.label}': {told}")]
    if len(doubled) > _SHOWN:
        lines.append(f"... and {len(doubled) - _SHOWN} more such: 'show' tells those of a survey.")
    if refused:
        lines += ["", *(f"{fault}\n" for fault in faults)]
        lines += [f"... and {more} more surveys like these."] * (more > 0)
    return "\n".join(lines) + "\n", not refused


def _names(refused: Sequence[tuple[str, InputError]]) -> str:
    """Return which surveys were refused, if they are few."""
    labels = [label for label, _ in refused]
    return f": {quoted(labels)}" if 0 < len(labels) <= _SHOWN else ""


def _distinct_faults(refused: Sequence[tuple[str, InputError]]) -> tuple[list[Fault], int]:
    """Return what is wrong, each thing once, of the first surveys; and how many more are left.

    What is wrong with the header is so of every survey of a table.
    """
    told: dict[Fault, None] = {}
    shown = more = 0
    for _, error in refused:
        new = [fault for fault in error.faults if fault not in told]
        if new and shown == _SHOWN:
            more += 1
        elif new:
            shown += 1
            told.update(dict.fromkeys(new))
    return list(told), more
