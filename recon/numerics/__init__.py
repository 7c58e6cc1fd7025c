"""Linear algebra, bounded quadratic problems and threads.

Knows nothing of balances.
"""

from oretally.recon.numerics.batched_factor import (
    LaneFactor,
    LanePattern,
    StackFactor,
    lane_pattern,
)
from oretally.recon.numerics.bounded_quadratic import bounded_minimum
from oretally.recon.numerics.inequalities import minimum_within
from oretally.recon.numerics.level_factor import LevelFactor, level_pattern
from oretally.recon.numerics.parallel import one_thread, shared
from oretally.recon.numerics.semidefinite import RANK, SemidefiniteFactor, left_null_space, through

__all__ = [
    "RANK",
    "LaneFactor",
    "LanePattern",
    "LevelFactor",
    "SemidefiniteFactor",
    "StackFactor",
    "bounded_minimum",
    "lane_pattern",
    "left_null_space",
    "level_pattern",
    "minimum_within",
    "one_thread",
    "shared",
    "through",
]
