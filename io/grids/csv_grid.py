"""A CSV file as a grid of cells that can be changed and written back: the rest stays as it is.

What `read_csv_table` finds (encoding, delimiter) holds here too, since it is the same reading. A
row that nobody changed keeps its bytes; of a changed row the cells that nobody changed keep theirs.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.files import (
    CSV_DELIMITERS,
    Meter,
    NotRead,
    csv_fields,
    csv_lines,
    decoded_csv,
    delimiter_of,
    key_of,
)

__all__ = ["CsvGrid", "GridRows", "csv_bytes", "csv_grid", "trimmed"]

GridRows = Sequence[Sequence[str]]
_ENDS = ("\r\n", "\n", "\r")
_BREAKS = frozenset("\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029")  # where str.splitlines ends a line
_BOM = "\ufeff"
_LONE = re.compile("[\ud800-\udfff]")  # half of a character


@dataclass(frozen=True, slots=True)
class CsvGrid:
    """The cells of a file, and how they were written.

    Attributes
    ----------
    name : str
        How the user knows the file.
    rows : tuple of tuple of str
        Row i of them is row i + 1 of a fault's cell.
    raw : tuple of str
        The text of each row with its line end.
    delimiter, encoding, line_end : str
    """

    name: str
    rows: tuple[tuple[str, ...], ...] = ()
    raw: tuple[str, ...] = ()
    delimiter: str = ","
    encoding: str = "utf-8"
    line_end: str = "\n"


def csv_grid(data: bytes, name: str) -> CsvGrid:
    """Return the cells of a CSV file.

    Raises
    ------
    InputError
        If it is no text, no table, or too large.
    """
    taken = list[str]()

    def lines() -> Iterator[str]:
        for line in csv_lines(text):
            taken.append(line)
            yield line

    rows, raw = [], []
    try:
        Meter().charge_file(len(data))
        text, encoding = decoded_csv(data)
        delimiter = delimiter_of(text, key_of(name))
        for row in csv_fields(lines(), delimiter):
            rows.append(tuple(row))
            raw.append("".join(taken))
            taken.clear()
    except NotRead as refused:
        raise InputError([Fault(refused.problem, refused.mend, Place(file=name))]) from refused
    ends = Counter(end for end in map(_end, raw) if end)
    line_end = ends.most_common(1)[0][0] if ends else "\n"
    return CsvGrid(name, tuple(rows), tuple(raw), delimiter, encoding, line_end)


def trimmed(rows: GridRows) -> list[tuple[str, ...]]:
    """Return rows without the blank cells at their ends, and without blank rows at the end.

    Examples
    --------
    >>> trimmed([["a", ""], ["", "b"], ["", ""]])
    [('a',), ('', 'b')]
    """
    found = [_cut(row) for row in rows]
    while found and not found[-1]:
        found.pop()
    return found


def _cut(row: Sequence[str]) -> tuple[str, ...]:
    end = len(row)
    while end and not row[end - 1]:
        end -= 1
    return tuple(row[:end])


def csv_bytes(grid: CsvGrid, rows: GridRows) -> bytes:
    """Return the file with other cells; the same bytes where they are the same.

    Raises
    ------
    InputError
        If a cell holds what no text file can hold, or the table could not be read back as it is.
    """
    wanted = trimmed(rows)
    if wanted == trimmed(grid.rows):
        return _encoded("".join(grid.raw), grid.encoding)
    _refuse_unwritable(wanted, grid.name)
    width = max(map(len, wanted), default=0)
    whole = [(*row, *[""] * (width - len(row))) for row in wanted]
    for text, encoding in _ways(grid, wanted, whole):
        try:
            data = _encoded(text, encoding)
        except UnicodeEncodeError:  # the next way is in UTF-8
            continue
        if trimmed(csv_grid(data, grid.name).rows) == wanted:
            return data
    mend = "Take the commas, semicolons, tabs and bars out of its texts, or save a workbook."
    raise InputError([Fault("The table cannot be told apart as CSV.", mend, Place(file=grid.name))])


def _ways(grid: CsvGrid, wanted: GridRows, whole: GridRows) -> Iterator[tuple[str, str]]:
    """Yield the text of the file and its encoding, the most faithful way first."""
    text = "".join(_lines(grid, wanted))
    yield text, grid.encoding
    if grid.encoding == "cp1252":
        yield text, "utf-8-sig"
    for delimiter in dict.fromkeys((grid.delimiter, *CSV_DELIMITERS)):
        quoted = (delimiter.join(map(_quoted, row)) + grid.line_end for row in whole)
        yield "".join(quoted), "utf-8-sig"


def _refuse_unwritable(rows: GridRows, name: str) -> None:
    cells = (cell for row in rows for cell in row)
    if any("\x00" in c or (not c.isascii() and _LONE.search(c)) for c in cells):
        problem = "A cell holds a character that no text can hold."
        raise InputError([Fault(problem, "Type it again.", Place(file=name))])


def _encoded(text: str, encoding: str) -> bytes:
    if encoding.startswith("utf-16"):
        return _BOM.encode(encoding) + text.encode(encoding)
    return text.encode(encoding)


def _lines(grid: CsvGrid, wanted: GridRows) -> Iterator[str]:
    """Yield each row as text: as it was where it is as it was."""
    old, new = [_cut(row) for row in grid.rows], [tuple(row) for row in wanted]
    blank_below = len(old) - len(trimmed(grid.rows))
    new += [()] * blank_below
    shared = max(map(len, grid.rows), default=max(map(len, new), default=0))
    open_end = bool(grid.raw) and not _end(grid.raw[-1])
    for number, (was, row) in enumerate(_paired(old, new), start=1):
        if was is not None and old[was] == row:
            ended = open_end and was == len(old) - 1 and number < len(new)
            yield grid.raw[was] + grid.line_end * ended
        elif was is None:
            cells = [*row, *[""] * (shared - len(row))] if row else []
            yield grid.delimiter.join(_written(grid, cell) for cell in cells) + grid.line_end
        else:
            yield _changed(grid, was, row)


def _paired(
    old: Sequence[tuple[str, ...]], new: Sequence[tuple[str, ...]]
) -> Iterator[tuple[int | None, tuple[str, ...]]]:
    """Yield each new row with the old one that it was, if any."""
    if len(old) == len(new):
        yield from enumerate(new)
        return
    for tag, i, j, k, m in SequenceMatcher(None, old, new).get_opcodes():
        for n, row in enumerate(new[k:m]):
            kept = tag in ("equal", "replace") and i + n < j
            yield (i + n if kept else None), row


def _changed(grid: CsvGrid, at: int, row: tuple[str, ...]) -> str:
    """Return a row of which some cells changed; the others as they were written."""
    text = grid.raw[at]
    end = _end(text)
    pieces = _pieces(text[: len(text) - len(end)], grid.delimiter)
    before = grid.rows[at]
    if len(pieces) != len(before):
        pieces, before = [], ()
    cells = [*row, *[""] * (len(before) - len(row))]
    told = [
        pieces[j] if j < len(before) and before[j] == cell else _written(grid, cell)
        for j, cell in enumerate(cells)
    ]
    return grid.delimiter.join(told) + (end or grid.line_end)


def _pieces(text: str, delimiter: str) -> list[str]:
    """Return the cells of a row as they are written, quotes and all."""
    pieces, start = [], 0
    at_start, inside, closed = True, False, False
    for i, character in enumerate(text):
        if inside:
            inside, closed = character != '"', character == '"'
        elif character == '"' and (at_start or closed):
            inside, closed = True, False
        elif character == delimiter:
            pieces.append(text[start:i])
            start, at_start, closed = i + 1, True, False
            continue
        else:
            closed = False
        at_start = False
    return [*pieces, text[start:]]


def _written(grid: CsvGrid, cell: str) -> str:
    doubtful = grid.delimiter in cell or '"' in cell or cell.startswith(_BOM)
    return _quoted(cell) if doubtful or not _BREAKS.isdisjoint(cell) else cell


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"'


def _end(text: str) -> str:
    return next((end for end in _ENDS if text.endswith(end)), "")
