"""Files that the commands write: names judged; whole or not at all; over nothing but our own.

An output may take the place of a file only if oretally wrote that file and nobody typed into it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

import click

__all__ = ["SVG_MARK", "ends_in", "refuse_overwriting", "write_whole"]

_Name = TypeVar("_Name", str, Path, str | None, Path | None)

SVG_MARK = "\n<!-- made by oretally -->\n"
"""Stands below a drawing that is a file of its own."""
_PAGE = rb'\A(?s:.{0,1000})<meta name="generator" content="oretally '
_MARKS = {
    ".html": _PAGE,
    ".htm": _PAGE,
    ".json": rb'\A\{\s*"schema": "oretally\.',
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
    """Refuse to write over the input or what somebody else wrote, or two results into one file.

    Parameters
    ----------
    given : iterable of Path or None
        Files and folders that the command reads.
    outputs : str, Path or None
        Files that it is to write; '-' stands for standard output.

    Raises
    ------
    click.ClickException
        Naming the output.
    """
    read = [path for path in given if path is not None]
    beside = [file for path in read if path.is_dir() for file in path.iterdir()]
    taken: list[Path] = []
    for output in outputs:
        if output is None or str(output) == "-":
            continue
        path = Path(output)
        if any(_same(path, each) for each in taken):
            raise click.ClickException(
                f"'{output}' is asked for twice; give each result its own name."
            )
        foreign = path.is_file() and not _made_here(path)
        if any(_same(path, each) for each in (*read, *(beside if foreign else ()))):
            raise click.ClickException(
                f"'{output}' is part of the case; give the result another name."
            )
        if foreign:
            raise click.ClickException(
                f"'{output}' is there already, and not as oretally wrote it: give the result "
                "another name, or move that file away."
            )
        taken.append(path)


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
    if one.resolve() == other.resolve():
        return True
    return one.exists() and other.exists() and one.samefile(other)


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a result, whole or not at all.

    Raises
    ------
    click.ClickException
        If it cannot be written.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        reason = error.strerror or type(error).__name__
        raise click.ClickException(
            f"'{path}' cannot be written: {reason}. Give a folder that exists and may be "
            "written to."
        ) from error
