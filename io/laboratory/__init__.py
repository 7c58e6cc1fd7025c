"""A laboratory batch and screened metallics: read, judged, shown.

Read ``batches``, then ``judgement``.
"""

from oretally.io.laboratory.batches import read_lab
from oretally.io.laboratory.document import lab_json
from oretally.io.laboratory.judgement import error_rule, judged_table
from oretally.io.laboratory.metallics_table import read_metallics, with_metallics
from oretally.io.laboratory.report import lab_report, lab_summary
from oretally.io.laboratory.source import LAB_FILE

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
