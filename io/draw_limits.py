"""How many surveys a simulation may draw, and its seed where none is given."""

from __future__ import annotations

__all__ = ["LEAST_DRAWS", "MOST_DRAWS", "SEED"]

LEAST_DRAWS, MOST_DRAWS = 100, 100_000
SEED = 1
