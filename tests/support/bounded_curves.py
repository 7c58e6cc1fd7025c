"""Flows of a cyclone by size, and curves with open classes."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.recon.result import (
    PartitionLaw,
)
from oretally.recon.sizes.partition import PartitionCurve, partition_curve
from oretally.recon.sizes.partition_fit import PartitionFit, fit_partition

Floats = NDArray[np.float64]


PLITT, WHITEN = PartitionLaw.PLITT, PartitionLaw.WHITEN


SIEVES = np.array([600.0, 425.0, 300.0, 212.0, 150.0, 106.0, 74.0])


def law_value(law: PartitionLaw, size: Floats, d50c: float, exponent: float) -> Floats:
    """Both corrected curves as the books print them."""
    x = size / d50c
    if law is PLITT:
        return np.asarray(1.0 - 0.5 ** (x**exponent))
    grown = np.exp(np.minimum(exponent * x, 500.0))
    return np.asarray((grown - 1.0) / (grown + np.exp(exponent) - 2.0))


def cyclone_flows(
    law: PartitionLaw, sieves: Floats, d50c: float, exponent: float, R: float
) -> tuple[Floats, Floats]:
    """Return feed and coarse product by class, of 100 t/h of Rosin and Rammler's law.

    Its d' is 200 um, its n 0.9; the pan reaches to nothing and the coarsest class to 20 mm, by
    sums over 4000 sizes a class.
    """
    feed, coarse = [], []
    for high, low in pairwise([2e4, *sieves, 1e-4]):
        edges = np.geomspace(low, high, 4001)
        mass = 100.0 * -np.diff(np.exp(-((edges / 200.0) ** 0.9)))
        mass *= -1.0 if mass.sum() < 0.0 else 1.0
        y = R + (1.0 - R) * law_value(law, np.sqrt(edges[1:] * edges[:-1]), d50c, exponent)
        feed.append(mass.sum())
        coarse.append(mass @ y)
    return np.array(feed), np.array(coarse)


def joint_flows(coarse: Floats, feed: Floats, relative: float) -> Floats:
    """Coarse and fine product with independent relative errors; the feed is their sum."""
    n = len(feed)
    A = np.block([[np.eye(n), np.zeros((n, n))], [np.eye(n), np.eye(n)]])
    return np.asarray(A * (relative * np.concatenate([coarse, feed - coarse])) ** 2 @ A.T)


def bounded_curve(share: Floats, sd: Floats | float, feed: Floats | None = None) -> PartitionCurve:
    """Return shares of SIEVES with independent errors: the feed counts as exact."""
    f = np.full(8, 10.0) if feed is None else feed
    V = np.zeros((16, 16))
    V[:8, :8] = np.diag((f * sd) ** 2)
    return partition_curve(SIEVES, f * share, f, covariance=V)


def fitted_bounded(curve: PartitionCurve, law: PartitionLaw = PLITT, **how: Any) -> PartitionFit:
    fit = fit_partition(curve, law, **how)
    assert isinstance(fit, PartitionFit)
    return fit


def survey_of_a_cyclone(law: PartitionLaw = PLITT) -> PartitionCurve:
    """Return a cyclone that cuts by a law with 40 % bypass; but of the pan 37.2 % goes."""
    feed, coarse = cyclone_flows(law, SIEVES, 165.0, 2.2, 0.40)
    share = coarse / feed
    share[-1] = 0.372
    return bounded_curve(share, np.array([0.001] * 7 + [0.0007]), feed)
