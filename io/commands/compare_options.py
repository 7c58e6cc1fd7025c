"""The options of the command that compares tests; nothing heavy is loaded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from oretally.io.commands.output_files import ends_in

__all__ = ["compare_options"]

_LISTS = (
    ("stream", "streams", "A=B", "Stream A of the first case is called B in the others."),
    ("common", "common", "SOURCE", "A shared source of error (under [sources]) that is the same "
     "in all cases that name it: one laboratory batch, one scale."),
    ("common-measurement", "common_measurements", "STREAM:QUANTITY", "One reading stands in all "
     "cases, as in feed:Sn; it is one measurement, not several."),
    ("answer", "answers", "ANSWER", "Compare only this, as the table names it: 'recovery of Sn to "
     "concentrate'. Fewer answers, sharper verdicts; choose them before you look."),
)  # fmt: skip


def compare_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add CASE... and the options to a command."""
    command = click.option(
        "--html", type=click.Path(path_type=Path), metavar="FILE",
        callback=ends_in(".html", ".htm"), help="Write the report: one file, no network needed.",
    )(command)  # fmt: skip
    command = click.option(
        "--json", "json_file", metavar="FILE", callback=ends_in(".json"),
        help="Write the result as JSON; - prints it.",
    )(command)  # fmt: skip
    command = click.option(
        "--all-pairs", "every_pair", is_flag=True,
        help="Compare every two, not each with the first.",
    )(command)  # fmt: skip
    command = click.option(
        "--least", metavar="POINTS",
        help="Least difference that matters, in percentage points of recovery, mass pull or share.",
    )(command)  # fmt: skip
    for name, field, metavar, said in reversed(_LISTS):
        command = click.option(f"--{name}", field, metavar=metavar, multiple=True, help=said)(
            command
        )
    return click.argument("cases", metavar="CASE...", nargs=-1)(command)
