"""Files that the commands write: names judged; whole or not at all; over nothing but our own.

An output may take the place of a file only if oretally wrote that file, nobody typed into it or
made it read-only, and the command did not read it.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import NoReturn, TypeVar

import click

__all__ = ["SVG_MARK", "ends_in", "refuse_overwriting", "write_whole"]

_Name = TypeVar("_Name", str, Path, str | None, Path | None)

SVG_MARK = "\n<!-- made by oretally -->\n"
"""Stands below a drawing that is a file of its own."""
_PAGE = rb'\A(?s:.{0,1000})<meta name="generator" content="oretally '
_MARKS = {
    # saved by a spreadsheet its lines would mostly end otherwise
    ".csv": rb"\Asurvey,time,kind,state,left out,balanced,reason[,\n][^\r]*\Z",
    ".html": _PAGE,
    ".htm": _PAGE,
    ".json": rb'\A\{\s*"schema": "oretally\.',
    ".parquet": rb'\APAR1(?s:.*)"made by": "oretally"',
    ".pdf": rb"/Keywords\(made by oretally\)",
    ".svg": re.escape(SVG_MARK.encode()) + rb"\Z",
}
"""By the ending of a file's name: what it holds if oretally wrote it. Workbooks have a seal."""


def ends_in(*suffixes: str) -> Callable[[click.Context, click.Parameter, _Name], _Name]:
    """Return a check of an option's file name; '-' stands for standard output and passes.

    A report under the name of a table would open in the wrong program, or in none.
    """

    def check(_: click.Context, option: click.Parameter, name: _Name) -> _Name:
        if name is None or str(name) == "-" or Path(name).suffix.casefold() in suffixes:
            return name
        allowed = " or ".join(suffixes)
        raise click.UsageError(
            f"{option.opts[0]} writes a file whose name ends in {allowed}; '{name}' does not."
        )

    return check


def refuse_overwriting(given: Iterable[Path | None], *outputs: str | Path | None) -> None:
    """Refuse what cannot or must not be written, before any work.

    Every command begins with it: what is read from here on is noted, and `write_whole` judges
    again, over all of it.

    Parameters
    ----------
    given : iterable of Path or None
        Files and folders that the command is to read.
    outputs : str, Path or None
        Files that it is to write; '-' stands for standard output.

    Raises
    ------
    click.ClickException
        Naming the output.
    """
    from oretally.io.files import note_inputs

    note_inputs()
    case = [path for path in given if path is not None]
    taken: list[Path] = []
    for output in outputs:
        if output is None or str(output) == "-":
            continue
        path = Path(output)
        if any(_same(path, each) for each in taken):
            raise click.ClickException(
                f"'{output}' is asked for twice; give each result its own name."
            )
        try:
            _judge(path, case)
        except OSError as error:
            _cannot(path, error)
        taken.append(path)


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a result, whole or not at all, and over nothing that must stay.

    Raises
    ------
    click.ClickException
        If it cannot or must not be written.
    """
    from oretally.io.files import inputs_read, replace_file

    try:
        replace_file(path, content, judge=lambda each: _judge(each, inputs_read()))
    except OSError as error:
        _cannot(path, error)


def _cannot(path: Path, error: OSError) -> NoReturn:
    """Say why a file cannot be written."""
    reason = error.strerror or type(error).__name__
    mend = "Give a folder that exists and may be written to."
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        mend = "Make room, or give a folder on another disk."
    elif error.errno == errno.ENAMETOOLONG:
        mend = "Give a shorter name."
    raise click.ClickException(f"'{path}' cannot be written: {reason}. {mend}") from error


def _judge(path: Path, read: Sequence[Path]) -> None:
    """Refuse to write a file where something stands that must stay, or that nobody may write.

    Parameters
    ----------
    path : Path
    read : sequence of Path
        Files that are read, and folders: no file in them is written over but our own.

    Raises
    ------
    click.ClickException
    OSError
        If it cannot be written, as far as can be told without writing.
    """
    folder = os.path.dirname(os.path.realpath(path))
    os.stat(os.path.join(folder, ""))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    try:
        os.lstat(path)
    except FileNotFoundError:
        return
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        raise click.ClickException(
            f"'{path}' is a link to a file that is not there; name that file itself."
        ) from None
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "no plain file"
        raise click.ClickException(f"'{path}' is {kind}; give the result another name.")
    foreign = not _made_here(path)
    if any(_same(path, each) or (foreign and _same(Path(folder), each)) for each in read):
        raise click.ClickException(f"'{path}' is part of the case; give the result another name.")
    if foreign:
        raise click.ClickException(
            f"'{path}' is there already, perhaps not as oretally wrote it: give the result another "
            "name, or move that file away."
        )
    if not mode & 0o222 or not os.access(path, os.W_OK):
        raise click.ClickException(
            f"'{path}' is there already and read-only, so it stays: give the result another name."
        )


def _made_here(path: Path) -> bool:
    """Tell whether a file is one that oretally wrote, and nobody typed into."""
    suffix = path.suffix.casefold()
    if suffix == ".xlsx":
        from oretally.io.files import is_as_sealed

        return is_as_sealed(path)
    mark = _MARKS.get(suffix)
    return mark is not None and re.search(mark, path.read_bytes()) is not None


def _same(one: Path, other: Path) -> bool:
    """Tell whether two paths are one file, under any of its names."""
    if os.path.realpath(one) == os.path.realpath(other):
        return True
    return os.path.exists(one) and os.path.exists(other) and os.path.samefile(one, other)
