"""Circuit and survey as arrays without names.

Read ``assembly``, then ``balance_problem``: here names end.
"""

from oretally.flowsheet.problem.assembly import balance_problem
from oretally.flowsheet.problem.balance_problem import BalanceProblem, Rows
from oretally.flowsheet.problem.carriers import linked_by_size
from oretally.flowsheet.problem.positions import Position, Positions, Row, positions
from oretally.flowsheet.problem.survey_checks import SHARPEST, check_survey, reference_streams

__all__ = [
    "SHARPEST",
    "BalanceProblem",
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
