"""Surveys drawn as they could have come out: coverage intervals, answers whose sd is doubtful.

Read ``drawn_surveys`` first.
"""

from oretally.recon.draws.balance_answers import answers_of
from oretally.recon.draws.coverage_intervals import (
    LEAST_SAMPLES,
    NORMAL_95,
    end_scatter,
    relieved,
    shortest_interval,
    symmetric_interval,
    validation,
)
from oretally.recon.draws.doubtful_answers import doubtful_answers
from oretally.recon.draws.drawn_surveys import DrawnSurveys, balanced_draws, rectangular_readings

__all__ = [
    "LEAST_SAMPLES",
    "NORMAL_95",
    "DrawnSurveys",
    "answers_of",
    "balanced_draws",
    "doubtful_answers",
    "end_scatter",
    "rectangular_readings",
    "relieved",
    "shortest_interval",
    "symmetric_interval",
    "validation",
]
