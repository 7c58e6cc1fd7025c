"""What was measured in lanes, and the point that an evaluation of them gives."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.numerics import LaneFactor, LevelFactor, StackFactor

__all__ = ["Factor", "GradeData", "HeldGrades", "LanePoint"]

HeldGrades = tuple[Bools, Bools]
Factor = LaneFactor | LevelFactor | StackFactor


@dataclass(frozen=True, eq=False)
class GradeData:
    """What was measured in the lanes, grades being of the order of 1.

    Attributes
    ----------
    target : ndarray, shape (n_groups, n_analytes, n_surveys)
        Measured grades; 0 where unmeasured.
    weight : ndarray, shape (n_groups, n_analytes, 1)
        1/sd^2; 0 where unmeasured or exact.
    free : ndarray of bool, shape (n_groups, n_analytes, 1)
        Groups of unmeasured grade.
    lower, upper : ndarray, shape (n_groups, n_analytes, 1)
    source : ndarray, shape (n_rows, n_analytes, 1)
    """

    target: Floats
    weight: Floats
    free: Bools
    lower: Floats
    upper: Floats
    source: Floats

    @cached_property
    def variance(self) -> Floats:
        """1/weight; 0 where unmeasured or exact."""
        seen = self.weight > 0.0
        return np.asarray(np.where(seen, 1.0 / np.where(seen, self.weight, 1.0), 0.0))

    def of(self, surveys: Ints) -> GradeData:
        """Return the grades of some of the surveys."""
        parts = (getattr(self, f.name) for f in fields(self))
        return GradeData(*(p if p.shape[2] == 1 else p[:, :, surveys] for p in parts))

    @cached_property
    def any_free(self) -> bool:
        """Whether any grade is unmeasured."""
        return bool(self.free.any())

    @cached_property
    def any_source(self) -> bool:
        """Whether any balance has a right-hand side."""
        return bool(self.source.any())


@dataclass(frozen=True, eq=False)
class LanePoint:
    """Best grades for flows, with what derivatives need.

    Attributes
    ----------
    flow : ndarray, shape (n_carriers, n_surveys)
    x, V : ndarray, shape (n_groups, n_analytes, n_surveys)
        V has one survey only where all have the same.
    wide : ndarray, shape (n_groups, n_analytes, n_surveys), or None
        Variance that stands for no measurement.
    lam : ndarray, shape (n_rows, n_analytes, n_surveys)
    pull : ndarray, shape (n_carriers, n_analytes, n_surveys)
        a = B'lam.
    value : ndarray, shape (n_surveys,)
        1/2 sum w (x - target)^2.
    held : pair of ndarray of bool, shape (n_groups, n_analytes, n_surveys), or None
        Groups at their lower and upper bounds; None where no grade is.
    settled : ndarray of bool, shape (n_surveys,)
    """

    flow: Floats
    x: Floats
    V: Floats
    wide: Floats | None
    lam: Floats
    pull: Floats
    value: Floats
    held: HeldGrades | None
    settled: Bools
    factor: Factor
