"""Dense symmetric matrices of many lanes: their lower triangles, as `LaneFactor` takes them."""

from __future__ import annotations

from functools import cache

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics.batched_factor import LaneFactor, LanePattern, lane_pattern

__all__ = ["dense_factor", "dense_pattern", "dense_products"]


@cache
def dense_pattern(n: int) -> LanePattern:
    """Return the pattern of dense matrices: the diagonal, then column by column what is below."""
    return lane_pattern(n, ((i, j) for i in range(n) for j in range(i)))


def dense_products(left: Floats, right: Floats) -> Floats:
    """Return the entries of sums of products that make symmetric matrices.

    Half of a symmetric matrix is half the work.

    Parameters
    ----------
    left, right : ndarray, shape (n_terms, n, n_lanes) or (n_terms, n_more, n, n_lanes)

    Returns
    -------
    ndarray, shape (n_entries, n_lanes)
        Of the sum over all terms of left_i right_j, in the order of `dense_pattern`.
    """
    n, at = left.shape[-2], left.shape[-2]
    own = "ris,ris->is" if left.ndim == 3 else "rkis,rkis->is"
    below = "rs,ris->is" if left.ndim == 3 else "rks,rkis->is"
    found = np.empty((n * (n + 1) // 2, left.shape[-1]))
    np.einsum(own, left, right, out=found[:n])
    for j in range(n - 1):
        np.einsum(below, left[..., j, :], right[..., j + 1 :, :], out=found[at : at + n - 1 - j])
        at += n - 1 - j
    return found


def dense_factor(n: int, entries: Floats) -> LaneFactor:
    """Return the factor of matrices given by their entries, which are overwritten."""
    return LaneFactor(dense_pattern(n), entries)
