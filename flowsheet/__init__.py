"""What the plant is and what was measured: circuits, surveys, units, balance problems."""

from typing import TYPE_CHECKING

from oretally.flowsheet.late_names import late_names

if TYPE_CHECKING:
    from oretally.flowsheet.circuit import Circuit, Node, NodeKind, Stream
    from oretally.flowsheet.faults import (
        ContradictoryValues,
        Fault,
        InputError,
        Missing,
        NotBalanceable,
        OretallyError,
        Place,
    )
    from oretally.flowsheet.problem import (
        BalanceModel,
        BalanceProblem,
        Position,
        Positions,
        Rows,
        balance_problem,
        positions,
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
else:
    __getattr__ = late_names(__name__, {
        "circuit": "Circuit Node NodeKind Stream",
        "faults": "ContradictoryValues Fault InputError Missing NotBalanceable OretallyError Place",
        "problem": "BalanceModel BalanceProblem Position Positions Rows balance_problem positions",
        "survey": (
            "Analyte Basis ErrorModel ErrorPart ErrorRule ErrorSource Measurement "
            "SharedSource Survey"
        ),
        "units": "Dimension Unit UnitError is_unit parse_unit units_of",
    })  # fmt: skip

__all__ = [
    "Analyte",
    "BalanceModel",
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
    "Missing",
    "Node",
    "NodeKind",
    "NotBalanceable",
    "OretallyError",
    "Place",
    "Position",
    "Positions",
    "Rows",
    "SharedSource",
    "Stream",
    "Survey",
    "Unit",
    "UnitError",
    "balance_problem",
    "is_unit",
    "parse_unit",
    "positions",
    "units_of",
]
