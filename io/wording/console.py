"""Headings, sentences and tables as lines of text, for a terminal or a pipe."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from shutil import get_terminal_size
from textwrap import wrap
from unicodedata import combining, east_asian_width

from oretally.io.wording.tables import ResultTable

__all__ = ["PIPE", "Terminal", "this_terminal", "wrapped"]

_WIDTH = 160  # columns of text that is not for a terminal
_WORD = 13  # columns of a word beside a sentence
_SENTENCE = 92  # columns of a sentence
_NARROWEST = 20  # columns of a sentence where there is no room
_TEXT = 100  # columns of text without a word beside it
_GAP = "   "  # between the columns of a table
_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"


@dataclass(frozen=True, slots=True)
class Terminal:
    """Where lines are read.

    Attributes
    ----------
    width : int
        Columns. Sentences are wrapped to it, words at the end of a row of a table too; a table
        that is wider still stands in parts below each other, its first columns in each.
    styled : bool
        Whether headings are bold.
    """

    width: int = _WIDTH
    styled: bool = False

    def heading(self, title: str) -> list[str]:
        """Return a heading below an empty line."""
        return ["", self.bold(title)]

    def bold(self, text: str) -> str:
        """Return text as what stands out."""
        return f"{_BOLD}{text}{_PLAIN}" if self.styled and text else text

    def text(self, text: str) -> list[str]:
        """Return text over the whole width."""
        return _folded(text, self.width)

    def sentence(self, word: str, sentence: str) -> list[str]:
        """Return a word and a sentence beside it, wrapped to be read."""
        width = min(_SENTENCE, max(_NARROWEST, self.width - _WORD - 1))
        beside = zip_longest(_folded(word, _WORD), _folded(sentence, width), fillvalue="")
        return [
            f"{self.bold(name)}{' ' * (_WORD + 1 - _columns(name))}{line}".rstrip()
            for name, line in beside
        ]

    def plain(self, table: ResultTable) -> list[str]:
        """Return a table without caption or line, for a first screen."""
        head, *rows = ("  ".join(row).rstrip() for row in _cells(table))
        return [self.bold(head), *rows]

    def table(self, table: ResultTable) -> list[str]:
        """Return a table below its caption; what is said of it follows."""
        lines = self.heading(table.caption)
        for part in _parts(table, self.width - 1):
            rows = [" " + _GAP.join(row).rstrip() for row in part]
            rule = " " + "─" * _columns(_GAP.join(part[0]))
            lines += ["", rows[0], rule, *rows[1:]]
        return [*lines, "", *(line for s in table.below for line in self.sentence("", s))]


PIPE = Terminal()
"""Text that is not for a terminal."""


def this_terminal() -> Terminal:
    """Return where standard output is read."""
    if not sys.stdout.isatty():
        return PIPE
    return Terminal(get_terminal_size().columns, styled=os.environ.get("TERM") != "dumb")


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


def _columns(text: str) -> int:
    """Return how many columns a text takes: wide characters take two, accents none."""
    if text.isascii():
        return len(text)
    return sum(0 if combining(c) else 2 if east_asian_width(c) in "FW" else 1 for c in text)


def _cells(table: ResultTable) -> list[list[str]]:
    """Return header and rows, each cell as wide as its column."""
    return [list(row) for row in zip(*_padded_columns(table), strict=True)]


def _padded_columns(table: ResultTable) -> list[list[str]]:
    columns = [[name, *cells] for name, cells in zip(table.header, table.columns, strict=True)]
    padded = []
    for column, kind in zip(columns, table.kinds, strict=True):
        wide = max(map(_columns, column))
        padded.append([_padded(cell, wide, right=kind == "number") for cell in column])
    return padded


def _parts(table: ResultTable, width: int) -> Iterator[list[list[str]]]:
    """Yield header and rows of a table in parts as wide as given, its first columns in each.

    A column and its ± stay together; words at the end of a row are folded.
    """
    columns, header = _padded_columns(table), list(table.header)
    first, end = columns[: table.words], len(header) - table.last_words
    part, j = list(first), table.words
    while j < len(header):
        group = columns[j : j + (2 if header[j + 1 : j + 2] == ["±"] else 1)]
        least = _wide(group) if j < end else min(_NARROWEST, _wide(group))
        room = width - _wide(part) - len(_GAP)
        if least > room and len(part) > len(first):
            yield _rows(part)
            part, room = list(first), width - _wide(first) - len(_GAP)
        part += group if j < end else [_folded_cells(group[0], max(room, least))]
        j += len(group)
    yield _rows(part)


def _wide(columns: Sequence[Sequence[str]]) -> int:
    """Return how wide padded columns are beside each other."""
    cells = [column[0].split("\n")[0] for column in columns]
    return sum(map(_columns, cells)) + len(_GAP) * max(0, len(cells) - 1)


def _folded_cells(column: Sequence[str], width: int) -> list[str]:
    """Return cells with their words on lines as wide as given, at most."""
    folded = [_folded(cell.rstrip(), width) for cell in column]
    wide = max(_columns(line) for lines in folded for line in lines)
    return ["\n".join(_padded(line, wide, right=False) for line in lines) for lines in folded]


def _rows(columns: Sequence[Sequence[str]]) -> list[list[str]]:
    """Return the lines of header and rows, a cell a column; a folded cell takes several lines."""
    rows = []
    for row in zip(*columns, strict=True):
        lines = zip_longest(*(cell.split("\n") for cell in row))
        blank = [" " * _wide([[cell]]) for cell in row]
        rows += [
            [b if c is None else c for c, b in zip(line, blank, strict=True)] for line in lines
        ]
    return rows


def _padded(text: str, width: int, *, right: bool) -> str:
    """Return a cell as wide as its column; decimal points of numbers stand below each other."""
    blank = " " * (width - _columns(text))
    return blank + text if right else text + blank


def _folded(text: str, width: int) -> list[str]:
    """Return text as lines of at most ``width`` columns; longer words are cut."""
    lines = []
    for paragraph in text.split("\n"):
        line: str | None = None
        for word in paragraph.split(" "):
            if line is not None and _columns(line) + 1 + _columns(word) <= width:
                line = f"{line} {word}"
                continue
            if line is not None:
                lines.append(line.rstrip())
            line = word
            while _columns(line) > width:
                most = next(n for n in range(len(line), 0, -1) if _columns(line[:n]) <= width)
                lines.append(line[:most])
                line = line[most:]
        lines.append((line or "").rstrip())
    return lines
