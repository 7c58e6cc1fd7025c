"""The work of `oretally balance`: read, balance, balance again if asked what if, write, show."""

from __future__ import annotations

import webbrowser
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click
import numpy as np

import oretally.io.results as results
from oretally.flowsheet import Fault, InputError, NotBalanceable, Place, Survey
from oretally.io.case import Case, read_case, unfilled
from oretally.io.commands.output_files import refuse_overwriting, write_whole
from oretally.io.commands.what_if import changed_survey
from oretally.io.definition import Price
from oretally.io.draw_limits import SEED
from oretally.io.report import narrow
from oretally.io.wording import Simulated, this_terminal
from oretally.recon import reconcile
from oretally.recon.result import Balance, WhatIf
from oretally.recon.simulation import TooManyDraws, simulate_balance
from oretally.recon.what_if import impossible, otherwise

__all__ = ["BalancedCase", "Outputs", "balanced", "show", "shown_parts", "write"]


@dataclass(frozen=True, slots=True)
class Outputs:
    """What was asked for.

    Attributes
    ----------
    json, html, xlsx, pdf : path, optional
        Files; ``json`` may be '-', which prints.
    brief : bool
        Whether the PDF has its first page only.
    show : bool
        Whether the page is opened.
    parts : tuple of str
        Sections to print; none for the first screen.
    """

    json: str | None = None
    html: Path | None = None
    xlsx: Path | None = None
    pdf: Path | None = None
    brief: bool = False
    show: bool = False
    parts: tuple[str, ...] = ()

    @property
    def files(self) -> list[Path]:
        """Files to write, in the order in which they are told."""
        named = Path(self.json) if self.json not in (None, "-") and self.json else None
        return [path for path in (named, self.html, self.xlsx, self.pdf) if path is not None]

    def check(self, case: Path) -> None:
        """Refuse what cannot be written, before any work.

        Raises
        ------
        click.UsageError
            Naming the option.
        """
        if self.show and self.html is None:
            raise click.UsageError("--open needs --html FILE: the report that it shows.")
        if self.brief and self.pdf is None:
            raise click.UsageError("--brief needs --pdf FILE: the report that it shortens.")
        if self.pdf is not None:
            results.refuse_without_typst()
        refuse_overwriting([case], self.json, self.html, self.xlsx, self.pdf)


@dataclass(frozen=True, slots=True)
class BalancedCase:
    """A balance, and what stands beside it where it was asked for or stated.

    ``mismatches`` as of a `Case`.
    """

    balance: Balance
    prices: tuple[Price, ...] = ()
    otherwise: WhatIf | None = None
    simulated: Simulated | None = None
    mismatches: tuple[str, ...] = ()


def shown_parts(parts: str | None, *, full: bool) -> tuple[str, ...]:
    """Return the sections that are to be printed, from the two options that name them.

    Raises
    ------
    click.UsageError
        If there is no part of such a name.
    """
    if full:
        return (results.ALL,)
    found = tuple(part.strip().casefold() for part in (parts or "").split(",") if part.strip())
    unknown = [part for part in found if part not in results.PARTS]
    if unknown or (parts is not None and not found):
        named = f"no part of the report is called {', '.join(map(repr, unknown))}"
        raise click.UsageError(
            f"--show: {named if unknown else 'name a part'}. Parts: {', '.join(results.PARTS)}."
        )
    return found


