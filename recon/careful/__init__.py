"""Bulk grades of one survey that need care: bad data, streams that stop, several starts.

Read ``damped_newton`` first.
"""

from oretally.recon.careful.multistart import best_of_starts

__all__ = ["best_of_starts"]
