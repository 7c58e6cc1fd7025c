"""Tables of a case as grids of cells that can be changed and written back; the rest stays.

Read ``csv_grid``, then ``workbook_grid``.
"""

from oretally.io.grids.csv_grid import CsvGrid, GridRows, csv_bytes, csv_grid, trimmed
from oretally.io.grids.formula_reach import reached_sheets
from oretally.io.grids.grid_table import GridTable
from oretally.io.grids.workbook_grid import (
    WorkbookGrids,
    fresh_workbook,
    workbook_bytes,
    workbook_grids,
)

__all__ = [
    "CsvGrid",
    "GridRows",
    "GridTable",
    "WorkbookGrids",
    "csv_bytes",
    "csv_grid",
    "fresh_workbook",
    "reached_sheets",
    "trimmed",
    "workbook_bytes",
    "workbook_grids",
]
