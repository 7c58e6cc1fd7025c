"""The measurements table, to a survey.

Read ``table``, then ``survey``.
"""

from oretally.io.measurements.stated_in_table import assayed_analytes, stated_masses
from oretally.io.measurements.survey import read_survey
from oretally.io.measurements.table import error_titles
from oretally.io.measurements.water_flows import leach_faults
from oretally.io.measurements.weighing import (
    EMPTY_MASS,
    WEIGHED_IN,
    WEIGHING,
    WITH_CONTENT,
    is_weighing,
    with_net_masses,
)

__all__ = [
    "EMPTY_MASS",
    "WEIGHED_IN",
    "WEIGHING",
    "WITH_CONTENT",
    "assayed_analytes",
    "error_titles",
    "is_weighing",
    "leach_faults",
    "read_survey",
    "stated_masses",
    "with_net_masses",
]
