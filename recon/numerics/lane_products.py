"""Matrices D V D' of many lanes that share D, each with a diagonal V of its own."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics.batched_factor import LaneFactor, lane_pattern

__all__ = ["LaneProducts"]


class LaneProducts:
    """The pattern of D V D', and its entries from V.

    Parameters
    ----------
    D : csc_array, shape (n, m)
    """

    def __init__(self, D: sparse.csc_array) -> None:
        n, m = D.shape
        counts = np.diff(D.indptr)
        # every entry of a column with every entry of the same column
        width = np.repeat(counts, counts)
        first = np.repeat(np.arange(D.indices.size), width)
        before = np.repeat(np.cumsum(width) - width, width)
        second = np.repeat(np.repeat(D.indptr[:-1], counts), width) + np.arange(first.size) - before
        column = np.repeat(np.repeat(np.arange(m), counts), width)
        i, j = D.indices[first].tolist(), D.indices[second].tolist()
        self.pattern = lane_pattern(n, zip(i, j, strict=True))
        rank = np.array(self.pattern.rank, dtype=np.intp)
        # of two equal entries of a symmetric matrix one is stored
        kept = rank[D.indices[first]] >= rank[D.indices[second]]
        position = self.pattern.position
        at = np.array([position[a, b] for a, b, k in zip(i, j, kept.tolist(), strict=True) if k],
                      dtype=np.intp)  # fmt: skip
        value = (D.data[first] * D.data[second])[kept]
        shape = (self.pattern.n_entries, m)
        self._entries = sparse.csr_array((value, (at, column[kept])), shape=shape)
        twice = np.where(at < n, value, 2.0 * value)
        self._squares = sparse.csr_array((twice, (column[kept], at)), shape=shape[::-1])

    def factor(self, V: Floats) -> LaneFactor:
        """Return the factor of D diag(V) D', V of shape (m, n_lanes)."""
        return LaneFactor(self.pattern, self._entries @ V)

    def squares(self, factor: LaneFactor) -> Floats:
        """Return the diagonal of D'S^-1 D, shape (m, n_lanes)."""
        return np.asarray(self._squares @ factor.selected_inverse())
