"""Tables from CSV files: encoding, delimiter and decimal mark are found, never assumed."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import islice
from pathlib import Path

from oretally.flowsheet import Fault, Place
from oretally.io.files.budget import BUDGET, Meter, NotRead, read_bytes
from oretally.io.files.pasted_rows import row_names
from oretally.io.files.table import (
    Cell,
    Table,
    cleaned,
    collection_paused,
    filled_columns,
    key_of,
    make_table,
)

__all__ = ["CSV_DELIMITERS", "csv_fields", "csv_lines", "cut_numbers", "decimal_mark",
           "decoded_csv", "delimiter_of", "number_in_note", "read_csv_table"]  # fmt: skip

CSV_DELIMITERS = (",", ";", "\t", "|")
_BOMS = (
    (b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"),
)  # fmt: skip
_COMMA = re.compile(r"[+-]?\d+,\d+")
_COMMA_IN_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_DOT = re.compile(r"[+-]?\d*\.\d+")
_NOTES = ("note", "notes")
_NUMBER = re.compile(r"[<>]?\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*%?")
_WHOLE = re.compile(r"([<>]\s*)?[+-]?\d+")
_DECIMALS = re.compile(r"\d+([eE][+-]?\d+)?\s*%?")
_TOLD = 3  # numbers of a row that a comma may have cut
_LOOKED_AT = 500  # lines from which the delimiter is found


@collection_paused()
def read_csv_table(
    path: Path, name: str, *, key: str | None = None
) -> tuple[Table | None, list[Fault]]:
    """Read a CSV file; ``name`` is how the user knows it.

    Parameters
    ----------
    path : Path
    name : str
    key : str, optional
        Column that tells the header, see `make_table`; found by the name if not given.

    Notes
    -----
    The delimiter is the one that cuts the first lines into the most columns of the header's
    number. The decimal mark is a comma if numbers have commas and none has a point; a file in
    which every comma may also separate thousands is left undecided. Rows that a comma in a number
    has moved are faults, see `_moved_rows`.
    """
    place = Place(file=name)
    key = key_of(name) if key is None else key
    try:
        text, _ = decoded_csv(read_bytes(path, meter := Meter()))
        delimiter = delimiter_of(text, key)
        rows, fields = _rows(text, delimiter, place, meter)
    except NotRead as refused:
        return None, [Fault(refused.problem, refused.mend, place)]
    lines = filled_columns(place, rows)
    if isinstance(lines, Fault):
        return None, [lines]
    decimal, undecided = decimal_mark(str(cell.value) for row in rows for cell in row)
    table, faults = make_table(place, lines, key=key, decimal=decimal, undecided=undecided)
    if table is not None and not faults and delimiter == ",":
        faults = _moved_rows(table, fields)
    return table, faults


def decoded_csv(data: bytes) -> tuple[str, str]:
    """Return the text of a file and its encoding; `NotRead` if it is not text."""
    encoding = next((enc for bom, enc in _BOMS if data.startswith(bom)), None)
    for candidate in (encoding,) if encoding else ("utf-8", "cp1252"):
        try:
            text = data.decode(candidate)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text.removeprefix("\ufeff") if "utf-16" in candidate else text, candidate
    mend = "Save it as CSV in UTF-8 from the program that made it."
    raise NotRead("The file is not text.", mend)


def csv_lines(text: str) -> Iterator[str]:
    """Return the lines of a text with their ends: line feeds, carriage returns, or both."""
    return io.StringIO(text, newline="")


def csv_fields(lines: Iterable[str], delimiter: str) -> Iterator[list[str]]:
    """Yield the fields of every row; `NotRead` where there is none."""
    csv.field_size_limit(BUDGET.cell)
    try:
        yield from csv.reader(lines, delimiter=delimiter)
    except csv.Error as error:
        if "field larger" in str(error):
            Meter().charge_text(BUDGET.cell + 1)
        raise NotRead(f"The file is not a CSV table: {error}.", "Save it anew.") from None


def _rows(
    text: str, delimiter: str, place: Place, meter: Meter
) -> tuple[list[list[Cell]], dict[int, int]]:
    """Return the filled cells of every line that has any, and how many each has, blank or not."""
    rows, fields = list[list[Cell]](), dict[int, int]()
    new = tuple.__new__  # a million cells: without the detour by Cell's own constructor
    meter.charge_cells(0, len(text))
    for i, line in enumerate(csv_fields(csv_lines(text), delimiter)):
        meter.charge_position(i, max(len(line) - 1, 0))
        row = [
            new(Cell, (value, place, "", i, j))
            for j, field in enumerate(line)
            if (value := field.strip() if field.isascii() else cleaned(field))
        ]
        if row:
            meter.charge_cells(len(row), 0)
            rows.append(row)
            fields[i] = len(line)
    return rows, fields


def _moved_rows(table: Table, fields: Mapping[int, int]) -> list[Fault]:
    """Return the fault of rows in which a decimal comma has probably moved cells to the right.

    A comma in a number makes two numbers of it, and moves what follows by one cell: the last number
    into the note, or a blank cell beyond the header. A note that is nothing but a number is
    therefore none, nor is a cell too many that other rows have not, where a number of the row may
    be one that was cut. All rows are told in one fault.

    Parameters
    ----------
    table : Table
        Separated by commas.
    fields : mapping of int to int
        How many cells each row of the file has, blank ones counted.
    """
    width, most = fields[table.header[0].row], max(fields.values())
    odd = most > width and any(fields[_first(row).row] <= width for row in table.rows)
    at = number_in_note(table.header, table.rows)
    found = [
        (row, cut)
        for row in table.rows
        if (row[0].row in at or (odd and fields[_first(row).row] > width))
        and (cut := cut_numbers(table.header, row))
    ]
    if not found:
        return []
    row, cut = found[0]
    note = at.get(row[0].row)
    if note is None:
        problem, mend = "The row has a cell more than the header", "clear the last cell"
    else:
        problem, mend = f"The note '{note.text}' is nothing but a number", "put a word to the note"
    halves = " or ".join(f"{a},{b} as {a} and {b}" for a, b in cut[:_TOLD])
    whole = "\nor ".join(f"{a}.{b}" for a, b in cut[:_TOLD])
    more = f" So it is in {row_names([_first(r) for r, _ in found])}." if found[1:] else ""
    place = (note or next(c for c in reversed(row) if not c.blank)).place
    return [
        Fault(f"{problem}: a decimal comma has probably moved cells to the right, {halves}.{more}",
              f"Write {whole},\nor separate by semicolons,\nor {mend} if there was no comma.",
              place)
    ]  # fmt: skip


def number_in_note(header: Sequence[Cell], rows: Iterable[Sequence[Cell]]) -> dict[int, Cell]:
    """Return the notes that are nothing but a number, by the row of their first cell."""
    j = _note(header)
    if j is None:
        return {}
    return {row[0].row: row[j] for row in rows
            if not row[j].blank and _NUMBER.fullmatch(row[j].text)}  # fmt: skip


def cut_numbers(header: Sequence[Cell], row: Sequence[Cell]) -> list[tuple[str, str]]:
    """Return the numbers of a row that a comma may have cut in two.

    A note may be the second half; what stands right of it is left out.
    """
    j = _note(header)
    cells = row if j is None else row[: j + 1]
    return [
        (a.text, b.text) for a, b in zip(cells, cells[1:], strict=False)
        if _WHOLE.fullmatch(a.text) and _DECIMALS.fullmatch(b.text)
    ]  # fmt: skip


def _note(header: Sequence[Cell]) -> int | None:
    return next((j for j, c in enumerate(header) if c.text.casefold() in _NOTES), None)


def _first(row: Sequence[Cell]) -> Cell:
    return next(c for c in row if not c.blank)


def delimiter_of(text: str, key: str) -> str:
    """Return the delimiter that fits the first lines best; ``key`` as in `read_csv_table`."""
    best, found = -1, CSV_DELIMITERS[0]
    for delimiter in CSV_DELIMITERS:
        filled = list[list[str]]()
        with suppress(NotRead):  # told when it is read: what was cut before it still counts
            cut = islice(csv_fields(csv_lines(text), delimiter), _LOOKED_AT)
            filled += (line for line in cut if any(field.strip() for field in line))
        words = ([field.strip().casefold() for field in line] for line in filled)
        top = next((i for i, line in enumerate(words) if key in line), 0) if key else 0
        columns = len(filled[top]) if filled else 0
        fitting = sum(len(line) == columns for line in filled[top:]) if columns > 1 else 0
        if fitting * columns > best:
            best, found = fitting * columns, delimiter
    return found


def decimal_mark(texts: Iterable[str]) -> tuple[str, bool]:
    """Return the decimal mark of some cells, and whether it is in doubt."""
    found = list(texts)
    commas = [t for t in found if "," in t and _COMMA.fullmatch(t)]
    if not commas or any("." in t and _DOT.fullmatch(t) for t in found):
        return ".", False
    in_doubt = all(_COMMA_IN_DOUBT.fullmatch(t) for t in commas)
    return ("." if in_doubt else ","), in_doubt
