"""Memory that arrays of a few hundred kB give up is kept for the next ones."""

from __future__ import annotations

from functools import cache

import numpy as np

__all__ = ["keep_freed_memory"]


_KEPT = 2_000_000  # numbers of the block: 16 MB, so that up to twice that is kept


@cache
def keep_freed_memory() -> None:
    """Have arrays of one step use the memory of the step before.

    The C library of Linux asks the system for each larger array, and hands it back, until it has
    seen a larger one freed; page by page that took a third of the time of a balance of 60 streams
    and 20 analytes. One block that nobody touches costs nothing and teaches it; elsewhere it has
    no effect.
    """
    np.empty(_KEPT)
