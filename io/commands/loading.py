"""Imports of a command: what they make stays until the end, so nobody looks for garbage in it."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["loading"]


@contextmanager
def loading() -> Iterator[None]:
    """Import inside: a fifth of the time to a small answer goes to collections that find nothing.

    What is there afterwards is left out of later collections, the one at the end too.
    """
    there, collects = len(sys.modules), gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if len(sys.modules) > there:
            gc.freeze()
        if collects:
            gc.enable()
