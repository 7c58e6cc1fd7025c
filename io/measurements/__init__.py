"""The measurements table, to a survey.

Read ``table``, then ``survey``.
"""

from oretally.io.measurements.survey import read_survey
from oretally.io.measurements.table import assayed_analytes, error_titles
from oretally.io.measurements.water_flows import leach_faults

__all__ = ["assayed_analytes", "error_titles", "leach_faults", "read_survey"]
