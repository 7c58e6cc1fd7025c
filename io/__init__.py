"""Where the balance meets people and files: cases in, reports out.

Names are imported when they are used, so that the command line answers at once.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.case import Case, read_case, survey_from_frame
    from oretally.io.results import html_report, summary, to_json, xlsx_bytes
else:
    __getattr__ = late_names(__name__, {
        "case": "Case read_case survey_from_frame",
        "results": "html_report summary to_json xlsx_bytes",
    })  # fmt: skip

__all__ = [
    "Case",
    "html_report",
    "read_case",
    "summary",
    "survey_from_frame",
    "to_json",
    "xlsx_bytes",
]
