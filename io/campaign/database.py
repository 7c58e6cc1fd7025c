"""The file or server that holds a campaign: opened, made, brought to the newest tables.

One SQLite file, or a PostgreSQL database by its URL. Whatever is written is written in one
transaction, whole or not at all; one writer at a time, and others wait for it for a while.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import NoReturn

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.pool import NullPool

import oretally.io.campaign.schema as schema
from oretally.flowsheet import Fault, InputError, Place
from oretally.io.files import CAMPAIGN_MARK, is_file, is_there, readable_name

__all__ = ["Database", "open_database"]

_WAIT = 10.0  # seconds that a writer waits for another
_CHECKED = 64_000_000  # bytes up to which a file is looked through when it is opened
_TEAM = "postgresql"
_INSTALL = "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[postgres]'"
_PASSWORD = re.compile(r":[^:/]*@")  # up to the host
_LOCK = 0x4F72546C  # of PostgreSQL: who writes
_AT_SCHEMA = sa.text("INSERT INTO schema_of_campaign VALUES (:number)")


class Database:
    """A campaign's tables, to be read and added to.

    Attributes
    ----------
    name : str
        As it is told: the file, or the URL without its password.
    engine : sqlalchemy.Engine
    read_only : str
        Why it may be read here and not be written to; empty if it may be.
    """

    def __init__(self, name: str, engine: sa.Engine, read_only: str = "") -> None:
        self.name, self.engine, self.read_only = name, engine, read_only

    def refuse_read_only(self) -> None:
        """Raise an `InputError` if nothing can be written to it, which says why."""
        if self.read_only:
            _refuse(self.name, self.read_only, _READ_ONLY)

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Give a connection that sees one state of the campaign.

        Raises
        ------
        InputError
            If the database cannot be read.
        """
        with self._told(), self.engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Give a connection whose changes are kept all together at the end, or none of them.

        Raises
        ------
        InputError
            If another program keeps it from writing, the disk is full, the file is damaged, or
            may only be read.
        """
        self.refuse_read_only()
        with self._told(), self.engine.connect() as connection:
            connection = connection.execution_options(writing=True)
            with connection.begin():
                if self.engine.dialect.name == _TEAM:  # as in a file: one writer at a time
                    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{_WAIT:g}s'")
                    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
                yield connection

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (sa.exc.DBAPIError, sqlite3.Error) as error:
            cause = str(getattr(error, "orig", None) or error)
            found = _explained(cause)
            if (
                found is None
                and self.engine.dialect.name == _TEAM
                and isinstance(error, sa.exc.OperationalError)
            ):
                found = f"The server does not answer: {cause.splitlines()[0]}.", _HOW
            if found is None:
                raise
            raise InputError([Fault(*found, Place(file=self.name))]) from error

    def damage(self) -> list[str]:
        """Return what is wrong with the file as such; nothing on a server, which looks itself."""
        if self.engine.dialect.name != "sqlite":
            return []
        with self.reading() as connection:
            found = [*connection.exec_driver_sql("PRAGMA integrity_check").scalars()]
            found += [str(row) for row in connection.exec_driver_sql("PRAGMA foreign_key_check")]
        return [str(line) for line in found if line != "ok"]


def open_database(where: str | Path, *, create: bool = False) -> Database:
    """Open a campaign, and bring its tables to the newest schema.

    Parameters
    ----------
    where : str or Path
        A file, or the URL of a PostgreSQL database, ``postgresql://user@host/name``.
    create : bool
        Whether it is made if it is not there.

    Raises
    ------
    InputError
        If there is none, it is no campaign, it is damaged, or a newer oretally wrote it.
    """
    if "://" in str(where):
        return _on_server(str(where), create=create)
    return _in_file(Path(where), create=create)


def _in_file(path: Path, *, create: bool) -> Database:
    name = readable_name(str(path))
    there = is_there(path)
    if there and not is_file(path):
        _refuse(name, "This is a folder, and a campaign is one file.", "Name a file in it.")
    if not there and not create:
        mend = f"Check the spelling, or begin one: oretally campaign {name} add CASE"
        _refuse(name, "There is no such campaign.", mend)
    if there and not os.access(path, os.R_OK):
        _refuse(name, "The file may not be read.", "Ask whose it is to let you read it.")
    read_only = _why_read_only(path, there=there)
    if read_only and not there:
        _refuse(name, read_only, "Begin the campaign in a folder where you may write.")
    engine = sa.create_engine(
        "sqlite://", creator=_opened(path, read_only=bool(read_only)), poolclass=NullPool
    )
    event.listen(engine, "connect", _prepared)
    event.listen(engine, "begin", _begun)
    found = Database(name, engine, read_only)
    if read_only and is_there(_written_last(path)):
        try:
            with found.reading() as connection:
                _marks(connection)
        except InputError:
            _refuse(name, *_left_behind(path, read_only))
    with found.reading() as connection:
        of, number = _marks(connection)
        empty = of == 0 and number == 0 and not sa.inspect(connection).get_table_names()
        checked = not empty and path.stat().st_size <= _CHECKED
        if checked and connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
            _refuse(name, *_DAMAGED)
    if not empty and of != CAMPAIGN_MARK:
        _refuse(name, "This is a database, but no campaign.", "Give the campaign another name.")
    if empty and not create:
        mend = f"Begin it: oretally campaign {name} add CASE"
        _refuse(name, "There is no campaign in the file yet.", mend)
    if empty:
        found.refuse_read_only()
        with found.reading() as connection:
            # beside SQLAlchemy: outside of any transaction
            connection.connection.cursor().execute("PRAGMA journal_mode = WAL")
        with found.writing() as connection:
            if _marks(connection) == (0, 0):  # and nobody else made it meanwhile
                _make(connection)
                connection.exec_driver_sql(f"PRAGMA application_id = {CAMPAIGN_MARK}")
                connection.exec_driver_sql(f"PRAGMA user_version = {schema.SCHEMA}")
        return found
    _upgrade(found, number, lambda: _copy(found, path, number))
    return found


def _why_read_only(path: Path, *, there: bool) -> str:
    """Return why a campaign may not be written to; empty if it may be."""
    if there and not os.access(path, os.W_OK):
        return "The file may be read and not written to."
    if not os.access(path.parent, os.W_OK):
        return "The folder of the campaign may not be written to."
    return ""


def _written_last(path: Path) -> Path:
    """Return the file of what was written last and is not in the campaign's own yet (WAL)."""
    return path.with_name(f"{path.name}-wal")


