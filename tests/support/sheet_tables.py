"""The tables of a sheet of a result workbook, and what is seen in its cells."""

from __future__ import annotations

from typing import Any

from openpyxl.cell.cell import Cell
from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["seen", "sheet_text", "tables_of"]

Rows = list[tuple[Any, ...]]


def tables_of(sheet: Worksheet) -> dict[str, Rows]:
    """Return the tables below each other by their headings: header and rows."""
    found: dict[str, Rows] = {}
    own: Rows | None = None
    for row in sheet.iter_rows(values_only=True):
        if row[0] is None and not any(cell is not None for cell in row):
            own = None
        elif own is None:
            own = found.setdefault(str(row[0]), [])
        else:
            own.append(row)
    return found


def seen(cell: Cell) -> str:
    """Return the text of a cell as a spreadsheet shows it, by the formats that we write."""
    value, form = cell.value, str(cell.number_format)
    if not isinstance(value, int | float) or form == "General":
        return "" if value is None else str(value)
    number, _, unit = form.replace('"', "").partition(" ")
    number, _, exponent = number.partition("E")
    places = len(number.partition(".")[2])
    return f"{value:.{places}{'e' if exponent else 'f'}}" + (f" {unit}" if unit else "")


def sheet_text(sheet: Any) -> str:
    """Return a sheet as lines: the cells of each row, then the charts with what they show."""
    lines = [" | ".join(seen(cell) for cell in row).rstrip(" |") for row in sheet.iter_rows()]
    for chart in sheet._charts:
        words = (chart.title, chart.x_axis.title, chart.y_axis.title)
        lines += ["", " | ".join(_words(title) for title in words)]
        for series in chart.series:
            x = series.cat.strRef if series.cat else series.xVal.numRef
            y = (series.val or series.yVal).numRef
            name = series.tx.strRef.f if series.tx else ""
            lines.append(f"{name}: {x.f}; {y.f}")
    return "\n".join(lines) + "\n"


def _words(title: Any) -> str:
    return "".join(run.t for p in title.tx.rich.p for run in p.r)
