"""Flows and grades nearest to the measured ones, and their covariance.

Read ``ways``, then ``prepared``.
"""

from oretally.recon.solver.bound_limits import Released, one_sided_limit, released_bounds
from oretally.recon.solver.changed_surveys import (
    ChangedSurvey,
    corrected,
    with_losses,
    without_readings,
)
from oretally.recon.solver.covariance import Covariance, propagate
from oretally.recon.solver.flow_root import seen_root
from oretally.recon.solver.like_surveys import LikeSurveys
from oretally.recon.solver.one_circuit import solve_one_circuit
from oretally.recon.solver.prepared import Prepared, prepare
from oretally.recon.solver.refits import Refits, Refitter, only_streams, refit, refits_together
from oretally.recon.solver.ways import solve, solve_certified
from oretally.recon.solver.work import WORK, Work

__all__ = [
    "WORK",
    "ChangedSurvey",
    "Covariance",
    "LikeSurveys",
    "Prepared",
    "Refits",
    "Refitter",
    "Released",
    "Work",
    "corrected",
    "one_sided_limit",
    "only_streams",
    "prepare",
    "propagate",
    "refit",
    "refits_together",
    "released_bounds",
    "seen_root",
    "solve",
    "solve_certified",
    "solve_one_circuit",
    "with_losses",
    "without_readings",
]
