"""The command ``compare``: cases read, comparison shown.

Read ``cases`` first.
"""

from oretally.io.compare.cases import case_paths, compare_cases
from oretally.io.compare.document import comparison_json
from oretally.io.compare.report import comparison_report, comparison_text

__all__ = ["case_paths", "compare_cases", "comparison_json", "comparison_report", "comparison_text"]
