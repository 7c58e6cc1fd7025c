"""Where published values stand, and whether a count is what chance makes of it."""

from __future__ import annotations

from pathlib import Path

from scipy.stats import binom

REFERENCE = Path(__file__).resolve().parents[1] / "reference"


def within_binomial(hits: int, n: int, chance: float, tail: float = 1e-4) -> bool:
    """Tell whether a count is one that chance alone explains."""
    return bool(binom.ppf(tail, n, chance) <= hits <= binom.isf(tail, n, chance))
