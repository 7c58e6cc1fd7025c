"""The certificate of a balance: figures that say whether it is a minimum."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CLOSED", "STATIONARY", "Certificate"]

CLOSED = 1e-10  # largest relative residual of a balance that counts as closed
_FALL = 1e-7  # of the objective + 1: what a step may still gain
_LITTLE = 1e-10  # ... so little that the share of a sum says nothing
STATIONARY = 1e-6  # share of the terms of a sum
_SCALE = 1e-6  # of the factor, against 1


@dataclass(frozen=True, slots=True)
class Certificate:
    """Figures of a balance, computed from the problem as stated.

    Attributes
    ----------
    imbalance : float
        Largest residual of a balance, as a share of what passes.
    stationarity : float
        Largest part of a derivative of the objective that no multiplier takes up, as a share of its
        terms.
    complementarity : float
        Largest wrong sign of the push of a bound that holds, as a share of the terms.
    fall : float
        By how much one Gauss-Newton step that leaves no bound met here would lower the objective,
        as a share of the objective + 1.
    scale : float
        Factor on all flows that would lower the objective most; 1 at a minimum, or where exact
        values fix the scale.
    bends_down : int
        Directions in which the objective bends down by more than a ten-thousandth for a change of
        the values by themselves.
    """

    imbalance: float
    stationarity: float
    complementarity: float
    fall: float
    scale: float
    bends_down: int

    @property
    def failures(self) -> tuple[str, ...]:
        """Names of the figures that a minimum would not have."""
        checks = {
            "imbalance": self.imbalance <= CLOSED,
            "stationarity": self.stationarity <= STATIONARY or self.fall <= _LITTLE,
            "complementarity": self.complementarity <= STATIONARY or self.fall <= _LITTLE,
            "fall": self.fall <= _FALL,
            "scale": abs(self.scale - 1.0) <= _SCALE,
            "bends_down": self.bends_down == 0,
        }
        return tuple(name for name, good in checks.items() if not good)

    @property
    def holds(self) -> bool:
        """Whether the balance is a minimum."""
        return not self.failures
