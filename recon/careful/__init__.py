"""Bulk grades of one survey that need care: bad data, streams that stop, several starts.

Read ``damped_newton`` first.
"""

from oretally.recon.careful.multistart import best_of_starts
from oretally.recon.careful.newton_step import NEGLIGIBLE

__all__ = ["NEGLIGIBLE", "best_of_starts"]
