"""CSV, .xlsx and .ods files read to located cells, TOML read; cells written; files written whole.

Knows no meaning of a cell. What a file may cost is the budget of `budget`.

Read ``table``, then ``workbook``.
"""

from oretally.io.files.atomic_write import (
    FileChanged,
    create_file,
    digest,
    digest_of,
    replace_file,
    unchanged_since,
)
from oretally.io.files.budget import BUDGET, Budget, Meter, NotRead, read_bytes
from oretally.io.files.campaign_mark import CAMPAIGN_MARK, is_campaign
from oretally.io.files.csv_table import (
    CSV_DELIMITERS,
    csv_fields,
    csv_lines,
    decimal_mark,
    decoded_csv,
    delimiter_of,
    read_csv_table,
)
from oretally.io.files.input_files import (
    contents_kept,
    given_contents,
    inputs_read,
    is_file,
    is_folder,
    is_there,
    names_in,
    note_inputs,
    read_input,
    readable_name,
    refused_name,
)
from oretally.io.files.number_formats import PLAIN
from oretally.io.files.pasted_rows import row_names, without_pasted
from oretally.io.files.sealed_workbook import is_as_sealed, sealed
from oretally.io.files.table import (
    EMPTY,
    NO_ROWS,
    Cell,
    Table,
    address,
    cell_at,
    cleaned,
    collection_paused,
    column_number,
    key_of,
    make_table,
)
from oretally.io.files.toml_document import (
    NotToml,
    read_toml,
    toml_document,
    toml_key,
    toml_text,
)
from oretally.io.files.workbook import (
    SUFFIXES,
    Sheets,
    archive_of,
    read_workbook,
    workbook_sheets,
)
from oretally.io.files.workbook_xml import SheetXml, local_name
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
from oretally.io.files.xlsx_cells import cell_style_kinds, sheet_members

__all__ = [
    "BUDGET",
    "CAMPAIGN_MARK",
    "CSV_DELIMITERS",
    "EMPTY",
    "NO_ROWS",
    "PLAIN",
    "SUFFIXES",
    "Budget",
    "Cell",
    "FileChanged",
    "FormattedNumber",
    "Meter",
    "NotRead",
    "NotToml",
    "Sheet",
    "SheetTable",
    "SheetXml",
    "Sheets",
    "Table",
    "address",
    "archive_of",
    "book_bytes",
    "cell_at",
    "cell_style_kinds",
    "cleaned",
    "collection_paused",
    "column_number",
    "contents_kept",
    "create_file",
    "csv_fields",
    "csv_lines",
    "decimal_mark",
    "decoded_csv",
    "delimiter_of",
    "digest",
    "digest_of",
    "given_contents",
    "inputs_read",
    "is_as_sealed",
    "is_campaign",
    "is_file",
    "is_folder",
    "is_there",
    "key_of",
    "local_name",
    "make_table",
    "names_in",
    "note_inputs",
    "number_format",
    "put",
    "read_bytes",
    "read_csv_table",
    "read_input",
    "read_toml",
    "read_workbook",
    "readable_name",
    "refused_name",
    "replace_file",
    "row_names",
    "sealed",
    "sheet_members",
    "storable",
    "toml_document",
    "toml_key",
    "toml_text",
    "unchanged_since",
    "widen",
    "with_sd",
    "without_pasted",
    "workbook_sheets",
    "write_tables",
]
