"""Circuit and survey as arrays without names.

Read ``model`` for what there is, then ``assembly``: here names end.
"""

from oretally.flowsheet.problem.balance_problem import BalanceProblem, Rows
from oretally.flowsheet.problem.carriers import Carriers, linked_by_size
from oretally.flowsheet.problem.model import BalanceModel, balance_problem, positions
from oretally.flowsheet.problem.positions import Position, Positions, Row
from oretally.flowsheet.problem.survey_checks import SHARPEST, check_survey, reference_streams

__all__ = [
    "SHARPEST",
    "BalanceModel",
    "BalanceProblem",
    "Carriers",
    "Position",
    "Positions",
    "Row",
    "Rows",
    "balance_problem",
    "check_survey",
    "linked_by_size",
    "positions",
    "reference_streams",
]
