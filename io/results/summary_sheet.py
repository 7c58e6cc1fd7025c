"""The first sheet of the result workbook: verdict, table of products, charts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import accumulate
from typing import TYPE_CHECKING

from oretally.flowsheet.digits import DASH
from oretally.io.files import FormattedNumber, SheetTable, put, write_tables
from oretally.io.first_page import (
    Figure,
    ProductRows,
    caution_lines,
    kept_sentences,
    next_step,
    pointed,
    product_rows,
    verdict_sentences,
)
from oretally.io.leach_course import EXTRACTION_SHEET, REAGENTS_SHEET
from oretally.io.results.answer_sheets import RECOVERIES
from oretally.io.results.product_charts import (
    HEIGHT_CM,
    WIDTH_CM,
    curve_chart,
    distribution_chart,
)
from oretally.io.wording import CLOSING, curve_caption
from oretally.recon.result import Balance

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.chart import BarChart, ScatterChart
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["write_summary"]

_SHEETS = {"kinetics": EXTRACTION_SHEET, "reagents": REAGENTS_SHEET, "notes": "notes"}
_TITLE_SIZE = 14
_SENTENCE, _SENTENCE_CM = 110.0, 22.0  # width of a line of text, in characters
_COLUMNS = 16  # that have a width of their own
_CHARTS_ACROSS = 2
_LINE_PT = 15.0  # height of a line
_LINE_CM = _LINE_PT * 2.54 / 72.0
_PIXEL_CM = 2.54 / 96.0
_GAP_CM = 0.5  # between charts, at least
_NARROW = 9.0  # width of a column without numbers, in characters
_WHOLE = 100.0 + 1e-6  # percent
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
    charts: list[BarChart | ScatterChart] = [
        curve_chart(book[RECOVERIES], curves[curve_caption(curve)], curve)
        for curve in balance.losses.curves
    ]
    if found is not None:
        write_tables(sheet, [_table(found)], first=row)
        columns = [3, *range(6, len(found.header) + 1, 3)]
        of = balance.separations[0].of
        shares = (figures[j - 2].value or 0.0 for _, figures in found.products for j in columns)
        shown = distribution_chart(
            sheet, row, len(found.products), columns, of=of, whole=max(shares) <= _WHOLE
        )
        charts.insert(0, shown)
        row += 1 + len(found.products) + len(found.heads) + 1
    put(sheet, row, 1, CLOSING)
    _set_widths(sheet)
    for i in (*range(first, first + len(sentences)), row):
        _run_over(sheet, i)
    _place(sheet, row + 2, charts)


def _sentences(balance: Balance) -> list[str]:
    """Return the verdict, what was recovered, the next step and cautions, a line each."""
    step = next_step(balance)
    told = [
        *verdict_sentences(balance),
        *kept_sentences(balance),
        *([f"Next: {step}"] if step else []),
        *(f"Caution: {line}" for line in caution_lines(balance)),
    ]
    return [pointed(sentence, lambda key: f"the sheet '{_SHEETS[key]}'") for sentence in told]


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


def _set_widths(sheet: Worksheet) -> None:
    """Give the columns beside the table a width too: programs differ in what they take."""
    from openpyxl.utils import get_column_letter

    for letter in map(get_column_letter, range(1, _COLUMNS + 1)):
        if letter not in sheet.column_dimensions:
            sheet.column_dimensions[letter].width = _NARROW


def _run_over(sheet: Worksheet, row: int) -> None:
    """Let the sentence in the first cell of a row run over some columns, on as many lines."""
    from openpyxl.styles import Alignment

    cell = sheet.cell(row, 1)
    columns = _columns_over(sheet, _SENTENCE_CM)
    sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=columns)
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    length = len(str(cell.value)) * (_BOLD_WIDER if cell.font.b else 1.0)
    sheet.row_dimensions[row].height = math.ceil(length / _SENTENCE) * _LINE_PT


def _columns_over(sheet: Worksheet, width: float) -> int:
    """Return how many columns, from the first on, are as wide together, in cm.

    A column has 7 pixels a character, and 5 for its edges, in the font that workbooks begin with.
    """
    from openpyxl.utils import get_column_letter

    letters = map(get_column_letter, range(1, _COLUMNS + 1))
    sums = accumulate(
        _PIXEL_CM * (7.0 * sheet.column_dimensions[letter].width + 5.0) for letter in letters
    )
    return next(j for j, reached in enumerate(sums, start=1) if reached >= width)


def _place(sheet: Worksheet, row: int, charts: Sequence[BarChart | ScatterChart]) -> None:
    """Place charts two across, from a row down."""
    from openpyxl.utils import get_column_letter

    column = _columns_over(sheet, WIDTH_CM + _GAP_CM) + 1
    down = math.ceil(HEIGHT_CM / _LINE_CM) + 1
    for i, chart in enumerate(charts):
        across = column if i % _CHARTS_ACROSS else 1
        sheet.add_chart(chart, f"{get_column_letter(across)}{row + i // _CHARTS_ACROSS * down}")
