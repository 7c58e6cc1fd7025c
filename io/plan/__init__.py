"""The command ``plan``: read, ask, show.

Read ``case`` first.
"""

from oretally.io.plan.case import PlanCase, read_plan_case
from oretally.io.plan.document import plan_json
from oretally.io.plan.prices import PRICE_COLUMNS
from oretally.io.plan.request import default_answers, read_answers, read_budget
from oretally.io.plan.summary import plan_summary

__all__ = [
    "PRICE_COLUMNS",
    "PlanCase",
    "default_answers",
    "plan_json",
    "plan_summary",
    "read_answers",
    "read_budget",
    "read_plan_case",
]
