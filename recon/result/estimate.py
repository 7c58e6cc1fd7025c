"""A value with its error, as the rows of a result hold it."""

from __future__ import annotations

__all__ = ["Estimate"]

Estimate = tuple[float, float]
"""A value and its standard deviation."""
