"""How many draws a simulated check takes: few by day, all of them at night."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TypeVar

__all__ = ["NIGHTLY", "often", "some"]

NIGHTLY = os.environ.get("ORETALLY_NIGHTLY") == "1"
_BY_DAY = 0.2
_Case = TypeVar("_Case")


def often(n: int, by_day: float = _BY_DAY) -> int:
    """Return n with ORETALLY_NIGHTLY=1, else a share of it."""
    return n if NIGHTLY else int(by_day * n)


def some(cases: Sequence[_Case], by_day: int) -> list[_Case]:
    """Return all cases with ORETALLY_NIGHTLY=1, else a number of them, from the first on evenly."""
    return list(cases) if NIGHTLY else [cases[i * len(cases) // by_day] for i in range(by_day)]
