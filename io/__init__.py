"""Where the balance meets people and files: cases in, reports out.

Names are imported when they are used, so that the command line answers at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from oretally.io.case import Case, read_case, survey_from_frame
    from oretally.io.results import html_report, summary, to_json, xlsx_bytes

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
    "html_report": "results",
    "read_case": "case",
    "summary": "results",
    "survey_from_frame": "case",
    "to_json": "results",
    "xlsx_bytes": "results",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = found
    return found
