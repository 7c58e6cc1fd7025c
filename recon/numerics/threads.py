"""One thread for the small matrices of a balance: several only wait for each other.

Matrices here have at most a few hundred rows. Two threads of the linear algebra library made a
balance of 300 streams and 100 analytes five times slower than one on a machine of two cores.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

from threadpoolctl import ThreadpoolController

__all__ = ["one_thread"]


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra runs in one thread; restored on leaving it."""
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited
