"""Curves fitted to the partition of a separator, as rows of the result of a balance.

Each law of `oretally.recon.partition_fit`, where its source stands: y = R + (1 - R) c(d).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.recon.partition import PartitionCurve
from oretally.recon.partition_fit import PartitionLaw, fit_partition
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
        Share of the finest sizes that goes to the coarse product; its sd is 0 where it is held at
        0. [%]
    bypass_held : bool
    chi_square : float or None
        Weighted sum of squares of what the curve misses.
    dof : int or None
        Classes used less the parameters fitted; at 0 nothing checks the curve.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None at 0 degrees of freedom.
    left_out : tuple of int
        Classes without a representative size, without feed or of an exact share, counted from 0.
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
    bypass_held: bool = False
    chi_square: float | None = None
    dof: int | None = None
    p: float | None = None
    left_out: tuple[int, ...] = ()
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
    values = (fit.d50c_um, fit.exponent, fit.bypass)
    if not np.isfinite([*values, *fit.sds]).all():
        return FittedPartition(law, reason=f"the weighted fit of the {law} curve gives no sd.")
    d50c, sharpness, bypass = zip(values, fit.sds, strict=True)
    return FittedPartition(
        law, d50c, sharpness, (100.0 * bypass[0], 100.0 * bypass[1]), fit.bypass_held,
        fit.chi_square, fit.dof, fit.p, fit.left_out, fit.doubt, fit.note,
    )  # fmt: skip
