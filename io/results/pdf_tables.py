"""Tables cut to the width of a page of the PDF report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from oretally.io.wording import ResultTable

__all__ = ["page_tables"]

_DIGIT_SPACE, _POINT_SPACE = "\u2007", "\u2008"  # as wide as a digit, and as a point
_WIDTH = 505.0  # points between the margins
_DIGIT, _GAP = 3.9, 6.5  # points of a character of a table, and between its columns
_LONGEST_WORD = 26  # characters of a cell of words before it is set on more lines


def page_tables(tables: Iterable[ResultTable]) -> list[dict[str, Any]]:
    """Return tables and what is said of them, wide ones in several parts, each with its names."""
    found = []
    for table in tables:
        if not table.rows:
            continue
        kinds = table.kinds
        columns = [
            [_padded(text) for text in column] if kind == "number" else column
            for column, kind in zip(table.columns, kinds, strict=True)
        ]
        runs = _runs(table, columns)
        for i, run in enumerate(runs):
            found.append({
                "kind": "table",
                "caption": table.caption + (f" ({i + 1} of {len(runs)})" if len(runs) > 1 else ""),
                "kinds": [kinds[j] for j in run],
                "header": [table.header[j] for j in run],
                "rows": list(zip(*(columns[j] for j in run), strict=True)),
            })  # fmt: skip
        if table.below:
            found.append({"kind": "words", "texts": table.below})
    return found


def _padded(number: str) -> str:
    """Return a number, padded with blanks, with blanks as wide as what they stand for."""
    bare = number.rstrip(" ")
    blanks = _DIGIT_SPACE * (len(number) - len(bare))
    return bare + (blanks if "." in bare or not blanks else _POINT_SPACE + blanks[1:])


def _runs(table: ResultTable, columns: Sequence[Sequence[str]]) -> list[list[int]]:
    """Return the columns of each part of a table: its names, and numbers as many as fit."""
    widths = []
    for head, column, kind in zip(table.header, columns, table.kinds, strict=True):
        longest = max((len(text) for text in column), default=0)
        word = max((len(text) for text in head.split()), default=0)
        if kind != "number":
            longest = min(max(longest, len(head)), _LONGEST_WORD)
        widths.append(_GAP + _DIGIT * max(longest, word))
    names = list(range(table.words))
    numbers = [j for j, kind in enumerate(table.kinds) if kind == "number"]
    last = [j for j in range(len(columns)) if j not in (*names, *numbers)]
    room = _WIDTH - sum(widths[j] for j in (*names, *last))
    # a number and its error stay together
    pairs = [numbers[i : i + 1 + _has_error(table, numbers, i)] for i in _starts(table, numbers)]
    runs: list[list[int]] = [[]]
    for pair in pairs:
        if runs[-1] and sum(widths[j] for j in (*runs[-1], *pair)) > room:
            runs.append([])
        runs[-1] += pair
    return [[*names, *run, *last] for run in runs]


def _has_error(table: ResultTable, numbers: Sequence[int], i: int) -> bool:
    return i + 1 < len(numbers) and table.header[numbers[i + 1]].startswith("±")


def _starts(table: ResultTable, numbers: Sequence[int]) -> list[int]:
    return [i for i, j in enumerate(numbers) if i == 0 or not table.header[j].startswith("±")]
