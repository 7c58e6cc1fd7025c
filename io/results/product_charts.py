"""Charts of the result workbook, drawn by the spreadsheet program from cells of the workbook.

They are told apart without colours: by patterns, or by markers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from oretally.io.wording import curve_caption
from oretally.recon.result import GradeRecovery

if TYPE_CHECKING:
    from openpyxl.chart import BarChart, ScatterChart
    from openpyxl.chart.shapes import GraphicalProperties
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["HEIGHT_CM", "WIDTH_CM", "curve_chart", "distribution_chart"]

WIDTH_CM, HEIGHT_CM = 16, 9
_INK, _PAPER, _GREY = "000000", "FFFFFF", "7F7F7F"
_Pattern = Literal["wdUpDiag", "narHorz", "lgCheck", "dkVert", "smGrid"]
_FILLS: tuple[tuple[str, _Pattern | None], ...] = (
    (_PAPER, None), (_INK, None), ("", "wdUpDiag"), ("A6A6A6", None), ("", "narHorz"),
    ("", "lgCheck"), ("", "dkVert"), ("", "smGrid"),
)  # fmt: skip
"""Of the columns, one series after the other: a shade, or a pattern of black on white."""
_MARKERS = ("circle", "square", "triangle", "diamond", "x", "plus", "star")
_LINE_WIDTH = 9525  # EMU: three quarters of a point


def distribution_chart(
    sheet: Worksheet, header: int, count: int, columns: Sequence[int], *, of: str, whole: bool
) -> BarChart:
    """Return columns for the share of mass and of each analyte that the products have.

    Parameters
    ----------
    sheet : Worksheet
        With the products in its first column.
    header : int
        Row of the header; the products follow.
    count : int
        Products.
    columns : sequence of int
        Of the shares.
    of : str
        Stream to which they refer.
    whole : bool
        Whether none of them is more than all of that.
    """
    from openpyxl.chart import BarChart, Reference, Series
    from openpyxl.chart.data_source import AxDataSource, StrRef

    chart = BarChart()
    chart.type, chart.grouping, chart.gapWidth = "col", "clustered", 60
    _titled(chart, f"Distribution over the products, of '{of}'", "product", "share [%]")
    first, last = header + 1, header + count
    for k, column in enumerate(columns):
        cells = Reference(sheet, min_col=column, min_row=header, max_row=last)
        series = Series(cells, title_from_data=True)
        series.graphicalProperties = _filled(*_FILLS[k % len(_FILLS)])
        series.invertIfNegative = False
        chart.series.append(series)
    chart.y_axis.scaling.min = 0.0
    if whole:
        chart.y_axis.scaling.max = 100.0
    names = Reference(sheet, min_col=1, min_row=first, max_row=last)
    for series in chart.series:
        series.cat = AxDataSource(strRef=StrRef(str(names)))
    return chart


def curve_chart(sheet: Worksheet, header: int, curve: GradeRecovery) -> ScatterChart:
    """Return grade against recovery: a marker for each step, joined by a line.

    Parameters
    ----------
    sheet : Worksheet
        With the table of the curve: products in the first column, grade in the fourth, recovery
        in the sixth.
    header : int
        Row of its header.
    curve : GradeRecovery
    """
    from openpyxl.chart import Reference, ScatterChart, Series
    from openpyxl.chart.data_source import StrRef
    from openpyxl.chart.legend import Legend, LegendEntry
    from openpyxl.chart.series import SeriesLabel

    chart = ScatterChart()
    chart.style, chart.scatterStyle = 13, "lineMarker"
    grade = f"grade, {curve.analyte} [{curve.unit}]"
    _titled(chart, curve_caption(curve), f"recovery of {curve.analyte} [%]", grade)
    first, last = header + 1, header + len(curve.points)
    spans = [(first, last), *((row, row) for row in range(first, last + 1))]
    for i, (top, bottom) in enumerate(spans):
        x, y = (Reference(sheet, min_col=j, min_row=top, max_row=bottom) for j in (6, 4))
        series = Series(y, x)
        series.smooth = False
        line = series.graphicalProperties.line
        if i == 0:
            series.marker.symbol = "none"
            line.solidFill, line.dashStyle, line.width = _GREY, "dash", _LINE_WIDTH
        else:
            name = Reference(sheet, min_col=1, min_row=top)
            series.tx = SeriesLabel(strRef=StrRef(str(name)))
            line.noFill = True
            series.marker.symbol, series.marker.size = _MARKERS[(i - 1) % len(_MARKERS)], 9
            series.marker.graphicalProperties.solidFill = _INK
            series.marker.graphicalProperties.line.solidFill = _INK
        chart.series.append(series)
    # the line has no name
    chart.legend = Legend(legendPos="b", legendEntry=[LegendEntry(idx=0, delete=True)])
    for axis in (chart.x_axis, chart.y_axis):
        axis.scaling.min = 0.0
    chart.x_axis.scaling.max = 100.0
    return chart


def _titled(chart: BarChart | ScatterChart, title: str, x: str, y: str) -> None:
    """Give a chart its size, title, titles of the axes, and pale lines behind."""
    from openpyxl.chart.axis import ChartLines
    from openpyxl.chart.legend import Legend
    from openpyxl.chart.shapes import GraphicalProperties
    from openpyxl.chart.title import title_maker
    from openpyxl.drawing.line import LineProperties

    chart.width, chart.height, chart.legend = WIDTH_CM, HEIGHT_CM, Legend(legendPos="b")
    titles = [title_maker(words) for words in (title, x, y)]
    for each in titles:
        each.overlay = False
    chart.title, chart.x_axis.title, chart.y_axis.title = titles
    for axis in (chart.x_axis, chart.y_axis):
        axis.delete = False  # unless said, some programs hide it
        axis.number_format, axis.majorTickMark = "General", "out"
        axis.majorGridlines = None
    pale = LineProperties(solidFill="D9D9D9", w=_LINE_WIDTH)
    chart.y_axis.majorGridlines = ChartLines(spPr=GraphicalProperties(ln=pale))


def _filled(shade: str, pattern: _Pattern | None) -> GraphicalProperties:
    """Return how a column is filled: with a shade, or with a pattern of black on white."""
    from openpyxl.chart.shapes import GraphicalProperties
    from openpyxl.drawing.colors import ColorChoice
    from openpyxl.drawing.fill import PatternFillProperties
    from openpyxl.drawing.line import LineProperties

    edge = LineProperties(solidFill=_INK, w=_LINE_WIDTH)
    if pattern is None:
        return GraphicalProperties(solidFill=shade, ln=edge)
    drawn = PatternFillProperties(prst=pattern)
    drawn.foreground, drawn.background = ColorChoice(prstClr="black"), ColorChoice(prstClr="white")
    return GraphicalProperties(pattFill=drawn, ln=edge)
