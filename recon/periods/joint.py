"""What a balance of all shifts together gives: adjusted values, and what every error does to them.

Values are named by the number of their shift and their position in the problem of that shift. All
that is taken as measured, with the shared sources as measurements 0 +- 1, is independent. Plus one
sd of measurement i moves R, to first order, by Cov(R, adjusted_i) / sd_i; the squares of these add
up to the variance of R (`oretally.recon.answers.error_budget`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol, TypeAlias

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Bools, Floats
from oretally.flowsheet.survey import STATED
from oretally.recon.periods.shifts import Coupled, Shift, Source
from oretally.recon.propagation import Derived

__all__ = [
    "Effects",
    "JointBalance",
    "Jointly",
    "ShiftPlace",
    "ShiftReading",
    "own_parts",
    "readings_of",
]


class ShiftPlace(NamedTuple):
    """A value of one shift: the number of the shift, and where it stands in its problem."""

    shift: int
    at: Position


Jointly: TypeAlias = Derived[ShiftPlace]
"""Something computed from adjusted values of several shifts, in base units."""


class ShiftReading(NamedTuple):
    """A measured number of one shift."""

    shift: int
    stream: str
    quantity: str


@dataclass(frozen=True)
class Effects:
    """What plus one sd of every error does to some functions of the adjusted values.

    Attributes
    ----------
    errors : tuple of ShiftReading or Source
        A reading stands for what it shares with no other.
    moved : ndarray, shape (n_functions, n_errors)
    determined : ndarray of bool, shape (n_functions,)
        Whether the measurements determine it at all.
    """

    errors: tuple[ShiftReading | Source, ...]
    moved: Floats
    determined: Bools

    @property
    def sd(self) -> Floats:
        """Standard deviations of the functions, shape (n_functions,); NaN where undetermined."""
        sd = np.sqrt((self.moved**2).sum(axis=1))
        return np.where(self.determined, sd, np.nan)


class JointBalance(Protocol):
    """Shifts balanced together."""

    @property
    def coupled(self) -> Coupled:
        """What was balanced."""
        ...

    @property
    def objective(self) -> float:
        """Sum of the squared adjustments in sd, sources included."""
        ...

    @property
    def dof(self) -> int:
        """Number of independent checks."""
        ...

    def value(self, place: ShiftPlace) -> float:
        """Return an adjusted value, in base units; NaN where there is none."""
        ...

    def determined(self, functions: Sequence[Jointly]) -> Bools:
        """Return which functions of the adjusted values the measurements determine."""
        ...

    def effects(self, functions: Sequence[Jointly], *, apart: bool = False) -> Effects:
        """Return what every error does to functions of the adjusted values.

        ``apart``: as if every shift had the errors that it shares with others for itself.
        """
        ...


def readings_of(shifts: Sequence[Shift]) -> list[ShiftReading]:
    """Return all measured numbers, shift by shift."""
    return [
        ShiftReading(t, m.stream, m.quantity)
        for t, shift in enumerate(shifts)
        for m in shift.survey.measurements
    ]


def own_parts(shift: Shift, reading: ShiftReading) -> list[tuple[str, float]]:
    """Return the parts of what a reading shares with no other: name, share of that variance."""
    m = shift.survey.measured(reading.stream, reading.quantity)
    parts = [] if m is None else [(p.source, p.sd**2) for p in m.parts if not p.shared]
    whole = sum(square for _, square in parts)
    return [(name, square / whole) for name, square in parts] if whole > 0.0 else [(STATED, 1.0)]
