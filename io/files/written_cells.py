"""Workbooks that we write: text stays text, numbers get sensible formats, the bytes hang on both.

A sheet holds one table or several below each other; a file has no date in it.
"""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Callable, Container, Iterable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from oretally.flowsheet.digits import DASH, format_number, format_with_sd

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.styles import Alignment
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = [
    "FormattedNumber",
    "Sheet",
    "SheetTable",
    "book_bytes",
    "number_format",
    "put",
    "storable",
    "widen",
    "with_sd",
    "write_tables",
]

SheetTable = tuple[str, Sequence[str], Iterable[Sequence[object]]]
"""Heading, header and rows. A cell is a value; or value and sd, shown with the digits that it
leaves; or a `FormattedNumber`. A row of one cell is a sentence, which may run over its column.
"""
Sheet = tuple[str, Sequence[SheetTable]]
"""Title, and tables below each other; a table without a heading stands there even if empty."""
_WIDEST = 60
_LONG = 30  # characters, beyond which a text at the end of a row does not widen its column
_BLANK: tuple[object, ...] = (None, "")
_ILLEGAL = dict.fromkeys([*range(9), 11, 12, *range(14, 32)])  # not allowed in a sheet's XML
_MOST_PLACES = 9  # decimals, beyond which a number has an exponent
_NO_DATE = datetime(1980, 1, 1)


class FormattedNumber(NamedTuple):
    """A number and how it is shown, as in ECMA-376 part 1, 18.8.31."""

    value: float
    form: str


def with_sd(value: float | None, sd: float | None) -> tuple[object, object]:
    """Return the cells of a value and of its sd, both shown with the digits that the sd leaves.

    An sd that is nothing but rounding leaves its cell blank.
    """
    known = None if format_with_sd(value, sd)[1] == DASH else sd
    return (value, known), (known, known)


def put(
    sheet: Worksheet, row: int, column: int, value: object, *, header: bool = False, form: str = "",
    size: float = 11,
) -> None:  # fmt: skip
    """Write one cell; text can never become a formula, None and NaN leave it blank."""
    from openpyxl.styles import Font

    if value is None or value == "" or (isinstance(value, float) and not math.isfinite(value)):
        return
    cell: Any = sheet.cell(row, column)
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if isinstance(value, int | float):
        cell.value = value
        if form:
            cell.number_format = form
    else:
        cell.value = storable(str(value))
        cell.data_type = "s"
        cell.quotePrefix = True
    if header:
        cell.font = Font(name=cell.font.name, bold=True, size=size)


def storable(text: str) -> str:
    """Return a text without the characters that the XML of a workbook cannot hold."""
    return text.translate(_ILLEGAL)


def number_format(value: float | None, sd: float | None = None) -> str:
    """Return a number format with the digits that the sd leaves meaning.

    Examples
    --------
    >>> number_format(84.3376, 0.6731), number_format(25400.0, 53.0), number_format(0.000123)
    ('0.00', '0', '0.000000')
    >>> number_format(4.34e-9), number_format(4.34e-9, 1.2e-10)
    ('0.000E+00', '0.00E+00')
    """
    if value is None or not math.isfinite(value):
        return "General"
    if sd is None or not math.isfinite(sd) or sd <= 0.0:
        number, _, exponent = format_number(value).partition("e")
        places = len(number.partition(".")[2])
        return f"0.{'0' * places}E+00" if exponent else _decimals(places)
    places = 1 - math.floor(math.log10(float(f"{sd:.1e}")))
    if places > _MOST_PLACES and value != 0.0:
        told, _, exponent = format_with_sd(value, sd)[0].partition("e")
        if not exponent:
            return _decimals(len(told.partition(".")[2]))
        return f"0.{'0' * max(places + math.floor(math.log10(abs(value))), 1)}E+00"
    return _decimals(min(places, _MOST_PLACES))


def _decimals(places: int) -> str:
    return "0." + "0" * places if places > 0 else "0"


