"""A laboratory batch and screened metallics: read, judged, shown.

Read ``batches``, then ``judgement``.
"""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.io.laboratory.batches import NO_ASSAY, LabBatch, LabTable, SampleReading, read_lab
    from oretally.io.laboratory.certificate import AssayCertificate, matched
    from oretally.io.laboratory.document import lab_json
    from oretally.io.laboratory.judgement import JudgedTable, error_rule, judged_table
    from oretally.io.laboratory.labels import (
        initials,
        labels_of_streams,
        sample_labels,
        streams_of_labels,
    )
    from oretally.io.laboratory.metallics_columns import CONTAINED, METALLICS_COLUMNS
    from oretally.io.laboratory.metallics_table import read_metallics, with_metallics
    from oretally.io.laboratory.refused_batch import condemned
    from oretally.io.laboratory.report import lab_report, lab_summary
    from oretally.io.laboratory.source import (
        LAB_FILE,
        LAB_SHEET,
        has_batch,
        has_own_batch,
        layout_in,
    )
    from oretally.io.laboratory.standards_bias import bias_sources
else:
    __getattr__ = late_names(__name__, {
        "batches": "LabBatch LabTable NO_ASSAY SampleReading read_lab",
        "refused_batch": "condemned",
        "document": "lab_json",
        "metallics_columns": "CONTAINED METALLICS_COLUMNS",
        "judgement": "JudgedTable error_rule judged_table",
        "metallics_table": "read_metallics with_metallics",
        "report": "lab_report lab_summary",
        "standards_bias": "bias_sources",
        "certificate": "AssayCertificate matched",
        "labels": "initials labels_of_streams sample_labels streams_of_labels",
        "source": "LAB_FILE LAB_SHEET has_batch has_own_batch layout_in",
    })  # fmt: skip

__all__ = [
    "CONTAINED",
    "LAB_FILE",
    "LAB_SHEET",
    "METALLICS_COLUMNS",
    "NO_ASSAY",
    "AssayCertificate",
    "JudgedTable",
    "LabBatch",
    "LabTable",
    "SampleReading",
    "bias_sources",
    "condemned",
    "error_rule",
    "has_batch",
    "has_own_batch",
    "initials",
    "judged_table",
    "lab_json",
    "lab_report",
    "lab_summary",
    "labels_of_streams",
    "layout_in",
    "matched",
    "read_lab",
    "read_metallics",
    "sample_labels",
    "streams_of_labels",
    "with_metallics",
]