def _opened(path: Path, *, read_only: bool) -> Callable[[], sqlite3.Connection]:
    """Return what opens a file; one that is only read as it stands, beside which nothing is made.

    Unless something was written to it last, or is being written: that is read with it.
    """
    if not read_only:
        return lambda: sqlite3.connect(path, timeout=_WAIT)

    def opened() -> sqlite3.Connection:
        alone = "" if is_there(_written_last(path)) else "&immutable=1"
        address = f"{path.absolute().as_uri()}?mode=ro{alone}"
        return sqlite3.connect(address, uri=True, timeout=_WAIT)

    return opened


def _left_behind(path: Path, read_only: str) -> tuple[str, str]:
    """Return problem and mend where what was written last cannot be read."""
    name, last = readable_name(path.name), readable_name(_written_last(path).name)
    return (
        f"{read_only[:-1]}, and what was written last stands in '{last}', which cannot be read "
        "with it here.",
        f"Let who may write there list the campaign once, or copy '{name}' and '{last}' together "
        "into a folder of yours. Nothing is lost.",
    )


def _on_server(url: str, *, create: bool) -> Database:
    try:
        address = sa.make_url(url)
    except (sa.exc.ArgumentError, ValueError):  # the latter of a port that is no number
        _refuse("", f"'{_PASSWORD.sub(':***@', url)}' is no address of a database.", _HOW)
    name = address.render_as_string(hide_password=True)
    if address.get_backend_name() != _TEAM:
        _refuse(name, "A campaign is a file or a PostgreSQL database.", _HOW)
    if find_spec("psycopg") is None:
        _refuse(name, "A database on a server needs psycopg.", f"Install it: {_INSTALL}")
    engine = sa.create_engine(address.set(drivername="postgresql+psycopg"), poolclass=NullPool)
    found = Database(name, engine)
    with found.writing() as connection:
        there = sa.inspect(connection).has_table("schema_of_campaign")
        if not there and not create:
            mend = f"Begin it: oretally campaign {name} add CASE"
            _refuse(name, "There is no campaign in the database yet.", mend)
        if not there:
            _make(connection)
            connection.exec_driver_sql("CREATE TABLE schema_of_campaign (number INTEGER NOT NULL)")
            connection.execute(_AT_SCHEMA, {"number": schema.SCHEMA})
            return found
        number = connection.exec_driver_sql("SELECT max(number) FROM schema_of_campaign").scalar()
    _upgrade(found, int(number or 0), lambda: None)
    return found


