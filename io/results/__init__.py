"""A balance as terminal text, page, PDF, workbook and JSON.

Read ``outline`` first. Of recon it knows the rows only.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.results.document import to_json
    from oretally.io.results.html import html_report
    from oretally.io.results.outline import PARTS
    from oretally.io.results.pdf import pdf_report, refuse_without_typst, sections_pdf
    from oretally.io.results.terminal import ALL, summary
    from oretally.io.results.workbook import xlsx_bytes
else:
    __getattr__ = late_names(__name__, {
        "document": "to_json",
        "html": "html_report",
        "outline": "PARTS",
        "pdf": "pdf_report refuse_without_typst sections_pdf",
        "terminal": "ALL summary",
        "workbook": "xlsx_bytes",
    })  # fmt: skip

__all__ = [
    "ALL",
    "PARTS",
    "html_report",
    "pdf_report",
    "refuse_without_typst",
    "sections_pdf",
    "summary",
    "to_json",
    "xlsx_bytes",
]
