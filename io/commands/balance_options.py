"""The options of the command that balances a case; nothing heavy is loaded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from oretally.io.commands.output_files import ends_in
from oretally.io.draw_limits import LEAST_DRAWS, MOST_DRAWS, SEED

__all__ = ["balance_options"]

_OPTIONS = (
    click.argument("case", type=click.Path(path_type=Path)),
    click.option("--json", "json_file", metavar="FILE", callback=ends_in(".json"),
                 help="Write the result as JSON; - prints it."),
    click.option("--html", type=click.Path(path_type=Path), metavar="FILE",
                 callback=ends_in(".html", ".htm"),
                 help="Write the report: one file, no network needed."),
    click.option("--xlsx", type=click.Path(path_type=Path), metavar="FILE",
                 callback=ends_in(".xlsx"),
                 help="Write the results and the inputs as a workbook."),
    click.option("--pdf", type=click.Path(path_type=Path), metavar="FILE",
                 callback=ends_in(".pdf"),
                 help="Write the report as pages to print (needs the extra 'pdf')."),
    click.option("--without", multiple=True, metavar="STREAM:QUANTITY",
                 help="What if this had not been measured: the answers beside those of all "
                 "numbers. More than once if you like: all at one time."),
    click.option("--with", "added", multiple=True, metavar="STREAM:QUANTITY=VALUE±SD UNIT",
                 help="What if it had been measured so: 'tailings:Sn=0.31 +- 0.01 %'. In place of "
                 "what was measured, if anything was. More than once if you like."),
    click.option("--starts", type=click.IntRange(1, 1000), metavar="N",
                 help="Look for a better balance from N first guesses of the flows; says how many "
                 "agree."),
    click.option("--draws", type=click.IntRange(LEAST_DRAWS, MOST_DRAWS), metavar="N",
                 help="Draw the measurements N times within their stated errors and balance each "
                 "draw: limits that hold where ± is a rough guide. 2000 is a good number."),
    click.option("--seed", type=click.IntRange(0, 2**63 - 1), metavar="S",
                 help=f"Of the draws, {SEED} unless given: the same seed gives the same draws."),
    click.option("--open", "show", is_flag=True, help="Show the HTML report in the browser."),
)  # fmt: skip


def balance_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add CASE and the options to a command."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
