"""What the plant is and what was measured: circuits, surveys, units, balance problems."""

from oretally.flowsheet.circuit import Circuit, Node, NodeKind, Stream
from oretally.flowsheet.faults import (
    ContradictoryValues,
    Fault,
    InputError,
    NotBalanceable,
    OretallyError,
    Place,
)
from oretally.flowsheet.problem import (
    Arrangement,
    BalanceProblem,
    Position,
    Rows,
    arrangement,
    balance_problem,
)
from oretally.flowsheet.survey import (
    Analyte,
    Basis,
    ErrorModel,
    ErrorPart,
    ErrorRule,
    ErrorSource,
    Measurement,
    SharedSource,
    Survey,
)
from oretally.flowsheet.units import Dimension, Unit, UnitError, is_unit, parse_unit, units_of

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
