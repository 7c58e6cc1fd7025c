"""Tables from CSV files: encoding, delimiter and decimal mark are found, never assumed."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from itertools import islice
from pathlib import Path

from oretally.flowsheet import Fault, Place
from oretally.io.files.budget import BUDGET, Meter, NotRead, read_bytes
from oretally.io.files.table import (
    Cell,
    Table,
    cleaned,
    collection_paused,
    filled_columns,
    key_of,
    make_table,
)

__all__ = ["CSV_DELIMITERS", "csv_fields", "csv_lines", "decimal_mark", "decoded_csv",
           "delimiter_of", "read_csv_table"]  # fmt: skip

CSV_DELIMITERS = (",", ";", "\t", "|")
_BOMS = (
    (b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"),
)  # fmt: skip
_COMMA = re.compile(r"[+-]?\d+,\d+")
_COMMA_IN_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_DOT = re.compile(r"[+-]?\d*\.\d+")
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
    which every comma may also separate thousands is left undecided.
    """
    place = Place(file=name)
    key = key_of(name) if key is None else key
    try:
        text, _ = decoded_csv(read_bytes(path, meter := Meter()))
        rows = _rows(text, key, place, meter)
    except NotRead as refused:
        return None, [Fault(refused.problem, refused.mend, place)]
    lines = filled_columns(place, rows)
    if isinstance(lines, Fault):
        return None, [lines]
    decimal, undecided = decimal_mark(str(cell.value) for row in rows for cell in row)
    return make_table(place, lines, key=key, decimal=decimal, undecided=undecided)


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


def _rows(text: str, key: str, place: Place, meter: Meter) -> list[list[Cell]]:
    """Return the filled cells of every line that has any."""
    rows = []
    new = tuple.__new__  # a million cells: without the detour by Cell's own constructor
    meter.charge_cells(0, len(text))
    for i, line in enumerate(csv_fields(csv_lines(text), delimiter_of(text, key))):
        meter.charge_position(i, max(len(line) - 1, 0))
        row = [
            new(Cell, (value, place, "", i, j))
            for j, field in enumerate(line)
            if (value := field.strip() if field.isascii() else cleaned(field))
        ]
        if row:
            meter.charge_cells(len(row), 0)
            rows.append(row)
    return rows


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
