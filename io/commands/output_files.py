"""Files that the commands write: their names judged, whole or not at all, never over the input."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

__all__ = ["ends_in", "refuse_overwriting", "write_whole"]

_Name = TypeVar("_Name", str, Path, str | None, Path | None)


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


def refuse_overwriting(case: Path, *outputs: str | Path | None) -> None:
    """Refuse to write a result over the input, or two results into one file.

    Raises
    ------
    click.UsageError
        Naming the output.
    """
    inputs = [case, *(case.iterdir() if case.is_dir() else ())]
    taken: list[Path] = []
    for output in outputs:
        if output is None or str(output) == "-":
            continue
        path = Path(output)
        if any(_same(path, each) for each in inputs):
            raise click.UsageError(f"'{output}' is part of the case; give the result another name.")
        if any(_same(path, each) for each in taken):
            raise click.UsageError(f"'{output}' is asked for twice; give each result its own name.")
        taken.append(path)


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
