"""The first sheet of the result workbook: verdict, table of products, charts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from oretally.flowsheet.digits import DASH
from oretally.io.files import FormattedNumber, SheetTable, put, write_tables
from oretally.io.results.answer_sheets import RECOVERIES
from oretally.io.results.product_charts import (
    HEIGHT_CM,
    WIDTH_CM,
    curve_chart,
    distribution_chart,
)
from oretally.io.wording import (
    CLOSING,
    Figure,
    ProductRows,
    caution_lines,
    curve_caption,
    kept_sentences,
    next_step,
    product_rows,
    verdict_sentences,
)
from oretally.recon.result import Balance

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.chart import BarChart, ScatterChart
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["write_summary"]

_TITLE_SIZE = 14
_LEAST_COLUMNS = 9  # over which a sentence runs
_CHARTS_ACROSS = 2
_LINE_PT = 15.0  # height of a line
_LINE_CM = _LINE_PT * 2.54 / 72.0
_CHARACTER_CM = 7.0 * 2.54 / 96.0  # of a column's width: 7 pixels
_NARROW = 8.43  # width of a column that nobody set, in characters
_BOLD_WIDER = 1.15  # bold text than its characters


def write_summary(book: Workbook, balance: Balance, curves: Mapping[str, int]) -> None:
    """Write the first sheet of a workbook that has the others.

    Parameters
    ----------
    book : Workbook
    balance : Balance
        One that converged.
    curves : mapping of str to int
        By caption the row of the header of each curve in the sheet `RECOVERIES`.
    """
    sheet = book.create_sheet("summary", 0)
    title, sentences = balance.survey.title, _sentences(balance)
    if title:
        put(sheet, 1, 1, title, header=True, size=_TITLE_SIZE)
    first = 1 + bool(title)
    for i, sentence in enumerate(sentences, start=first):
        put(sheet, i, 1, sentence, header=i == first)
    row = first + len(sentences) + 1
    found = product_rows(balance)
    charts = [
        curve_chart(book[RECOVERIES], curves[curve_caption(curve)], curve)
        for curve in balance.losses.curves
    ]
    if found is not None:
        write_tables(sheet, [_table(found)], first=row)
        columns = [3, *range(6, len(found.header) + 1, 3)]
        of = balance.separations[0].of
        charts.insert(0, distribution_chart(sheet, row, len(found.products), columns, of))
        row += 1 + len(found.products) + len(found.heads) + 1
    put(sheet, row, 1, CLOSING)
    width = _LEAST_COLUMNS if found is None else max(_LEAST_COLUMNS, len(found.header))
    for i in (*range(first, first + len(sentences)), row):
        _run_over(sheet, i, width)
    _place(sheet, row + 2, charts)


def _sentences(balance: Balance) -> list[str]:
    """Return the verdict, what was recovered, the next step and cautions, a line each."""
    step = next_step(balance)
    return [
        *verdict_sentences(balance),
        *kept_sentences(balance),
        *([f"Next: {step}"] if step else []),
        *(f"Caution: {line}" for line in caution_lines(balance)),
    ]


def _table(found: ProductRows) -> SheetTable:
    rows = [
        [name, *(_cell(figure) for figure in figures)]
        for name, figures in (*found.products, *found.heads)
    ]
    return "", found.header, rows


def _cell(figure: Figure) -> object:
    """Return a number with its format, a limit as text, nothing where there is neither."""
    if figure.value is not None:
        return FormattedNumber(figure.value, figure.number_format)
    return None if figure.text == DASH else figure.text


def _run_over(sheet: Worksheet, row: int, columns: int) -> None:
    """Let the sentence in the first cell of a row run over some columns, on as many lines."""
    from openpyxl.styles import Alignment

    cell = sheet.cell(row, 1)
    sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=columns)
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    length = len(str(cell.value)) * (_BOLD_WIDER if cell.font.b else 1.0)
    lines = math.ceil(length / sum(_width(sheet, j) for j in range(1, columns + 1)))
    sheet.row_dimensions[row].height = lines * _LINE_PT


def _width(sheet: Worksheet, column: int) -> float:
    """Return the width of a column, in characters."""
    from openpyxl.utils import get_column_letter

    letter = get_column_letter(column)
    return sheet.column_dimensions[letter].width if letter in sheet.column_dimensions else _NARROW


def _place(sheet: Worksheet, row: int, charts: Sequence[BarChart | ScatterChart]) -> None:
    """Place charts two across, from a row down."""
    from openpyxl.utils import get_column_letter

    column, left = 1, 0.0
    while left <= WIDTH_CM:
        left += _CHARACTER_CM * _width(sheet, column)
        column += 1
    down = math.ceil(HEIGHT_CM / _LINE_CM) + 1
    for i, chart in enumerate(charts):
        across = column if i % _CHARTS_ACROSS else 1
        sheet.add_chart(chart, f"{get_column_letter(across)}{row + i // _CHARTS_ACROSS * down}")
