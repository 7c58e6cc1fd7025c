"""``oretally new``: a case for a kind of work, a blank one, or a copy of an example."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import click

from oretally.flowsheet import Basis
from oretally.io.beginning.asking import BLANK, asked_case, asks, kind_list
from oretally.io.forms import (
    MANY_SURVEYS,
    WantedCase,
    example_names,
    kind_named,
    kinds,
    make_case,
    refuse_taken,
    title_from,
    wanted_case,
)

__all__ = ["begun_case"]

_LIST = "list"


def begun_case(
    target: Path | None, example: str | None, kind: str | None, stated: Mapping[str, str | None]
) -> tuple[list[Path], str]:
    """Make the case; return the files written and how to go on; no files, and a list, if asked.

    Parameters
    ----------
    target : Path or None
    example, kind : str or None
        Of the two options; 'list' names what there is.
    stated : mapping
        What a case of a kind is begun with, as of `wanted_case`; None where it was left out.

    Raises
    ------
    click.UsageError
        If the options do not go together.
    InputError
        With all that is wrong with the answers, or the place.
    """
    if example == _LIST:
        found = example_names(campaigns=True)
        width = max(len(name) for name, _ in found) + 2
        return [], "\n".join(f"{name:{width}}{title}" for name, title in found)
    if kind == _LIST:
        return [], "\n".join(kind_list(kinds()))
    given = [key for key, value in stated.items() if value is not None]
    if example is not None and kind is not None:
        raise click.UsageError("Say one of them: --from, or --kind.")
    if given and (kind is None or kind == BLANK):
        names = ", ".join(_OPTIONS.get(key, f"--{key}") for key in given)
        if kind == BLANK:
            raise click.UsageError(
                f"{names}: a blank case takes no other option, and its circuit.toml says where to "
                "write that. The other kinds take it: '--kind list' names them."
            )
        raise click.UsageError(f"{names}: only together with --kind; '--kind list' names them.")
    if target is None:
        raise click.UsageError("Say where to: oretally new FOLDER, or oretally new FILE.xlsx.")
    wanted: WantedCase | None = None
    if kind is not None and kind != BLANK:
        answers = {key: value for key, value in stated.items() if key != "title"}
        title = stated.get("title")
        title = title_from(target) if title is None else title
        wanted = wanted_case(kind_named(kind), title, **answers)
    elif kind is None and example is None and asks():
        refuse_taken(target)
        wanted = asked_case(target)
    written = make_case(target, example, wanted=wanted)
    return written, _next(target, example, wanted, written)


_OPTIONS = {"mass": "--mass-error", "assay": "--assay-error"}


def _next(
    target: Path, example: str | None, wanted: WantedCase | None, written: Sequence[Path]
) -> str:
    """Return what to do with a case that was made."""
    where = _quoted(target)
    if written[-1].name == MANY_SURVEYS:
        circuit, table = (_quoted(path) for path in written)
        file = _quoted(Path(f"{target.name}.db"))
        told = f"oretally campaign {file} add {table} --circuit {circuit}"
        return f"Invented surveys of one plant. Try them: {told}"
    if example is not None:
        return f"A copy of an invented case. Try it: oretally balance {where}"
    if wanted is None:
        return f"Fill it in, then: oretally check {where}"
    book = target.suffix.casefold() == ".xlsx"
    first, second = (f"{'the sheet ' * book}{name}{'.csv' * (not book)}"
                     for name in ("measurements", "lab"))  # fmt: skip
    flows = "Masses go" if wanted.basis is Basis.BATCH else "Rates go"
    return (
        f"What to weigh, and labels to cut out: oretally sheet {where} --html sheet.html\n"
        f"{flows} into {first}, assays into it or, as the laboratory reports them, into {second}: "
        "once is enough.\n"
        f"Fill it in, then: oretally check {where}"
    )


def _quoted(path: Path) -> str:
    return f'"{path}"' if " " in str(path) else str(path)
