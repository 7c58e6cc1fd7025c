"""Tables from CSV files: encoding, delimiter and decimal mark are found, never assumed."""

from __future__ import annotations

import csv
import re
from pathlib import Path

from oretally.flowsheet import Fault, Place
from oretally.io.table import Cell, Table, address, make_table

__all__ = ["read_csv_table"]

_DELIMITERS = (",", ";", "\t", "|")
_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_COMMA = re.compile(r"[+-]?\d+,\d+")
_COMMA_IN_DOUBT = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_DOT = re.compile(r"[+-]?\d*\.\d+")
_LARGEST = 64 * 1024 * 1024  # bytes; larger tables belong into a workbook or a store


def read_csv_table(path: Path, name: str) -> tuple[Table | None, list[Fault]]:
    """Read a CSV file; ``name`` is how the user knows it.

    Notes
    -----
    The delimiter is the one that cuts the lines into the most columns of the header's number. The
    decimal mark is a comma if numbers have commas and none has a point; a file in which every
    comma may also separate thousands is left undecided.
    """
    place = Place(file=name)
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
        lines = _cut(text)
    except csv.Error as error:
        return None, [Fault(f"The file is not a CSV table: {error}.", "Save it anew.", place)]
    decimal, undecided = _decimal_mark([field.strip() for line in lines for field in line])
    cells = [
        [
            Cell(field.strip() or None, Place(file=name, cell=address(i, j)))
            for j, field in enumerate(line)
        ]
        for i, line in enumerate(lines)
    ]
    return make_table(place, cells, decimal=decimal, undecided=undecided)


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


def _cut(text: str) -> list[list[str]]:
    """Return the fields of every line, cut by the delimiter that fits best."""
    best: tuple[int, int, list[list[str]]] = (-1, 0, [])
    for rank, delimiter in enumerate(_DELIMITERS):
        lines = list(csv.reader(text.splitlines(keepends=True), delimiter=delimiter))
        filled = [line for line in lines if any(field.strip() for field in line)]
        columns = len(filled[0]) if filled else 0
        fitting = sum(len(line) == columns for line in filled) if columns > 1 else 0
        score = fitting * columns
        if score > best[0] or best[0] < 0:
            best = (score, rank, lines)
    return best[2]


def _decimal_mark(fields: list[str]) -> tuple[str, bool]:
    """Return the decimal mark and whether it is in doubt."""
    commas = [f for f in fields if _COMMA.fullmatch(f)]
    points = any(_DOT.fullmatch(f) for f in fields)
    if not commas or points:
        return ".", False
    in_doubt = all(_COMMA_IN_DOUBT.fullmatch(f) for f in commas)
    return ("." if in_doubt else ","), in_doubt
