"""The report: one HTML file with everything in it, to read, print or send."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from importlib.resources import files

from oretally.io.definition import Price
from oretally.io.results.blocks import Block, Format
from oretally.io.results.outline import outline
from oretally.io.wording import CLOSING, ResultTable, Simulated
from oretally.recon.result import Balance, WhatIf

__all__ = ["html_report"]

_FIGURE_SPACE = "\u2007"  # as wide as a digit: pads numbers so that decimal points align
_WIDE = frozenset({"simulation", "circuit", "flows", "sizes", "values", "budgets"})
"""Sections that are printed on pages across."""


def html_report(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the report of a balance as one self-contained HTML document.

    No date, no network, no script: the same balance gives the same bytes.

    Parameters
    ----------
    balance : Balance
    prices : sequence of Price, optional
        Then metal is shown in money too.
    otherwise : WhatIf, optional
        The answers with other measurements, shown beside.
    simulated : Simulated, optional
        What drawn surveys say of the answers.
    """
    import jinja2

    template_text = files("oretally.io").joinpath("templates/report.html.j2").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment.from_string(template_text).render(
        title=balance.survey.title,
        sections=outline(
            balance, Format.PAGE, prices=prices, otherwise=otherwise, simulated=simulated
        ),
        wide=_WIDE,
        kind=_kind,
        cells=_cells,
        closing=CLOSING,
        version=version("oretally"),
    )


def _kind(block: Block) -> str:
    return type(block).__name__


def _cells(table: ResultTable) -> list[list[tuple[str, str]]]:
    """Return rows of (text, kind), kind being 'name', 'word' or 'number'."""
    columns = [
        [text.replace(" ", _FIGURE_SPACE) for text in column] if kind == "number" else column
        for column, kind in zip(table.columns, table.kinds, strict=True)
    ]
    return [list(zip(row, table.kinds, strict=True)) for row in zip(*columns, strict=True)]
