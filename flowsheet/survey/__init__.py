"""What was measured on a circuit, with its stated error.

Read ``survey``, then ``stated_errors``.
"""

from oretally.flowsheet.survey.applied_sources import Sourced, with_sources
from oretally.flowsheet.survey.changes import (
    with_measurement,
    without_measurement,
    without_sizes,
)
from oretally.flowsheet.survey.dated_survey import DatedSurvey
from oretally.flowsheet.survey.error_sources import (
    SPANS,
    STATED,
    ErrorPart,
    SharedSource,
    combined_sd,
    effective_dof,
)
from oretally.flowsheet.survey.quantities import (
    Kind,
    Meaning,
    amount_unit,
    class_grade,
    class_share,
    in_solution,
    meanings,
    solution_unit,
)
from oretally.flowsheet.survey.size_grid import Run, SizeGrid, grid_of
from oretally.flowsheet.survey.slurry import (
    WATER_DENSITY,
    SlurryValue,
    dry_from_density,
    dry_from_solids,
    dry_from_wet,
    propagated,
    pulp_density,
    solids_share,
)
from oretally.flowsheet.survey.stated_errors import ErrorModel, ErrorRule, ErrorSource, SizeRule
from oretally.flowsheet.survey.survey import (
    DECLARED_LOSS,
    DETECTION_LIMIT,
    PROPAGATED,
    RANGE_LIMIT,
    Analyte,
    Basis,
    Measurement,
    Survey,
    uniform_ends,
)
from oretally.flowsheet.survey.time_course import CourseTime, Reagent, ReagentReading, TimeCourse

__all__ = [
    "DECLARED_LOSS",
    "DETECTION_LIMIT",
    "PROPAGATED",
    "RANGE_LIMIT",
    "SPANS",
    "STATED",
    "WATER_DENSITY",
    "Analyte",
    "Basis",
    "CourseTime",
    "DatedSurvey",
    "ErrorModel",
    "ErrorPart",
    "ErrorRule",
    "ErrorSource",
    "Kind",
    "Meaning",
    "Measurement",
    "Reagent",
    "ReagentReading",
    "Run",
    "SharedSource",
    "SizeGrid",
    "SizeRule",
    "SlurryValue",
    "Sourced",
    "Survey",
    "TimeCourse",
    "amount_unit",
    "class_grade",
    "class_share",
    "combined_sd",
    "dry_from_density",
    "dry_from_solids",
    "dry_from_wet",
    "effective_dof",
    "grid_of",
    "in_solution",
    "meanings",
    "propagated",
    "pulp_density",
    "solids_share",
    "solution_unit",
    "uniform_ends",
    "with_measurement",
    "with_sources",
    "without_measurement",
    "without_sizes",
]
