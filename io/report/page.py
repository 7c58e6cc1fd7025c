"""A report as one HTML file: no date, no network, no script; the same facts give the same bytes."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from oretally.io.report.blocks import Block, Section
from oretally.io.wording import ResultTable

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["page", "template"]

_FIGURE_SPACE = "\u2007"  # as wide as a digit: pads numbers so that decimal points align


def page(
    title: str, sections: Sequence[Section], *, about: str, closing: str,
    folded: Collection[str] = (),
) -> str:  # fmt: skip
    """Return a report as one self-contained HTML document.

    Parameters
    ----------
    title : str
        The heading of the page.
    sections : sequence of Section
    about : str
        The title of the document, beside what others are called.
    closing : str
        What stands below all.
    folded : collection of str, optional
        Keys of the sections that show their heading alone until it is clicked; whole in print.
    """
    from importlib.metadata import version

    return template("report.html.j2").render(
        title=title, about=about, sections=sections, folded=folded, closing=closing,
        kind=_kind,
        cells=_cells, version=version("oretally"),
    )  # fmt: skip


@cache  # it takes longer to compile than to fill in
def template(name: str) -> Template:
    """Return a template of this program: names are escaped, and nothing may be left unsaid."""
    import jinja2

    text = files("oretally.io").joinpath(f"templates/{name}").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment.from_string(text)


def _kind(block: Block) -> str:
    return type(block).__name__


def _cells(table: ResultTable) -> list[list[tuple[str, str]]]:
    """Return rows of (text, kind), kind being 'name', 'word' or 'number'."""
    columns = [
        [text.replace(" ", _FIGURE_SPACE) for text in column] if kind == "number" else column
        for column, kind in zip(table.columns, table.kinds, strict=True)
    ]
    return [list(zip(row, table.kinds, strict=True)) for row in zip(*columns, strict=True)]
