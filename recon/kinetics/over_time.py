"""A test over time as it stands in a balance: what was recovered by each time, curves through it.

Of whatever test: products that came one after the other, or a leach whose solution was sampled.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.kinetics.rate_rows import fitted_curves
from oretally.recon.propagation import Adjusted, Derived, joint_roots
from oretally.recon.result import RateFit
from oretally.recon.solver import Covariance

__all__ = ["OverTime"]


@dataclass(frozen=True, eq=False)
class OverTime(ABC):
    """Reads a test over time from one balance.

    Attributes
    ----------
    model : BalanceModel
    covariance : Covariance
        Of its adjusted values.
    """

    model: BalanceModel
    covariance: Covariance

    @property
    @abstractmethod
    def unit(self) -> str:
        """Unit of the times."""

    @property
    @abstractmethod
    def time(self) -> Floats:
        """Times in that unit, shape (n,), rising from above 0."""

    @property
    def analytes(self) -> Sequence[int]:
        """Numbers of the analytes that it is about."""
        return range(len(self.model.survey.analytes))

    @abstractmethod
    def recoveries(self, k: int | None) -> list[Adjusted]:
        """Return the share of analyte k, or of the solids, that has come by each time."""

    def determined(self, k: int | None) -> list[int]:
        """Return the times whose share the balance determines."""
        share, R = joint_roots(self.covariance, self.recoveries(k))
        return np.flatnonzero(np.isfinite(share) & np.all(np.isfinite(R), axis=1)).tolist()

    def fits(self, k: int | None) -> list[RateFit]:
        """Return the curves fitted to the shares that are determined, the preferred first."""
        at, each = self.determined(k), self.recoveries(k)
        share, R = joint_roots(self.covariance, [each[i] for i in at])
        V = R @ R.T
        return fitted_curves(self.time[at], share, V) if np.any(np.diag(V) > 0.0) else []

    def parameter(self, k: int | None, fit: RateFit, name: str) -> Adjusted | None:
        """Return a parameter of a fit with its slopes by adjusted values; None without an sd."""
        i = fit.model.names.index(name)
        if not fit.determined or fit.parameters[name].sd is None:
            return None
        share = [
            r for r, t in zip(self.recoveries(k), self.time, strict=True) if np.any(fit.time == t)
        ]
        slopes = dict[Position, float]()
        for by, r in zip(fit.slopes[i], share, strict=True):
            for place, slope in r.slopes.items():
                slopes[place] = slopes.get(place, 0.0) + by * slope
        return Derived(fit.parameters[name].value, slopes)

    @cached_property
    def all_fits(self) -> dict[int, list[RateFit]]:
        """The curves of every analyte that it is about, the preferred first."""
        return {k: self.fits(k) for k in self.analytes}
