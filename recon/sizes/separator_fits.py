"""Curves fitted to the partition of a separator, as rows of the result of a balance.

Each law of `oretally.recon.sizes.partition_fit`, where its source stands: y = R + (1 - R) c(d).
"""

from __future__ import annotations

import numpy as np

from oretally.recon.result import FittedPartition, NoFit, PartitionLaw
from oretally.recon.sizes.partition import PartitionCurve
from oretally.recon.sizes.partition_fit import fit_partition

__all__ = ["fitted_partitions"]


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
