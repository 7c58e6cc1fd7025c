"""Linear algebra, quadratic problems with bounds, normal distributions cut by bounds, and threads.

Knows nothing of balances.

Read ``semidefinite`` and ``quadratic`` first.
"""

from oretally.recon.numerics.batched_factor import (
    LaneFactor,
    LanePattern,
    StackFactor,
    lane_pattern,
)
from oretally.recon.numerics.cut_normal import cut_moments, cut_second_moments
from oretally.recon.numerics.dense_lanes import dense_factor, dense_pattern, dense_products
from oretally.recon.numerics.lane_matrices import (
    DENSE_UP_TO,
    LaneMatrix,
    dense_if_small,
    times_lanes,
)
from oretally.recon.numerics.lane_products import LaneProducts
from oretally.recon.numerics.level_factor import LevelFactor, level_pattern
from oretally.recon.numerics.memory import keep_freed_memory
from oretally.recon.numerics.parallel import one_thread, shared
from oretally.recon.numerics.quadratic import quadratic_minimum
from oretally.recon.numerics.semidefinite import RANK, SemidefiniteFactor, left_null_space, through

__all__ = [
    "DENSE_UP_TO",
    "RANK",
    "LaneFactor",
    "LaneMatrix",
    "LanePattern",
    "LaneProducts",
    "LevelFactor",
    "SemidefiniteFactor",
    "StackFactor",
    "cut_moments",
    "cut_second_moments",
    "dense_factor",
    "dense_if_small",
    "dense_pattern",
    "dense_products",
    "keep_freed_memory",
    "lane_pattern",
    "left_null_space",
    "level_pattern",
    "one_thread",
    "quadratic_minimum",
    "shared",
    "through",
    "times_lanes",
]
