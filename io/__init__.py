"""Where the balance meets people and files: cases in, reports out.

Names are imported when they are used, so that the command line answers at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from oretally.io.case import Case, read_case
    from oretally.io.frames import survey_from_frame
    from oretally.io.json_result import to_json
    from oretally.io.report import html_report
    from oretally.io.text_summary import summary
    from oretally.io.xlsx_result import xlsx_bytes

__all__ = [
    "Case",
    "html_report",
    "read_case",
    "summary",
    "survey_from_frame",
    "to_json",
    "xlsx_bytes",
]

_HOME = {
    "Case": "case",
    "html_report": "report",
    "read_case": "case",
    "summary": "text_summary",
    "survey_from_frame": "frames",
    "to_json": "json_result",
    "xlsx_bytes": "xlsx_result",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'oretally.io' has no attribute {name!r}")
    found = getattr(import_module(f"oretally.io.{_HOME[name]}"), name)
    globals()[name] = found
    return found