def balanced(
    source: Path, outputs: Outputs, *, without: Sequence[str] = (), added: Sequence[str] = (),
    starts: int | None = None, draws: int | None = None, seed: int | None = None,
    say: Callable[[str], None] = lambda _: None, second_opinions: bool = True,
    so_far: Callable[[Balance], None] | None = None,
) -> BalancedCase:  # fmt: skip
    """Read a case and balance it; once more with the changes asked for, and so many drawn ones.

    Without ``second_opinions`` of other methods on which number is wrong, all else is the same.
    ``so_far`` is told of the case's own balance as `oretally.recon.reconcile` does.

    Raises
    ------
    InputError
        With every fault of the case, or else of the changes.
    NotBalanceable
        If the case as it is cannot be balanced.
    """
    outputs.check(source)
    if seed is not None and draws is None:
        raise click.UsageError("--seed needs --draws N: the draws that it is the seed of.")
    case = read_case(source)
    blank = unfilled(case)
    if blank is not None:
        raise blank
    changed, words = None, list[str]()
    if without or added:
        changed, words = changed_survey(case.circuit, case.survey, without, added)
    say("balancing")
    found = _reconciled(case, case.survey, starts, opinions=second_opinions, so_far=so_far)
    found = replace(
        found, notes=(*found.notes, *case.notes),
        contradictions=(*case.contradictions, *found.contradictions),
    )  # fmt: skip
    beside = None
    if changed is not None:
        try:
            then = _reconciled(case, changed, starts, trials=0, opinions=False)
            beside = otherwise(found, then, words)
        except NotBalanceable as error:
            beside = impossible(found, f"{error.reason} {error.mend}", words)
    simulated = None
    if draws is not None and found.converged:
        seed = SEED if seed is None else seed
        generator = np.random.default_rng(seed)
        try:
            drawn = simulate_balance(found, generator, draws, starts=starts, say=say)
        except TooManyDraws as error:
            place = Place(cell="option --draws")
            mend = f"Ask for at most {error.most} draws."
            raise InputError([Fault(str(error), mend, place)]) from error
        simulated = Simulated(drawn, seed)
    return BalancedCase(found, case.prices, beside, simulated, case.mismatches)


def _reconciled(
    case: Case, survey: Survey, starts: int | None, *, trials: int | None = None, opinions: bool,
    so_far: Callable[[Balance], None] | None = None,
) -> Balance:  # fmt: skip
    return reconcile(
        case.circuit, survey, feed=case.feeds, products=case.products, starts=starts,
        rates=case.rates, lost=case.lost or None, prices={p.analyte: p.per_kg for p in case.prices},
        trials=trials, second_opinions=opinions, so_far=so_far,
    )  # fmt: skip


def write(answer: BalancedCase, outputs: Outputs) -> None:
    """Write the files asked for."""
    asked, simulated = (answer.balance, answer.prices, answer.otherwise), answer.simulated
    if outputs.json not in (None, "-") and outputs.json:
        write_whole(Path(outputs.json), results.to_json(*asked, simulated))
    if outputs.html is not None:
        write_whole(outputs.html, results.html_report(*asked, simulated=simulated))
    if outputs.xlsx is not None:
        write_whole(outputs.xlsx, results.xlsx_bytes(*asked, simulated=simulated))
    if outputs.pdf is not None:
        pdf = results.pdf_report(*asked, simulated=simulated, brief=outputs.brief)
        write_whole(outputs.pdf, pdf)


def show(answer: BalancedCase, outputs: Outputs) -> bool:
    """Print the answer, and what was written; return whether everything asked for balances."""
    balance, beside = answer.balance, answer.otherwise
    if outputs.json == "-":
        click.echo(results.to_json(balance, answer.prices, beside, answer.simulated))
    else:
        text = results.summary(
            balance, answer.prices, beside, simulated=answer.simulated, parts=outputs.parts,
            terminal=this_terminal(),
        )  # fmt: skip
        click.echo(text, nl=False)
    for told in answer.mismatches:  # sure, and no matter of probability: beside every verdict
        click.echo("\n".join(narrow(told)), err=True)
    for path in outputs.files:
        click.echo(f"written: {path}", err=True)
    if outputs.show and outputs.html is not None:
        webbrowser.open(outputs.html.resolve().as_uri())
    if not balance.converged:
        click.echo("There is no balance of these numbers.", err=True)
        return False
    if beside is not None and not beside.converged:
        click.echo("The balance is there, but not the one with your changes: see 'What if'.",
                   err=True)  # fmt: skip
        return False
    return True
