"""A balance as terminal text, page, PDF, workbook and JSON.

Read ``outline`` first. Of recon it knows the rows only.
"""

from oretally.io.results.document import to_json
from oretally.io.results.html import html_report
from oretally.io.results.outline import PARTS
from oretally.io.results.pdf import pdf_report, refuse_without_typst
from oretally.io.results.terminal import ALL, print_summary, summary
from oretally.io.results.workbook import xlsx_bytes

__all__ = [
    "ALL",
    "PARTS",
    "html_report",
    "pdf_report",
    "print_summary",
    "refuse_without_typst",
    "summary",
    "to_json",
    "xlsx_bytes",
]
