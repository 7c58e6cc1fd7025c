"""CSV, .xlsx and .ods files read to located cells; cells written.

Knows no meaning of a cell.

Read ``table``, then ``workbook``.
"""

from oretally.io.files.csv_table import read_csv_table
from oretally.io.files.sealed_workbook import is_as_sealed, sealed
from oretally.io.files.table import EMPTY, NO_ROWS, Cell, Table, collection_paused, make_table
from oretally.io.files.workbook import SUFFIXES, Sheets, read_workbook
from oretally.io.files.written_cells import (
    FormattedNumber,
    Sheet,
    SheetTable,
    book_bytes,
    number_format,
    put,
    storable,
    widen,
    with_sd,
    write_tables,
)

__all__ = [
    "EMPTY",
    "NO_ROWS",
    "SUFFIXES",
    "Cell",
    "FormattedNumber",
    "Sheet",
    "SheetTable",
    "Sheets",
    "Table",
    "book_bytes",
    "collection_paused",
    "is_as_sealed",
    "make_table",
    "number_format",
    "put",
    "read_csv_table",
    "read_workbook",
    "sealed",
    "storable",
    "widen",
    "with_sd",
    "write_tables",
]
