"""Surveys written into the tables; what they have in common with others is written once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import version

import sqlalchemy as sa

import oretally.io.campaign.schema as t
from oretally.io.campaign.given import GivenSurvey, circuit_text, content_hash

__all__ = ["current_of", "insert_survey", "now"]


def current_of(connection: sa.Connection, labels: Sequence[str]) -> dict[str, tuple[int, str]]:
    """Return number and hash of the current surveys of some labels."""
    c = t.surveys.c
    query = (
        sa.select(c.label, c.number, c.hash).where(c.label.in_(labels)).order_by(c.number)
    )  # a correction is younger than what it corrects
    return {label: (number, digest) for label, number, digest in connection.execute(query)}


def insert_survey(
    connection: sa.Connection, survey: GivenSurvey, corrects: int | None, *, by: str, why: str
) -> int:
    """Write a survey, and return its number; ``corrects`` is that of the one that it corrects."""
    text = circuit_text(survey.circuit)
    circuit = content_hash(text.encode())
    _once(connection, t.circuits, [{"hash": circuit, "content": text}])
    contents = {name: (content_hash(content), content) for name, content in survey.files.items()}
    _once(connection, t.files, [{"hash": h, "content": c} for h, c in contents.values()])
    row = connection.execute(
        t.surveys.insert().values(
            label=survey.label, time=None if survey.time is None else survey.time.isoformat(),
            kind=survey.kind, circuit=circuit, hash=survey.hash, case_name=survey.case_name,
            source=survey.source, place=survey.place, supersedes=corrects,
            why=why if corrects is not None else "", added_by=by, added_at=now(),
            version=version("oretally"),
        )
    )  # fmt: skip
    (number,) = row.inserted_primary_key or (0,)
    connection.execute(
        t.survey_files.insert(),
        [{"survey": number, "name": name, "hash": h} for name, (h, _) in contents.items()],
    )
    return int(number)


def _once(connection: sa.Connection, table: sa.Table, rows: list[dict[str, object]]) -> None:
    """Insert rows of which the campaign may have some already, by their hash."""
    there = set(
        connection.execute(
            sa.select(table.c.hash).where(table.c.hash.in_([row["hash"] for row in rows]))
        ).scalars()
    )
    new = {row["hash"]: row for row in rows if row["hash"] not in there}
    if new:
        connection.execute(table.insert(), list(new.values()))


def now() -> str:
    """Return the time as it is kept."""
    return datetime.now(UTC).isoformat(timespec="seconds")
