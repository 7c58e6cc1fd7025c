"""Rows of a campaign: what is known of a survey without reading it, and decisions."""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

__all__ = ["Added", "Decision", "SurveyEntry", "author", "entry_of"]


@dataclass(frozen=True, slots=True)
class SurveyEntry:
    """What a campaign knows of a survey without reading it.

    Attributes
    ----------
    number : int
        In the order of adding.
    label, kind : str
    time : datetime or None
    circuit, hash : str
        Hashes of the circuit, and of all that was given.
    source, place : str
    supersedes : int or None
        The survey that it corrects.
    why : str
        Of a correction.
    added_by, added_at, version : str
    current : bool
        False if another corrects it.
    """

    number: int
    label: str
    time: datetime | None
    kind: str
    circuit: str
    hash: str
    source: str
    place: str
    supersedes: int | None
    why: str
    added_by: str
    added_at: str
    version: str
    current: bool


@dataclass(frozen=True, slots=True)
class Decision:
    """What somebody decided on a survey, or on one measurement of it.

    Attributes
    ----------
    survey : int
        Number of the survey.
    stream, quantity : str
        Of the measurement; empty if it is of the survey as a whole.
    what, why, by, at : str
    """

    survey: int
    stream: str
    quantity: str
    what: str
    why: str
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Added:
    """What became of a survey that was to be added.

    Attributes
    ----------
    label : str
    new : bool
        False if the campaign had it already, to the last byte.
    corrects : bool
        Whether another survey of that label was there.
    """

    label: str
    new: bool
    corrects: bool


def author() -> str:
    """Return the name of the person whose account this is; empty if it has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def entry_of(row: sa.Row[tuple[object, ...]], *, current: bool) -> SurveyEntry:
    """Return a row of the table of surveys; ``current`` if no other corrects it."""
    fields = row._asdict()
    del fields["case_name"]
    time = fields.pop("time")
    return SurveyEntry(
        **fields, time=None if time is None else datetime.fromisoformat(time), current=current
    )