def write_tables(
    sheet: Worksheet, tables: Iterable[SheetTable], *, first: int = 1
) -> dict[str, int]:
    """Write tables below each other: heading, header if it says anything, rows, an empty row.

    Those with a heading and no rows are left out. Columns are widened, and the header is frozen
    where one table without a heading is all that there is.

    Parameters
    ----------
    sheet : Worksheet
    tables : iterable of SheetTable
    first : int
        Row to begin at; above it stands something else.

    Returns
    -------
    dict of str to int
        By heading the row of the header.
    """
    from openpyxl.styles import Alignment

    beside = Alignment(indent=1)  # a text, off the number before it
    row, found = first, dict[str, int]()
    spilling = {(i, 1) for i in range(1, first)}
    held = [(heading, header, list(rows)) for heading, header, rows in tables]
    for heading, header, rows in held:
        if heading and not rows:
            continue
        row += bool(found)
        if heading:
            put(sheet, row, 1, heading, header=True, size=12)
            spilling.add((row, 1))
            row += 1
        found[heading] = row
        row -= not any(header)
        for j, word in enumerate(header, start=1):
            put(sheet, row, j, word, header=True)
            if any(_is_number(cells[j - 1]) for cells in rows if len(cells) >= j):
                sheet.cell(row, j).alignment = Alignment(horizontal="right")
        for cells in rows:
            row += 1
            last = max(
                (j for j, cell in enumerate(cells, start=1) if cell not in _BLANK), default=1
            )
            if len(cells) == 1 < len(header) or _is_long(cells[last - 1]):
                spilling.add((row, last))
            for j, cell in enumerate(cells, start=1):
                _put_cell(sheet, row, j, cell, beside)
        row += 1
    only = len(found) == 1 and found.get("") == 1 and any(held[0][1])
    widen(sheet, spilling=spilling, frozen=only)
    return found


def _is_long(cell: object) -> bool:
    """Tell whether a text at the end of a row may run over its column."""
    return isinstance(cell, str) and len(cell) > _LONG


def _is_number(cell: object) -> bool:
    return isinstance(cell, tuple | float | int) and not isinstance(cell, bool)


def _put_cell(sheet: Worksheet, row: int, column: int, cell: object, beside: Alignment) -> None:
    if isinstance(cell, FormattedNumber):
        put(sheet, row, column, cell.value, form=cell.form)
    elif isinstance(cell, tuple):
        put(sheet, row, column, cell[0], form=number_format(*cell))
    elif isinstance(cell, float):
        put(sheet, row, column, cell, form=number_format(cell))
    else:
        put(sheet, row, column, cell)
        if column > 1 and isinstance(cell, str) and cell:
            sheet.cell(row, column).alignment = beside


def widen(
    sheet: Worksheet, *, spilling: Container[tuple[int, int]] = (), frozen: bool = True
) -> None:
    """Set the column widths to what is seen of their contents, and freeze the header row.

    Parameters
    ----------
    sheet : Worksheet
    spilling : container of (int, int)
        Row and column of cells that may run over their columns.
    frozen : bool
        Whether the first row is a header that stays in sight.
    """
    from openpyxl.utils import get_column_letter

    for j, column in enumerate(sheet.iter_cols(), start=1):
        seen = (c for c in column if c.value is not None and (c.row, j) not in spilling)
        longest = max((_length(c.value, c.number_format) for c in seen), default=0)
        sheet.column_dimensions[get_column_letter(j)].width = min(max(longest + 2.5, 9), _WIDEST)
    if frozen:
        sheet.freeze_panes = "A2"


def _length(value: object, form: str) -> int:
    """Return how many characters of a cell are seen."""
    if not isinstance(value, float) or form == "General":
        return len(str(value))
    if "E" in form:
        return len(form) + (value < 0.0)
    shown, _, unit = form.replace('"', "").partition(" ")
    return len(f"{value:.{len(shown.partition('.')[2])}f}") + len(unit)


def book_bytes(book: Workbook, seal: Callable[[zipfile.ZipFile], str] | None = None) -> bytes:
    """Return a workbook as a file, the same bytes for the same cells: without any date.

    ``seal`` gives the document's identifier from its other parts.
    """
    from openpyxl.xml.functions import tostring

    packed, plain = io.BytesIO(), io.BytesIO()
    book.properties.created = _NO_DATE
    book.save(packed)
    book.properties.modified = _NO_DATE  # saving has set it
    with zipfile.ZipFile(packed) as made, zipfile.ZipFile(plain, "w") as archive:
        if seal is not None:
            book.properties.identifier = seal(made)
        for member in made.infolist():
            data = made.read(member)
            if member.filename == "docProps/core.xml":
                data = tostring(book.properties.to_tree())
            entry = zipfile.ZipInfo(member.filename, _NO_DATE.timetuple()[:6])
            entry.compress_type, entry.create_system = zipfile.ZIP_DEFLATED, 3
            archive.writestr(entry, data)
    return plain.getvalue()
