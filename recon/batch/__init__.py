"""Bulk grades, many analytes and surveys side by side.

Read ``inner_problem``, then ``newton``. Knows no names.
"""

from oretally.recon.batch.curvature import Curvature
from oretally.recon.batch.elimination import Elimination, eliminated
from oretally.recon.batch.folding import carrier_weight, folded, grade_data, grade_scale, reweighted
from oretally.recon.batch.inner_problem import Lanes, Layout
from oretally.recon.batch.lane_grades import GradeData
from oretally.recon.batch.large import minimise_large
from oretally.recon.batch.newton import (
    MAX_ITERATIONS,
    Engine,
    LaneFlows,
    LaneMinimum,
    minimise_lanes,
    starting_lanes,
)
from oretally.recon.batch.search import first_guesses, scattered, searched_flows

__all__ = [
    "MAX_ITERATIONS",
    "Curvature",
    "Elimination",
    "Engine",
    "GradeData",
    "LaneFlows",
    "LaneMinimum",
    "Lanes",
    "Layout",
    "carrier_weight",
    "eliminated",
    "first_guesses",
    "folded",
    "grade_data",
    "grade_scale",
    "minimise_lanes",
    "minimise_large",
    "reweighted",
    "scattered",
    "searched_flows",
    "starting_lanes",
]
