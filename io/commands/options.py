"""The options of the commands that have many; nothing heavy is loaded."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import click

from oretally.io.commands.output_files import ends_in
from oretally.io.draw_limits import LEAST_DRAWS, MOST_DRAWS, SEED

__all__ = [
    "balance_options", "compare_options", "lab_options", "new_options", "plan_options",
    "sample_mass_options",
]  # fmt: skip

_Command = Callable[..., Any]
_Decorator = Callable[[_Command], _Command]


def _with(decorators: Iterable[_Decorator]) -> _Decorator:
    """Return what adds arguments and options to a command, in the order of its help."""
    found = tuple(decorators)

    def add(command: _Command) -> _Command:
        for decorator in reversed(found):
            command = decorator(command)
        return command

    return add


def _json(said: str) -> _Decorator:
    return click.option("--json", "json_file", metavar="FILE", callback=ends_in(".json"),
                        help=f"Write the {said} as JSON; - prints it.")  # fmt: skip


def _file(name: str, *suffixes: str, said: str) -> _Decorator:
    callback = ends_in(*suffixes) if suffixes else None
    return click.option(name, type=click.Path(path_type=Path), metavar="FILE", callback=callback,
                        help=said)  # fmt: skip


_CASE = click.argument("case", type=click.Path(path_type=Path))
_HTML = _file("--html", ".html", ".htm", said="Write the report: one file, no network needed.")


class _Whole(click.IntRange):
    """A whole number from one to another."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter as error:
            problem = f"'{value}' is no whole number from {self.min} to {self.max}."
            raise click.BadParameter(problem, ctx, param) from error


_SHOWN: tuple[_Decorator, ...] = (
    click.option(
        "--show",
        "parts",
        metavar="PARTS",
        help="Print these parts of the report, as in --show recoveries,values; the first screen "
        "names those that are there.",
    ),
    click.option("--full", is_flag=True, help="Print all of the report."),
)

balance_options = _with((
    _CASE,
    _json("result"),
    _HTML,
    _file("--xlsx", ".xlsx", said="Write the results and the inputs as a workbook."),
    _file("--pdf", ".pdf", said="Write the report as pages to print (needs the extra 'pdf')."),
    click.option("--brief", is_flag=True, help="Write the first page of the PDF only."),
    click.option("--without", multiple=True, metavar="STREAM:QUANTITY",
                 help="What if this had not been measured: the answers beside those of all "
                 "numbers. More than once if you like: all at one time."),
    click.option("--with", "added", multiple=True, metavar="STREAM:QUANTITY=VALUE±SD UNIT",
                 help="What if it had been measured so: 'tailings:Sn=0.31 +- 0.01 %'. In place of "
                 "what was measured, if anything was. More than once if you like."),
    click.option("--starts", type=_Whole(1, 1000), metavar="N",
                 help="Look for a better balance from N first guesses of the flows; says how many "
                 "agree."),
    click.option("--draws", type=_Whole(LEAST_DRAWS, MOST_DRAWS), metavar="N",
                 help="Draw the measurements N times within their stated errors and balance each "
                 "draw: limits that hold where ± is a rough guide. 2000 is a good number."),
    click.option("--seed", type=_Whole(0, 2**63 - 1), metavar="S",
                 help=f"Of the draws, {SEED} unless given: the same seed gives the same draws."),
    click.option("--open", "show", is_flag=True, help="Show the HTML report in the browser."),
    *_SHOWN,
))  # fmt: skip
"""Adds CASE and the options of ``balance`` to a command."""

compare_options = _with((
    click.argument("cases", metavar="CASE...", nargs=-1),
    click.option("--stream", "streams", metavar="A=B", multiple=True,
                 help="Stream A of the first case is called B in the others."),
    click.option("--common", metavar="SOURCE", multiple=True,
                 help="A shared source of error (under [sources]) that is the same in all cases "
                 "that name it: one laboratory batch, one scale."),
    click.option("--common-measurement", "common_measurements", metavar="STREAM:QUANTITY",
                 multiple=True,
                 help="One reading stands in all cases, as in feed:Sn; it is one measurement, not "
                 "several."),
    click.option("--answer", "answers", metavar="ANSWER", multiple=True,
                 help="Compare only this, for example 'recovery of Sn to concentrate', "
                 "'mass pull to concentrate', 'grade of Sn in tailings'. "
                 "Fewer answers, sharper verdicts; choose them before you look."),
    click.option("--least", metavar="POINTS",
                 help="Least difference that matters, in percentage points of recovery, mass pull "
                 "or share."),
    click.option("--all-pairs", "every_pair", is_flag=True,
                 help="Compare every two, not each with the first."),
    click.option("--full", is_flag=True,
                 help="Print all figures, limits and how they are meant, not one screen."),
    _json("result"),
    _HTML,
))  # fmt: skip
"""Adds CASE... and the options of ``compare`` to a command."""

