"""Tables and headings on a terminal, or as text for a pipe."""

from __future__ import annotations

import io
from collections.abc import Callable
from textwrap import wrap
from typing import TYPE_CHECKING

from oretally.io.wording.tables import ResultTable

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table

__all__ = [
    "SCREEN",
    "WIDTH",
    "as_text",
    "print_heading",
    "print_lines",
    "print_plain",
    "print_table",
    "screen_lines",
    "sentence_row",
    "wrapped",
]

SCREEN = 80  # columns of the first screen

WIDTH = 160  # columns of text that is not for a terminal: tables are never cut
_WIDEST = 1000  # columns of the widest table
_SENTENCE = 92  # columns of a sentence
_TEXT = 100  # columns of text without a word beside it


def as_text(draw: Callable[[Console], None]) -> str:
    """Return what is printed to a console as plain text."""
    from rich.console import Console

    buffer = io.StringIO()
    draw(Console(file=buffer, width=WIDTH, color_system=None, force_terminal=False))
    return "\n".join(line.rstrip() for line in buffer.getvalue().splitlines()) + "\n"


def wrapped(sentence: str, first: str = "", rest: str | None = None) -> list[str]:
    """Return a sentence as lines to be read, the first after ``first``, the others indented.

    Examples
    --------
    >>> wrapped("Nothing was adjusted.", "note ")
    ['note Nothing was adjusted.']
    """
    lines = wrap(sentence, _TEXT, initial_indent=first,
                 subsequent_indent=" " * len(first) if rest is None else rest,
                 break_on_hyphens=False, break_long_words=False)  # fmt: skip
    return lines or [first.rstrip()]


def sentence_row(word: str, sentence: str) -> RenderableType:
    """Return a word and a sentence beside it, wrapped to be read."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=13)
    grid.add_column(max_width=_SENTENCE)
    grid.add_row(Text(word, style="bold"), Text(sentence))
    return grid


def print_heading(console: Console, title: str) -> None:
    """Print a heading below an empty line."""
    from rich.text import Text

    console.print()
    console.print(Text(title, style="bold"))


def print_table(table: ResultTable, console: Console) -> None:
    """Print a table below its caption, cells never cut or wrapped; what is said of it follows."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    print_heading(console, table.caption)
    shown = Table(box=box.SIMPLE_HEAD, pad_edge=False, safe_box=True)
    for name, kind in zip(table.header, table.kinds, strict=True):
        shown.add_column(Text(name), justify="right" if kind == "number" else "left", no_wrap=True)
    for row in zip(*table.columns, strict=True):
        shown.add_row(*(Text(cell) for cell in row))
    _print_whole(shown, console)
    for sentence in table.below:
        console.print(sentence_row("", sentence))


def _print_whole(shown: Table, console: Console) -> None:
    """Print a table on however narrow a terminal: long rows are folded, numbers never cut."""
    narrow = console.width
    console.width = _WIDEST
    console.width = max(narrow, console.measure(shown).maximum)
    console.print(shown, crop=False)
    console.width = narrow


def screen_lines(sentence: str) -> list[str]:
    """Return a sentence as lines of the first screen."""
    return wrap(sentence, SCREEN, break_on_hyphens=False, break_long_words=False)


def print_lines(sentence: str, console: Console, style: str = "") -> None:
    """Print a sentence on the first screen, wrapped to its width."""
    from rich.text import Text

    for line in screen_lines(sentence):
        console.print(Text(line, style=style))


def print_plain(table: ResultTable, console: Console) -> None:
    """Print a table without lines or caption, cells never cut, on the first screen."""
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name, kind in zip(table.header, table.kinds, strict=True):
        shown.add_column(Text(name), justify="right" if kind == "number" else "left", no_wrap=True)
    for row in zip(*table.columns, strict=True):
        shown.add_row(*(Text(cell) for cell in row))
    _print_whole(shown, console)
    for sentence in table.below:
        print_lines(sentence, console)
