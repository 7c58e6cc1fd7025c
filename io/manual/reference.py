"""The reference of commands, files, keys and columns, read off the code that takes them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import click

from oretally.flowsheet import Basis, Dimension, NodeKind
from oretally.flowsheet.units import Series, units_of
from oretally.io.cells import OTHER_QUANTITIES, WATER
from oretally.io.definition import (
    CIRCUIT_KEYS,
    COLUMNS,
    LAB_ANALYTE_KEYS,
    LAB_KEYS,
    SHEET_COLUMNS,
    STOCK_COLUMNS,
    TYPES,
)
from oretally.io.kinetics import KINETICS_COLUMNS
from oretally.io.laboratory import METALLICS_COLUMNS
from oretally.io.measurements import LONG_COLUMNS, WIDE_NUMBERS, WIDE_TEXTS
from oretally.io.plan import PRICE_COLUMNS
from oretally.io.sampling import SAMPLE_KEYS, STAGE_KEYS
from oretally.io.sizes import SIZES_COLUMNS

__all__ = ["commands_reference", "files_reference", "known_names", "said_of_names"]

Names = Mapping[str, Sequence[str]]

_DIMENSIONS = {
    Dimension.MASS: "masses",
    Dimension.RATE: "rates",
    Dimension.VOLUME: "volumes",
    Dimension.VOLUME_RATE: "volume rates",
    Dimension.GRADE: "grades",
    Dimension.SOLUTION: "grades of solutions",
    Dimension.SHARE: "shares",
    Dimension.DENSITY: "densities",
    Dimension.LENGTH: "sizes",
}


_CIRCUIT: Names = {**CIRCUIT_KEYS, "lab": LAB_KEYS, "lab analytes": LAB_ANALYTE_KEYS}
_MEASUREMENTS: Names = {"wide": (*WIDE_TEXTS, *WIDE_NUMBERS), "long": LONG_COLUMNS}


def known_names() -> dict[str, Names | Sequence[str]]:
    """Return every name that a case may use, as the readers have it, by table."""
    return {
        "circuit": _CIRCUIT,
        "sheets": tuple(SHEET_COLUMNS),
        "measurements": _MEASUREMENTS,
        "quantities": (*(basis.quantity for basis in Basis), *OTHER_QUANTITIES, WATER),
        "kinetics": KINETICS_COLUMNS,
        "sizes": SIZES_COLUMNS,
        "stocks": STOCK_COLUMNS,
        "lab": COLUMNS,
        "metallics": METALLICS_COLUMNS,
        "prices": PRICE_COLUMNS,
        "sample": SAMPLE_KEYS,
        "stage": STAGE_KEYS,
        "kinds": tuple(kind.value for kind in NodeKind),
    }


@cache
def said_of_names() -> Mapping[str, Any]:
    """Return what each name means, by table."""
    text = files("oretally.io.manual").joinpath("meanings.toml").read_text("utf-8")
    return tomllib.loads(text)


def files_reference() -> str:
    """Return the reference of files, keys and columns, as Markdown."""
    said, known = said_of_names(), known_names()
    lines = [
        "# Files, keys and columns",
        "",
        "A case is a folder with `circuit.toml` and `measurements.csv`, or one workbook (.xlsx, "
        ".ods) with sheets of the same names. Files that are not named here are not looked at; a "
        "key or column that is not named here is refused. Spellings of headers and of numbers: "
        "[cells](cells.md).",
        "",
        "## circuit.toml",
        "",
        *_table("key", _CIRCUIT[""], said["circuit"][""]),
    ]
    for name in ("streams", "nodes", "analytes", "errors", "sources", "losses", "report",
                 "reagents", "lab"):  # fmt: skip
        lines += ["", f"### [{name}]", "", *_table("key", _CIRCUIT[name], said["circuit"][name])]
    lines += [
        "", "### [lab] analytes", "",
        *_table("key", _CIRCUIT["lab analytes"], said["circuit"]["lab analytes"]),
        "", "### Kinds of nodes", "", *_table("kind", known["kinds"], said["kinds"]),
        "", "## measurements.csv", "",
        "One row a stream: the column `stream`, and a column for each quantity with its unit, "
        "`dry mass [kg]`, `Sn [%]`, `Au in solution [mg/L]`; beside it `± dry mass [kg]`, "
        "`± Sn [rel %]`, one standard deviation.",
        "", *_table("quantity", known["quantities"], said["quantities"]),
        "", "Further columns:", "",
        *_table("column", _MEASUREMENTS["wide"], said["measurements"]["wide"]),
        "", "Or one row a number:", "",
        *_table("column", _MEASUREMENTS["long"], said["measurements"]["long"]),
    ]  # fmt: skip
    for file, table, after in _TABLES:
        lines += ["", f"## {file}", "", *_table("column", known[table], said[table])]
        lines += ["", after] if after else []
    lines += ["", "## A file of sample-mass, and `sampling` of a source", ""]
    lines += _table("key", known["sample"], said["sample"])
    lines += ["", "Each of the `stages`:", "", *_table("key", known["stage"], said["stage"])]
    lines += ["", "## Sheets of a workbook", "", "| sheet | what it holds | columns |"]
    lines += ["|---|---|---|"]
    lines += [
        f"| `{sheet}` | {said['sheets'][sheet]} | {', '.join(columns)} |"
        for sheet, columns in SHEET_COLUMNS.items()
    ]
    lines += [
        "",
        "The sheets measurements, kinetics, sizes, stocks, lab, metallics have the columns above.",
    ]
    lines += ["", "## Units", "", "| of | units |", "|---|---|"]
    lines += [
        f"| {what} | {', '.join(str(unit) for unit in units_of(dimension))} |"
        for dimension, what in _DIMENSIONS.items()
    ]
    lines += [
        "", "st is the short ton, lt the long ton, t the tonne, ozt the troy ounce. What can be "
        "read in two ways, as oz/ton, is refused, with its readings. `oretally convert` gives "
        "the factors and their sources.",
        "", "Sieves may be named by series: " + ", ".join(f"`{s}`" for s in Series) + ".",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


_TABLES = (
    ("kinetics.csv", "kinetics", "Then `Au in solution [mg/L]` and `Au in solution added [mg/L]`, "
     "and for each reagent `NaCN added [g]`, in a unit of volume if it is a stock solution, and "
     "`NaCN left [g/L]`; each number with ±."),
    ("sizes.csv", "sizes", "Then `mass [g]` or `mass [%]`, and a column for each analyte, with ±."),
    ("stocks.csv", "stocks", "Then columns as in measurements.csv."),
    ("lab.csv", "lab", "Types: " + ", ".join(f"`{kind}`" for kind in TYPES) + ". A row may also be "
     "a whole sample, with a column for each analyte."),
    ("metallics.csv", "metallics", "Then `Au [g/t]`, or `Au contained [mg]` for a plus fraction "
     "used up in the assay, with ±."),
    ("prices.csv", "prices", "Used by `oretally plan`."),
)  # fmt: skip


def _table(what: str, names: Any, said: Mapping[str, str]) -> list[str]:
    rows = [f"| `{name}` | {said[name]} |" for name in names]
    return [f"| {what} | meaning |", "|---|---|", *rows]


def commands_reference(program: click.Group) -> str:
    """Return the reference of all commands and their options, as Markdown."""
    lines = [
        "# Commands and options",
        "",
        "Results go to standard output, messages to standard error. Exit status: 0 done, suspects "
        "or not; 1 the data cannot be balanced; 2 the input is wrong, or an output cannot be "
        "written or shown; 3 a mistake of ours; 128 and its number if a signal ended it.",
    ]
    context = click.Context(program, info_name="oretally", **program.context_settings)
    for words, command in _commands(program, "oretally"):
        lines += ["", f"## {words}", "", _usage(command, words, context), ""]
        lines += [_prose(command.help or ""), ""]
        options = [p for p in command.params if isinstance(p, click.Option)]
        if options:
            lines += ["| option | does |", "|---|---|"]
            lines += [f"| {_spelt(o)} | {_prose(o.help or '')} |" for o in options]
    return "\n".join(lines).rstrip() + "\n"


def _commands(group: click.Group, words: str) -> Iterable[tuple[str, click.Command]]:
    for name, command in sorted(group.commands.items()):
        said = f"{words} {name}"
        if isinstance(command, click.Group):
            arguments = " ".join(p.make_metavar(click.Context(command)) for p in command.params
                                 if isinstance(p, click.Argument))  # fmt: skip
            yield from _commands(command, f"{said} {arguments}".rstrip())
        else:
            yield said, command


def _usage(command: click.Command, words: str, context: click.Context) -> str:
    own = click.Context(command, info_name=words.split()[-1], parent=context)
    return f"`{words} {' '.join(command.collect_usage_pieces(own))}`"


def _spelt(option: click.Option) -> str:
    value = "" if option.is_flag else f" {option.metavar or option.type.name.upper()}"
    return ", ".join(f"`{word}{value}`" for word in option.opts).replace("|", "\\|")


def _prose(text: str) -> str:
    return " ".join(text.replace("\b", "").split()).replace("|", "\\|")
