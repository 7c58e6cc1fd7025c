"""The measurements table, to a survey.

Read ``table``, then ``survey``.
"""

from oretally.io.measurements.stated_in_table import (
    assayed_analytes,
    error_titles,
    grade_columns,
    mass_unit,
    stated_masses,
)
from oretally.io.measurements.survey import read_survey
from oretally.io.measurements.table import LONG_COLUMNS, WIDE_NUMBERS, WIDE_TEXTS
from oretally.io.measurements.typed_grades import (
    GradeDifference,
    MissingGrades,
    TypedGrades,
    held_against,
)
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
    "LONG_COLUMNS",
    "WEIGHED_IN",
    "WEIGHING",
    "WIDE_NUMBERS",
    "WIDE_TEXTS",
    "WITH_CONTENT",
    "GradeDifference",
    "MissingGrades",
    "TypedGrades",
    "assayed_analytes",
    "error_titles",
    "grade_columns",
    "held_against",
    "is_weighing",
    "leach_faults",
    "mass_unit",
    "read_survey",
    "stated_masses",
    "with_net_masses",
]