def _make(connection: sa.Connection) -> None:
    schema.tables.create_all(connection)
    for statement in schema.guards(connection.dialect.name):
        connection.exec_driver_sql(statement)


def _upgrade(database: Database, number: int, copy: Callable[[], object]) -> None:
    """Bring the tables to the newest schema, all steps or none; refuse tables that are newer."""
    if number > schema.SCHEMA:
        _refuse(
            database.name,
            f"A newer oretally wrote this campaign (schema {number}; this one knows up to "
            f"{schema.SCHEMA}).",
            "Install the newer oretally. Nothing was changed.",
        )
    if number == schema.SCHEMA:
        return
    database.refuse_read_only()
    copy()
    with database.writing() as connection:
        for step, statements in schema.schema_steps(number):
            for statement in statements:
                connection.exec_driver_sql(statement)
            if connection.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA user_version = {step}")
            else:
                connection.execute(_AT_SCHEMA, {"number": step})


def _copy(database: Database, path: Path, number: int) -> None:
    """Copy the file before its tables are changed, beside it, over nothing."""
    names = (f"{path.name}.schema-{number}{i}" for i in ("", *(f"-{n}" for n in range(2, 1000))))
    target = next(t for t in map(path.with_name, names) if not is_there(t))
    with database.reading() as connection:
        # beside SQLAlchemy: it cannot stand in a transaction
        connection.connection.cursor().execute("VACUUM INTO ?", (str(target),))


def _marks(connection: sa.Connection) -> tuple[int, int]:
    """Return whose file it is, and the number of its schema."""
    return (
        int(connection.exec_driver_sql("PRAGMA application_id").scalar() or 0),
        int(connection.exec_driver_sql("PRAGMA user_version").scalar() or 0),
    )


def _prepared(connection: sqlite3.Connection, _: object) -> None:
    connection.isolation_level = None  # transactions begin where `_begun` says
    for pragma in ("foreign_keys = ON", "synchronous = FULL", "trusted_schema = OFF"):
        connection.execute(f"PRAGMA {pragma}")


def _begun(connection: sa.Connection) -> None:
    # who is to write takes the right at once: two who read first would both fail
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


_READ_ONLY = "Ask whose it is to let you write, or copy the campaign into a folder of yours."
_HOW = "Write it as postgresql://user@host/name."
_DAMAGED = (
    "The file is damaged or cut short.",
    "Take the last copy of it. What is in it still may be saved with the program sqlite3: "
    "'.recover'.",
)
_WORDS: tuple[tuple[tuple[str, ...], tuple[str, str]], ...] = (
    (
        ("database is locked", "database table is locked", "lock timeout", "deadlock"),
        (
            f"Another program has been writing to the campaign for more than {_WAIT:g} seconds.",
            "Wait until it has ended, and try again. Nothing was changed.",
        ),
    ),
    (
        ("disk is full", "disk I/O error", "No space left"),
        (
            "The disk is full, or cannot be written.",
            "Make room, and try again. What was in the campaign is still in it.",
        ),
    ),
    (("malformed", "disk image"), _DAMAGED),
    (
        ("file is not a database", "file is encrypted"),
        ("This file is no campaign.", "Give the campaign a name of its own."),
    ),
    (
        ("readonly", "unable to open", "permission denied"),
        (
            "The campaign cannot be opened, or not be written to.",
            "Check its folder, and that you may write there.",
        ),
    ),
)


def _explained(cause: str) -> tuple[str, str] | None:
    """Return problem and mend for what a database says; None for what must not come up."""
    for said, words in _WORDS:
        if any(part.casefold() in cause.casefold() for part in said):
            return words
    return None


def _refuse(name: str, problem: str, mend: str) -> NoReturn:
    raise InputError([Fault(problem, mend, Place(file=name))])
