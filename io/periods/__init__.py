"""`oretally campaign FILE period`: what is asked for, read; what came of it, shown.

Read ``asked``, then ``report``.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.periods.asked import period_of
    from oretally.io.periods.dates import read_range, read_span
    from oretally.io.periods.document import period_json, period_schema, period_workbook
    from oretally.io.periods.report import period_pdf, period_report, period_text
else:
    __getattr__ = late_names(__name__, {
        "asked": "period_of",
        "dates": "read_range read_span",
        "document": "period_json period_schema period_workbook",
        "report": "period_pdf period_report period_text",
    })  # fmt: skip

__all__ = [
    "period_json",
    "period_of",
    "period_pdf",
    "period_report",
    "period_schema",
    "period_text",
    "period_workbook",
    "read_range",
    "read_span",
]
