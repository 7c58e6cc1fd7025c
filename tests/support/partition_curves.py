"""Partition curves made from known laws."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.recon.result import PartitionLaw, SizeAt
from oretally.recon.sizes.partition import (
    PartitionCurve,
    partition_curve,
    representative_sizes,
)
from oretally.recon.sizes.partition_fit import PartitionFit, fit_partition

Floats = NDArray[np.float64]


PLITT, WHITEN = PartitionLaw.PLITT, PartitionLaw.WHITEN


OPENING = np.array([425.0, 300.0, 212.0, 150.0, 106.0, 75.0, 53.0, 38.0])


OPEN: dict[str, Any] = {"upper_um": 600.0, "lower_um": 19.0}


SIZE = representative_sizes(OPENING, **OPEN)


BOUNDS = np.array([600.0, *OPENING, 19.0])


FEED = 30.0 * np.log(BOUNDS[:-1] / BOUNDS[1:])  # as much in each ratio of sizes


def printed(law: PartitionLaw, size: Floats, d50c: float, exponent: float, R: float) -> Floats:
    """Both curves as the books print them."""
    x = size / d50c
    if law is PLITT:
        c = 1.0 - np.exp(-0.6931471805599453 * x**exponent)
    else:
        c = np.expm1(exponent * x) / (np.exp(exponent * x) + np.exp(exponent) - 2.0)
    return np.asarray(R + (1.0 - R) * c)


def joint_covariance(product: Floats, feed: Floats, relative: float) -> Floats:
    """Product and rest with independent relative errors; feed is their sum."""
    n = len(feed)
    A = np.block([[np.eye(n), np.zeros((n, n))], [np.eye(n), np.eye(n)]])
    return np.asarray(A * (relative * np.concatenate([product, feed - product])) ** 2 @ A.T)


def made_curve(share: Floats, relative: float = 0.02, **change: Any) -> PartitionCurve:
    p = FEED * share
    return partition_curve(
        OPENING, p, FEED, covariance=joint_covariance(p, FEED, relative), **(OPEN | change)
    )


def fitted_curve(curve: PartitionCurve, law: PartitionLaw, **how: Any) -> PartitionFit:
    fit = fit_partition(curve, law, **how)
    assert isinstance(fit, PartitionFit)
    return fit


def found_fit(size: SizeAt) -> float:
    assert size.size_um is not None
    return size.size_um
