"""Partition curves: by hand, closed forms, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from partition_curves import (
    FEED,
    OPEN,
    OPENING,
    PLITT,
    SIZE,
    fitted_curve,
    found_fit,
    joint_covariance,
    made_curve,
    printed,
)

from oretally.recon.result import UnusedClass
from oretally.recon.sizes.partition import (
    PartitionCurve,
    cut_size,
    partition_curve,
    representative_sizes,
    sharpness,
)
from oretally.recon.sizes.partition_fit import fit_partition


def _straight() -> PartitionCurve:
    """Classes at 400, 100 and 25 um with shares 1, 1/2 and 0: a line in log size."""
    p, f = [10.0, 5.0, 0.0], [10.0, 10.0, 10.0]
    V = np.diag([0.1, 0.2, 0.0, 0.0, 0.0, 0.0]) ** 2
    return partition_curve([200.0, 50.0], p, f, covariance=V, upper_um=800.0, lower_um=12.5)


def test_sizes_of_classes() -> None:
    bare = representative_sizes([200.0, 50.0])
    assert bare[1] == pytest.approx(100.0)
    assert np.isnan(bare[[0, 2]]).all()
    assert representative_sizes([200.0, 50.0], upper_um=800.0, lower_um=12.5) == pytest.approx(
        [400.0, 100.0, 25.0]
    )


def test_sharpness_by_hand() -> None:
    """d25, d50, d75 = 50, 100, 200 um, from which Ep = 75, imperfection 0.75, kappa 0.25.

    Only classes 1 and 2 have errors, sd 0.01 and 0.02 of the share. d ln d50 / d y2 is the mean of
    both sides, ln 4 / 0.5; ln d75 lies half way on its line, with ln 4 (dy1 + dy2), ln d25 half
    way on the other, with ln 4 dy2, both with a minus.
    """
    curve = _straight()
    d50 = cut_size(curve)
    assert d50.size_um == pytest.approx(100.0)
    assert d50.sd_um == pytest.approx(100.0 * np.log(4.0) / 0.5 * 0.02)
    found = sharpness(curve)
    assert (found_fit(found.d25), found_fit(found.d75)) == pytest.approx((50.0, 200.0))
    assert found.d75.sd_um == pytest.approx(200.0 * np.log(4.0) * np.hypot(0.01, 0.02))
    assert found.ecart_probable_um == pytest.approx(75.0)
    assert found.imperfection == pytest.approx(0.75)
    assert found.kappa == pytest.approx(0.25)
    y1, y2 = 0.01 * np.log(4.0), 0.02 * np.log(4.0)
    assert found.ecart_probable_sd_um == pytest.approx(np.hypot(100.0 * y1, (100.0 - 25.0) * y2))
    assert found.kappa_sd == pytest.approx(0.25 * y1)
    # I = (d75 - d25) / (2 d50): d75 gives -(y1 + y2), d25 +0.25 y2, d50 0.75 * 2 y2
    assert found.imperfection_sd == pytest.approx(np.hypot(y1, (1.0 - 0.25 - 1.5) * y2))
    assert found.reason == ""


def test_sd_of_a_share() -> None:
    """y = p / (p + t), p and t independent: sd = y (1 - y) sqrt(2) times their rsd."""
    y = printed(PLITT, SIZE, 100.0, 2.0, 0.1)
    curve = made_curve(y, 0.03)
    assert curve.share == pytest.approx(y)
    assert curve.share_sd == pytest.approx(y * (1.0 - y) * 0.03 * np.sqrt(2.0), abs=1e-9)


def test_the_fine_product_gives_the_same_curve() -> None:
    coarse = made_curve(printed(PLITT, SIZE, 100.0, 2.0, 0.1))
    p = FEED * coarse.share
    n = len(FEED)
    A = np.block([[-np.eye(n), np.eye(n)], [np.zeros((n, n)), np.eye(n)]])
    V = A @ joint_covariance(p, FEED, 0.02) @ A.T
    fine = partition_curve(OPENING, FEED - p, FEED, covariance=V, product_is_coarse=False, **OPEN)
    assert fine.share == pytest.approx(coarse.share)
    assert fine.share_sd == pytest.approx(coarse.share_sd)
    assert cut_size(fine).sd_um == pytest.approx(cut_size(coarse).sd_um)


def test_open_classes_are_no_points_and_empty_ones_stay_out() -> None:
    y = printed(PLITT, SIZE, 200.0, 2.0, 0.1)
    feed = FEED.copy()
    feed[1] = 0.0
    V = joint_covariance(feed * y, feed, 0.02)
    curve = partition_curve(OPENING, feed * y, feed, covariance=V)
    assert np.isnan(curve.share[1])
    assert np.isnan(curve.size_um[[0, -1]]).all()
    assert curve.share_sd is not None
    assert np.isnan(curve.share_sd[1])
    assert np.isfinite(np.delete(curve.share_sd, 1)).all()
    fit = fitted_curve(curve, PLITT)
    assert fit.left_out == (UnusedClass(1, "it has no feed"),)
    assert [o.place for o in fit.open_classes] == [0, 8]
    assert fit.size_um == pytest.approx(np.delete(SIZE, [0, 1, 8]))
    assert cut_size(curve, 12.0).size_um is None  # less than any point has


def test_no_cut_size_and_why() -> None:
    p = np.array([9.0, 8.0, 7.0, 6.0])
    curve = partition_curve([400.0, 100.0, 25.0], p, [10.0] * 4)
    none = cut_size(curve)
    assert (none.size_um, none.sd_um) == (None, None)
    assert none.reason == "50 % is not reached: the curve runs from 70 to 80 %, at 50 to 200 um."
    found = sharpness(curve)
    assert (found.ecart_probable_um, found.imperfection, found.kappa) == (None, None, None)
    assert found.reason == f"d25: {found.d25.reason} d50: {none.reason}"
    assert found.d25.reason.startswith("25 % is not reached")
    assert found_fit(found.d75) == pytest.approx(100.0)


def test_a_curve_that_crosses_several_times() -> None:
    """The fish hook: the finest go with the water, so the curve rises again."""
    p = np.array([10.0, 9.0, 2.0, 6.0, 8.0])
    curve = partition_curve([400.0, 100.0, 25.0, 6.25], p, [10.0] * 5)
    assert cut_size(curve).reason == (
        "the curve meets 50 % several times, at 90.57, 17.68 um: no one size can be named."
    )
    assert sharpness(curve).reason.startswith("d25: the curve meets 25 % several times")


def test_without_a_covariance_there_is_no_sd() -> None:
    curve = partition_curve([400.0, 100.0, 25.0], [9.0, 7.0, 3.0, 2.0], [10.0] * 4)
    assert curve.share_sd is None
    assert cut_size(curve).sd_um is None
    with pytest.raises(ValueError, match="a fit to the shares needs the covariance of the flows"):
        fit_partition(curve)
