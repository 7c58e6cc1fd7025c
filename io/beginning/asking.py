"""``oretally new`` on a terminal: questions with their defaults, to a case of a kind.

Questions go to standard error; an answer that cannot be taken is refused with the reason and asked
again. Ctrl-C and the end of the input stop the command before anything is written.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, TypeVar

import click

from oretally.flowsheet import InputError
from oretally.io.forms import (
    WantedCase,
    WorkKind,
    assay_error,
    basis_of,
    kind_named,
    kinds,
    mass_error,
    metals_of,
    products_of,
    proposed_products,
    sieves_of,
    times_of,
    title_from,
    title_of,
    unit_of,
)

__all__ = ["BLANK", "asked_case", "asks", "kind_list"]

BLANK = "blank"
"""The answer of who wants none of the kinds."""
_T = TypeVar("_T")


def asks() -> bool:
    """Tell whether there is somebody to ask: a terminal to read from and one to write to."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stderr))


def kind_list(found: Sequence[WorkKind]) -> list[str]:
    """Return the kinds as lines, name and meaning."""
    width = max(len(kind.name) for kind in found) + 2
    return [f"{kind.name:{width}}{kind.said}" for kind in found]


def asked_case(target: Path) -> WantedCase | None:
    """Ask for a case, and return it; None for a blank one.

    Raises
    ------
    click.Abort
        If the answers end.
    """
    with redirect_stdout(sys.stderr):  # where the terminal echoes, whatever becomes of the output
        try:
            return _asked(target)
        except BaseException:  # the answers end: what is said next stands on its own line
            click.echo()
            raise


def _asked(target: Path) -> WantedCase | None:
    offered = kinds()
    click.echo("What kind of work is it?")
    lines = [*kind_list(offered), f"{BLANK:{max(len(k.name) for k in offered) + 2}}none of these"]
    for number, line in enumerate(lines, start=1):
        click.echo(f"  {number}  {line}")
    kind = _ask("Number or name", "1", lambda text: _kind(text, offered))
    if kind is None:
        return None
    title = _ask("Title", title_from(target), title_of)
    basis = kind.bases[0]
    if len(kind.bases) > 1:
        words = " or ".join(each.value for each in kind.bases)
        said = f"Basis: {words} (rate: t/h and the like; batch: masses)"
        basis = _ask(said, basis.value, lambda text: basis_of(text, kind))
    default = ", ".join(f"{m.name} {m.unit}" for m in kind.metals)
    metals = _ask("Metals, each with the unit of its grades", default, metals_of)
    times = times_of(kind.times, kind)
    if times:
        times = _ask("Times, counted from the start", kind.times, lambda text: times_of(text, kind))
    products = proposed_products(kind, times)
    if products:
        said = "Products, the one thrown away last" if kind.last_is_lost else "Products"
        products = _ask(said, ", ".join(products),
                        lambda text: products_of(text, kind, times))  # fmt: skip
    what = "Masses are weighed in" if basis.value == "batch" else "Rates are told in"
    unit = _ask(what, kind.unit(basis), lambda text: unit_of(text, basis))
    sieves: tuple[str, ...] = ()
    if kind.sieves is not None:
        said = "Sieves, openings in um ('none' if nothing is sieved)"
        sieves = _ask(said, ", ".join(kind.sieves) or "none", lambda text: sieves_of(text, kind))
    how = f"as in 2 {unit} or 0.5 %; blank: later" if "/" not in unit else "as in 2 %; blank: later"
    mass = _ask(f"One sd of a {'rate' if '/' in unit else 'weighing'} ({how})", "",
                lambda text: mass_error(text, unit))  # fmt: skip
    assay = _ask("One sd of an assay, in percent of the grade (blank: later)", "", assay_error)
    return WantedCase(kind, title, basis, metals, products, unit, sieves, times, mass, assay)


def _kind(text: str, offered: Sequence[WorkKind]) -> WorkKind | None:
    word = " ".join(text.split()).casefold()
    if word in (BLANK, str(len(offered) + 1)):
        return None
    if word.isascii() and word.isdigit() and 1 <= int(word[:3]) <= len(offered) and len(word) < 3:
        return offered[int(word) - 1]
    return kind_named(text)


def _ask(question: str, default: str, read: Callable[[str], _T]) -> _T:
    """Ask until an answer can be taken."""

    def taken(text: Any) -> _T:
        try:
            return read(str(text))
        except InputError as error:
            told = " ".join(f"{f.problem} {f.mend}" for f in error.faults)
            raise click.UsageError(" ".join(told.split())) from error

    return click.prompt(question, default=default, value_proc=taken,
                        show_default=bool(default))  # fmt: skip
