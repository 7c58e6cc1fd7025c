"""Cells of workbooks that we write: text stays text, numbers get sensible formats."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["Sheet", "number_format", "put", "storable", "widen", "with_sd"]

Sheet = tuple[str, Sequence[str], Iterable[Sequence[object]]]
"""Title, header and rows; a cell is a value, or value and sd: shown with the digits that it leaves.
"""
_WIDEST = 60
_ILLEGAL = dict.fromkeys([*range(9), 11, 12, *range(14, 32)])  # not allowed in a sheet's XML


def with_sd(value: float | None, sd: float | None) -> tuple[object, object]:
    """Return the cells of a value and of its sd, both shown with the digits that the sd leaves."""
    return (value, sd), (sd, sd)


def put(
    sheet: Worksheet, row: int, column: int, value: object, *, header: bool = False, form: str = ""
) -> None:
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
        cell.font = Font(bold=True)


def storable(text: str) -> str:
    """Return a text without the characters that the XML of a workbook cannot hold."""
    return text.translate(_ILLEGAL)


def number_format(value: float | None, sd: float | None = None) -> str:
    """Return a number format with the digits that the sd leaves meaning.

    Examples
    --------
    >>> number_format(84.3376, 0.6731), number_format(25400.0, 53.0), number_format(0.000123)
    ('0.00', '0', '0.0000000')
    """
    if value is None or not math.isfinite(value):
        return "General"
    if sd is not None and math.isfinite(sd) and sd > 0.0:
        places = 1 - math.floor(math.log10(float(f"{sd:.1e}")))
    elif value == 0.0:
        places = 0
    else:
        places = 3 - math.floor(math.log10(abs(value)))
    places = min(max(places, 0), 12)
    return "0" if places == 0 else "0." + "0" * places


def widen(sheet: Worksheet) -> None:
    """Set the column widths to their contents and freeze the header row."""
    from openpyxl.utils import get_column_letter

    for j, column in enumerate(sheet.iter_cols(), start=1):
        longest = max((len(str(c.value)) for c in column if c.value is not None), default=0)
        sheet.column_dimensions[get_column_letter(j)].width = min(max(longest + 2, 8), _WIDEST)
    sheet.freeze_panes = "A2"
