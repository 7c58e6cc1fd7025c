"""Tables from CSV files: encoding, delimiter and decimal mark are found, never assumed."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path

from oretally.flowsheet import Fault, Place
from oretally.io.files.table import (
    Cell,
    Table,
    cleaned,
    collection_paused,
    filled_columns,
    key_of,
    make_table,
)

__all__ = ["read_csv_table"]

_DELIMITERS = (",", ";", "\t", "|")
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_COMMA = re.compile(r"[+-]?\d+,\d+")
_COMMA_IN_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_DOT = re.compile(r"[+-]?\d*\.\d+")
_LARGEST = 64 * 1024 * 1024  # bytes; larger tables belong into a workbook or a store
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
        if path.stat().st_size > _LARGEST:
            return None, [Fault("The file is larger than 64 MiB.", "Split it.", place)]
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or "unreadable"
        return None, [Fault(f"The file cannot be read: {reason}.", "Check its name.", place)]
    text = _decoded(data)
    if text is None:
        mend = "Save it as CSV in UTF-8 from the program that made it."
        return None, [Fault("The file is not text.", mend, place)]
    csv.field_size_limit(_LARGEST)
    try:
        rows = _rows(text, key, place)
    except csv.Error as error:
        return None, [Fault(f"The file is not a CSV table: {error}.", "Save it anew.", place)]
    lines = filled_columns(place, rows)
    if isinstance(lines, Fault):
        return None, [lines]
    decimal, undecided = _decimal_mark(rows)
    return make_table(place, lines, key=key, decimal=decimal, undecided=undecided)


def _decoded(data: bytes) -> str | None:
    encoding = next((enc for bom, enc in _BOMS if data.startswith(bom)), None)
    for candidate in (encoding,) if encoding else ("utf-8", "cp1252"):
        try:
            text = data.decode(candidate)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    return None


def _rows(text: str, key: str, place: Place) -> list[list[Cell]]:
    """Return the filled cells of every line that has any."""
    lines = text.splitlines(keepends=True)
    rows = []
    new = tuple.__new__  # a million cells: without the detour by Cell's own constructor
    for i, line in enumerate(csv.reader(lines, delimiter=_delimiter(lines, key))):
        row = [
            new(Cell, (value, place, "", i, j))
            for j, field in enumerate(line)
            if (value := field.strip() if field.isascii() else cleaned(field))
        ]
        if row:
            rows.append(row)
    return rows


def _delimiter(lines: Sequence[str], key: str) -> str:
    """Return the delimiter that fits the first lines best."""
    best, found = -1, _DELIMITERS[0]
    for delimiter in _DELIMITERS:
        cut = islice(csv.reader(lines, delimiter=delimiter), _LOOKED_AT)
        filled = [line for line in cut if any(field.strip() for field in line)]
        words = ([field.strip().casefold() for field in line] for line in filled)
        top = next((i for i, line in enumerate(words) if key in line), 0) if key else 0
        columns = len(filled[top]) if filled else 0
        fitting = sum(len(line) == columns for line in filled[top:]) if columns > 1 else 0
        if fitting * columns > best:
            best, found = fitting * columns, delimiter
    return found


def _texts(rows: Sequence[Sequence[Cell]]) -> Iterator[str]:
    return (str(cell.value) for row in rows for cell in row)


def _decimal_mark(rows: Sequence[Sequence[Cell]]) -> tuple[str, bool]:
    """Return the decimal mark and whether it is in doubt."""
    commas = [t for t in _texts(rows) if "," in t and _COMMA.fullmatch(t)]
    if not commas or any("." in t and _DOT.fullmatch(t) for t in _texts(rows)):
        return ".", False
    in_doubt = all(_COMMA_IN_DOUBT.fullmatch(t) for t in commas)
    return ("." if in_doubt else ","), in_doubt
