"""Assays of which only a bound is known, and that contradict what they are held against.

'<0.01' or '>10' is no number: it has no part in a bias or a precision. But a standard certified
1.52 % cannot read '<0.01', a blank cannot read '>10', and a pair not '<0.01' and 5.83.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from oretally.recon.laboratory import PrecisionFit, off_pairs

__all__ = [
    "BLANK_TIMES", "AssayRange", "BoundedBlank", "BoundedPair", "BoundedStandard",
    "contradicting_pairs", "contradicting_standards",
]  # fmt: skip

BLANK_TIMES = 3.0
"""Detection limits that a blank may show; common practice, no source."""
_ACTION = 3.0  # sd; the action line of a control chart


class AssayRange(NamedTuple):
    """Where the grade lies by one assay, and how that was written; of a number the ends are one."""

    low: float
    high: float
    text: str

    @property
    def known(self) -> bool:
        """True for a number."""
        return self.low == self.high


@dataclass(frozen=True, slots=True)
class BoundedStandard:
    """A standard that reads below detection or above the range; ``name`` is its material's."""

    sample: str
    found: AssayRange
    certified: float
    certified_sd: float
    name: str = ""


@dataclass(frozen=True, slots=True)
class BoundedBlank:
    """A blank that reads above the range."""

    sample: str
    found: AssayRange


@dataclass(frozen=True, slots=True)
class BoundedPair:
    """Two assays of one sample, one of them at least only bounded."""

    name: str
    first: AssayRange
    second: AssayRange


def contradicting_standards(
    rows: list[BoundedStandard], fit: PrecisionFit | None
) -> tuple[BoundedStandard, ...]:
    """Return the standards whose bound is more than 3 sd off, even if it is the reading itself.

    One sd is that of the method at that grade, if known, and of the certificate together.
    """

    def apart(s: BoundedStandard) -> bool:
        method = fit.sd(s.certified) if fit is not None else 0.0
        gap = max(s.certified - s.found.high, s.found.low - s.certified)
        return gap > _ACTION * float((method**2 + s.certified_sd**2) ** 0.5)

    return tuple(s for s in rows if apart(s))


def contradicting_pairs(
    bounded: list[BoundedPair], numbers: list[tuple[float, float]], fit: PrecisionFit | None
) -> tuple[BoundedPair, ...]:
    """Return the pairs that are off even where their ranges come nearest.

    By the fitted precision, as one pair of all; without one, where the greater is more than 3 times
    the less.
    """
    ends = [_nearest(pair) for pair in bounded]
    if fit is None:
        off = {i for i, (less, greater) in enumerate(ends) if greater > BLANK_TIMES * less}
    else:
        first, second = zip(*ends, *numbers, strict=True) if ends else ((), ())
        off = {o.index for o in off_pairs(fit, first, second)} if ends else set()
    return tuple(pair for i, pair in enumerate(bounded) if i in off)


def _nearest(pair: BoundedPair) -> tuple[float, float]:
    """Return the least and the greatest grade that fit both, as near as the ranges come."""
    one, other = sorted((pair.first, pair.second), key=lambda a: a.high)
    if one.high < other.low:
        return one.high, other.low
    return other.low, other.low  # they overlap
