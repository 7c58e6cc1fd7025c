"""How many draws a simulated check takes: few by day, all of them at night."""

from __future__ import annotations

import os

__all__ = ["NIGHTLY", "often"]

NIGHTLY = os.environ.get("ORETALLY_NIGHTLY") == "1"
_BY_DAY = 0.2


def often(n: int) -> int:
    """Return n with ORETALLY_NIGHTLY=1, else a fifth of it."""
    return n if NIGHTLY else int(_BY_DAY * n)
