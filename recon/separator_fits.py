"""Curves fitted to the partition of a separator, as rows of the result of a balance.

Each law of `oretally.recon.partition_fit`, where its source stands: y = R + (1 - R) c(d).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.recon.partition import PartitionCurve
from oretally.recon.partition_fit import (
    OpenClass,
    PartitionLaw,
    UnusedClass,
    fit_partition,
)
from oretally.recon.size_classes import NoFit

__all__ = ["FittedPartition", "fitted_partitions"]

_Estimate = tuple[float, float]


@dataclass(frozen=True, slots=True)
class FittedPartition:
    """A curve with a bypass fitted to the shares of the solids, weighted by their covariance.

    Attributes
    ----------
    law : PartitionLaw
    d50c_um : (float, float) or None
        Cut size without the bypass, and its sd; None where no curve was fitted, ``reason`` then
        says why. [um]
    sharpness : (float, float) or None
        Plitt's m or Whiten's alpha: the larger, the sharper. [1]
    bypass : (float, float) or None
        Share of the finest sizes that goes to the coarse product, and its sd. [%]
    bypass_range : (float, float) or None
        From where to where chi-square rises by 1 or less: value less and plus sd, unless a bound is
        near: 0 below, the share of the pan above. Its half is then the sd. [%]
    bypass_held : bool
        Whether the bypass rests at a bound, 0 or the share of the pan.
    chi_square : float or None
        Weighted sum of squares of what the curve misses.
    dof : int or None
        Classes that check the curve less the parameters fitted; at 0 nothing checks it.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None at 0 degrees of freedom.
    open_classes : tuple of OpenClass
        The coarsest class and the pan: bounds of the curve.
    left_out : tuple of UnusedClass
        Classes that were not used.
    doubt : str
        Words on a curve that misses the points by more than their errors explain, or empty.
    note : str
        What the free fit found where it was not kept.
    reason : str
    """

    law: PartitionLaw
    d50c_um: _Estimate | None = None
    sharpness: _Estimate | None = None
    bypass: _Estimate | None = None
    bypass_range: _Estimate | None = None
    bypass_held: bool = False
    chi_square: float | None = None
    dof: int | None = None
    p: float | None = None
    open_classes: tuple[OpenClass, ...] = ()
    left_out: tuple[UnusedClass, ...] = ()
    doubt: str = ""
    note: str = ""
    reason: str = ""


def fitted_partitions(curve: PartitionCurve) -> tuple[FittedPartition, ...]:
    """Return each law fitted to a curve that has a covariance, or why it was not."""
    return tuple(_fitted(curve, law) for law in PartitionLaw)


def _fitted(curve: PartitionCurve, law: PartitionLaw) -> FittedPartition:
    fit = fit_partition(curve, law)
    if isinstance(fit, NoFit):
        return FittedPartition(law, reason=fit.reason)
    values, (low, high) = (fit.d50c_um, fit.exponent, fit.bypass), fit.bypass_range
    if not np.isfinite([*values, *fit.sds, low, high]).all():
        return FittedPartition(law, reason=f"the weighted fit of the {law} curve gives no sd.")
    d50c, sharpness, bypass = zip(values, fit.sds, strict=True)
    return FittedPartition(
        law, d50c, sharpness, (100.0 * bypass[0], 100.0 * bypass[1]), (100.0 * low, 100.0 * high),
        fit.bypass_held, fit.chi_square, fit.dof, fit.p, fit.open_classes, fit.left_out, fit.doubt,
        fit.note,
    )  # fmt: skip
