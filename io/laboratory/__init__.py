"""A laboratory batch and screened metallics: read, judged, shown.

Read ``batches``, then ``judgement``.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.laboratory.batches import read_lab
    from oretally.io.laboratory.document import lab_json
    from oretally.io.laboratory.judgement import error_rule, judged_table
    from oretally.io.laboratory.metallics_table import read_metallics, with_metallics
    from oretally.io.laboratory.report import lab_report, lab_summary
    from oretally.io.laboratory.source import LAB_FILE
else:
    __getattr__ = late_names(__name__, {
        "batches": "read_lab",
        "document": "lab_json",
        "judgement": "error_rule judged_table",
        "metallics_table": "read_metallics with_metallics",
        "report": "lab_report lab_summary",
        "source": "LAB_FILE",
    })  # fmt: skip

__all__ = [
    "LAB_FILE",
    "error_rule",
    "judged_table",
    "lab_json",
    "lab_report",
    "lab_summary",
    "read_lab",
    "read_metallics",
    "with_metallics",
]
