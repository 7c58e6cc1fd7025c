"""What the plant is and what was measured: circuits, surveys, units, balance problems."""

from oretally.flowsheet.arrangement import Arrangement, Position, arrangement
from oretally.flowsheet.balance_problem import BalanceProblem, Rows
from oretally.flowsheet.circuit import Circuit
from oretally.flowsheet.error_sources import ErrorPart, SharedSource
from oretally.flowsheet.faults import (
    ContradictoryValues,
    Fault,
    InputError,
    NotBalanceable,
    OretallyError,
    Place,
)
from oretally.flowsheet.stated_errors import ErrorModel, ErrorRule, ErrorSource
from oretally.flowsheet.streams import Node, NodeKind, Stream
from oretally.flowsheet.survey import Analyte, Basis, Measurement, Survey
from oretally.flowsheet.survey_problem import balance_problem
from oretally.flowsheet.unit_table import Dimension, Unit, units_of
from oretally.flowsheet.units import UnitError, is_unit, parse_unit

__all__ = [
    "Analyte",
    "Arrangement",
    "BalanceProblem",
    "Basis",
    "Circuit",
    "ContradictoryValues",
    "Dimension",
    "ErrorModel",
    "ErrorPart",
    "ErrorRule",
    "ErrorSource",
    "Fault",
    "InputError",
    "Measurement",
    "Node",
    "NodeKind",
    "NotBalanceable",
    "OretallyError",
    "Place",
    "Position",
    "Rows",
    "SharedSource",
    "Stream",
    "Survey",
    "Unit",
    "UnitError",
    "arrangement",
    "balance_problem",
    "is_unit",
    "parse_unit",
    "units_of",
]
