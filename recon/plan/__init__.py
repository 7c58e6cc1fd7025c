"""Which measurements to take within a budget.

Read ``planner``, then ``design``.
"""

from oretally.recon.plan.identifiable import MOST_TOLD
from oretally.recon.plan.linearised import MOST_VALUES
from oretally.recon.plan.planner import CURVE, plan_measurements
from oretally.recon.plan.point import NoPlanPoint, PlanPoint, balanced_point
from oretally.recon.plan.point_answers import (
    PlanAnswer,
    curve_answers,
    pull_of,
    recovery_of,
    value_of,
)
from oretally.recon.plan.rows import (
    Candidate,
    Declared,
    MeasurementPlan,
    NextBest,
    Option,
    PlannedReading,
    Prices,
)

__all__ = [
    "CURVE",
    "MOST_TOLD",
    "MOST_VALUES",
    "Candidate",
    "Declared",
    "MeasurementPlan",
    "NextBest",
    "NoPlanPoint",
    "Option",
    "PlanAnswer",
    "PlanPoint",
    "PlannedReading",
    "Prices",
    "balanced_point",
    "curve_answers",
    "plan_measurements",
    "pull_of",
    "recovery_of",
    "value_of",
]
