"""The options of the command that plans measurements; nothing heavy is loaded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from oretally.io.commands.output_files import ends_in

__all__ = ["plan_options"]

_OPTIONS = (
    click.argument("case", type=click.Path(path_type=Path)),
    click.option(
        "--for", "asked", multiple=True, metavar="ANSWER",
        help="'recovery of Sn to concentrate', 'yield of concentrate', 'Sn of tailings'; more than "
        "once if you like. Left out, the recoveries of all analytes to the products.",
    ),
    click.option("--budget", metavar="NUMBER",
                 help="What may be spent; left out, what the case's own measurements cost."),
    click.option("--prices", type=click.Path(path_type=Path), metavar="FILE",
                 help="Table of prices; left out, prices.csv of the case, else 1 a reading."),
    click.option("--expected", type=click.Path(path_type=Path), metavar="FILE",
                 help="Expected values where nothing is measured yet, in the form of "
                 "measurements.csv; left out, expected.csv of the case."),
    click.option("--keep", is_flag=True,
                 help="What was measured counts and costs nothing; the budget is for more."),
    click.option("--json", "json_file", metavar="FILE", callback=ends_in(".json"),
                 help="Write the plan as JSON; - prints it."),
)  # fmt: skip


def plan_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add CASE and the options to a command."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