new_options = _with((
    click.argument("target", metavar="FOLDER_OR_FILE", required=False,
                   type=click.Path(path_type=Path)),
    click.option("--from", "example", metavar="EXAMPLE",
                 help="Copy an example, not a blank case; '--from list' names them."),
    click.option("--kind", metavar="KIND",
                 help="A case for this kind of work, without questions; 'list' names them."),
    click.option("--title", metavar="TEXT", help="Its title; left out, the name of the folder."),
    click.option("--metals", metavar="LIST",
                 help="What is assayed, with units: 'Sn, Cu g/t'."),
    click.option("--products", metavar="LIST", help="Names of the products: 'conc, tails'."),
    click.option("--basis", metavar="WORD", help="batch or rate, where the kind can be either."),
    click.option("--unit", metavar="UNIT", help="Of masses or rates: g, kg, t, t/h."),
    click.option("--sieves", metavar="LIST",
                 help="Openings in um, as in '300, 150, 75'; none if nothing is sieved."),
    click.option("--times", metavar="LIST",
                 help="Of a test over time, from its start: '0.5, 1, 2, 4 min'."),
    click.option("--mass-error", "mass", metavar="ERROR",
                 help="One sd of a weighing or rate: '2 g', '0.5 %', '0.5 % + 2 g'; a "
                      "bare number is percent."),
    click.option("--assay-error", "assay", metavar="PERCENT",
                 help="One sd of an assay, in percent of the grade."),
))  # fmt: skip
"""Adds FOLDER_OR_FILE and the options of ``new`` to a command."""

lab_options = _with((
    click.argument("source", metavar="CASE_OR_FILE", type=click.Path(path_type=Path)),
    click.option("--fill", is_flag=True,
                 help="Write the grades of the samples into blank cells of the measurements of "
                 "CASE; no number that was typed is changed."),
    click.option("--bias-source", "bias_source", is_flag=True,
                 help="Print only what the standards say of the bias, as entries of [sources] to "
                 "put below all else in circuit.toml."),
    click.option("--full", is_flag=True, help="Print every reading and figure, not one screen."),
    _json("batch"),
    _HTML,
))  # fmt: skip
"""Adds CASE_OR_FILE and the options of ``lab`` to a command."""

plan_options = _with((
    _CASE,
    click.option("--for", "asked", multiple=True, metavar="ANSWER",
                 help="'recovery of Sn to concentrate', 'mass pull to concentrate', 'grade of Sn "
                 "in tailings'; more than once if you like. Left out, the recoveries of all "
                 "analytes to the products."),
    click.option("--budget", metavar="NUMBER",
                 help="What may be spent; left out, what the case's own measurements cost."),
    _file("--prices", said="Table of prices; left out, prices.csv of the case, else 1 a reading."),
    _file("--expected", said="Expected values where nothing is measured yet, in the form of "
          "measurements.csv; left out, expected.csv of the case."),
    click.option("--keep", is_flag=True,
                 help="What was measured counts and costs nothing; the budget is for more."),
    _json("plan"),
))  # fmt: skip
"""Adds CASE and the options of ``plan`` to a command."""

_ORE = (
    ("grade", "GRADE", "The analyte in the ore, as you expect it: '0.8 %', '3 g/t'."),
    ("top", "SIZE", "Opening that 95 % of the mass passes: '2 mm', '10 mesh [ASTM E11]'."),
    ("liberation", "SIZE", "Top size below which the mineral is free; 'unknown' takes the worst."),
    ("mineral-grade", "GRADE", "The analyte in its pure mineral: '78.77 %'; native metal '100 %'."),
    ("mineral-density", "DENSITY", "Of the mineral's grains: '6.9 kg/L'."),
    ("gangue-density", "DENSITY", "Of the other grains: '2.65 kg/L' for quartz."),
    ("error", "PERCENT", "Error wanted, one standard deviation of the grade: '5 %'."),
    ("mass", "MASS", "Dry mass of a sample: tells the error that it leaves."),
    ("lot", "MASS", "Dry mass before the split; left out, far larger than the sample."),
    ("shape", "NUMBER", "Gy's f; left out, 0.5; flaky gold 0.2."),
    ("granulometric", "NUMBER", "Gy's g; left out, 0.25: all sizes below the top size."),
)
sample_mass_options = _with((
    click.argument("file", required=False, type=click.Path(path_type=Path)),
    *(click.option(f"--{name}", metavar=metavar, help=said) for name, metavar, said in _ORE),
    _json("answer"),
))  # fmt: skip
"""Adds FILE and the options of ``sample-mass``; '--mineral-grade' is ``mineral_grade``."""
