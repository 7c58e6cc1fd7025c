"""Tables of a campaign: nothing in them is ever changed or taken out, only added to.

A survey that corrects another says which (``supersedes``), and both stay. Triggers refuse every
UPDATE and DELETE, whoever sends it. Files are kept by what they hold: a circuit.toml that a
hundred surveys have in common is kept once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import sqlalchemy as sa

__all__ = [
    "MIGRATIONS", "SCHEMA", "circuits", "decisions", "files", "guards", "results",
    "schema_steps", "survey_files", "surveys", "tables",
]  # fmt: skip

SCHEMA = 1
"""Number of the tables below; a later one has a row in `MIGRATIONS`."""

tables = sa.MetaData()

files = sa.Table(
    "files", tables,
    sa.Column("hash", sa.Text, primary_key=True),  # SHA-256 of the content
    sa.Column("content", sa.LargeBinary, nullable=False),
    sqlite_strict=True,
)  # fmt: skip

circuits = sa.Table(
    "circuits", tables,
    sa.Column("hash", sa.Text, primary_key=True),
    sa.Column("content", sa.Text, nullable=False),  # streams and nodes, JSON
    sqlite_strict=True,
)  # fmt: skip

surveys = sa.Table(
    "surveys", tables,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("label", sa.Text, nullable=False),
    sa.Column("time", sa.Text),  # ISO 8601; none if it was not said
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("circuit", sa.Text, sa.ForeignKey("circuits.hash"), nullable=False),
    sa.Column("hash", sa.Text, nullable=False),  # of all that was given
    sa.Column("case_name", sa.Text, nullable=False),  # folder or workbook, to read it again
    sa.Column("source", sa.Text, nullable=False),  # file or folder as given
    sa.Column("place", sa.Text, nullable=False),  # sheet and rows in it
    sa.Column("supersedes", sa.Integer, sa.ForeignKey("surveys.number"), unique=True),
    sa.Column("why", sa.Text, nullable=False),  # of a correction
    sa.Column("added_by", sa.Text, nullable=False),
    sa.Column("added_at", sa.Text, nullable=False),
    sa.Column("version", sa.Text, nullable=False),  # that read it
    sqlite_strict=True,
)  # fmt: skip
sa.Index(
    "one_label", surveys.c.label, unique=True,
    sqlite_where=surveys.c.supersedes.is_(None), postgresql_where=surveys.c.supersedes.is_(None),
)  # fmt: skip

survey_files = sa.Table(
    "survey_files", tables,
    sa.Column("survey", sa.Integer, sa.ForeignKey("surveys.number"), primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),  # from the case: 'night 3/circuit.toml'
    sa.Column("hash", sa.Text, sa.ForeignKey("files.hash"), nullable=False),
    sqlite_strict=True,
)  # fmt: skip

results = sa.Table(
    "results", tables,
    sa.Column("survey", sa.Integer, sa.ForeignKey("surveys.number"), primary_key=True),
    sa.Column("left_out", sa.Text, primary_key=True),  # measurements decided to be, JSON
    sa.Column("version", sa.Text, primary_key=True),  # that made it
    sa.Column("asked", sa.Text, primary_key=True),  # 'balance' or 'suspects'
    sa.Column("reason", sa.Text, nullable=False),  # why there is no balance; empty if there is one
    sa.Column("content", sa.Text, nullable=False),  # its columns and values, JSON
    sa.Column("hash", sa.Text, nullable=False),  # of reason and content
    sa.Column("made_at", sa.Text, nullable=False),
    sqlite_strict=True,
)  # fmt: skip

decisions = sa.Table(
    "decisions", tables,
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("survey", sa.Integer, sa.ForeignKey("surveys.number"), nullable=False),
    sa.Column("stream", sa.Text, nullable=False),  # empty: of the survey as a whole
    sa.Column("quantity", sa.Text, nullable=False),
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("decided_by", sa.Text, nullable=False),
    sa.Column("decided_at", sa.Text, nullable=False),
    sqlite_strict=True,
)  # fmt: skip

MIGRATIONS: Mapping[int, Sequence[str]] = {}
"""Statements that bring the tables to a schema from the one before it."""

_KEPT = "what a campaign holds is kept as it is: add a correction"


def guards(dialect: str) -> list[str]:
    """Return the statements that make every table refuse changes; ``dialect`` as SQLAlchemy's."""
    names = [table.name for table in tables.sorted_tables]
    if dialect == "sqlite":
        return [
            f"CREATE TRIGGER {name}_{event.lower()} BEFORE {event} ON {name} "
            f"BEGIN SELECT RAISE(ABORT, '{_KEPT}'); END"
            for name in names
            for event in ("UPDATE", "DELETE")
        ]
    function = (
        "CREATE FUNCTION campaign_is_kept() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_KEPT}'; END $$"
    )
    return [
        function,
        *(
            f"CREATE TRIGGER {name}_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON {name} "
            "FOR EACH STATEMENT EXECUTE FUNCTION campaign_is_kept()"
            for name in names
        ),
    ]


def schema_steps(found: int) -> list[tuple[int, Sequence[str]]]:
    """Return the steps from a schema to the newest, each with its statements."""
    return [(number, MIGRATIONS[number]) for number in range(found + 1, SCHEMA + 1)]
