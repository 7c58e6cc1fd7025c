"""One matrix for all lanes, or one for each analyte, times arrays of lanes."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats

__all__ = ["DENSE_UP_TO", "LaneMatrix", "dense_if_small", "times_lanes"]

LaneMatrix = Floats | sparse.csr_array | tuple[Floats | sparse.csr_array, ...]

DENSE_UP_TO = 4_000
"""Entries of a matrix, up to which it is dense."""


def dense_if_small(matrix: Floats | sparse.csr_array) -> Floats | sparse.csr_array:
    """Return the matrix as it is multiplied quicker."""
    if isinstance(matrix, np.ndarray):
        return np.ascontiguousarray(matrix)
    small = matrix.shape[0] * matrix.shape[1] <= DENSE_UP_TO
    return np.ascontiguousarray(matrix.toarray()) if small else sparse.csr_array(matrix)


def times_lanes(matrix: LaneMatrix, values: Floats) -> Floats:
    """Return a matrix, or that of each analyte, times axis 0 of values.

    These have any shape, or (n, n_analytes, n_surveys).
    """
    if isinstance(matrix, tuple):
        found = np.empty((matrix[0].shape[0], *values.shape[1:]))
        for k, one in enumerate(matrix):
            found[:, k] = one @ values[:, k]
        return found
    flat = values.reshape(values.shape[0], -1)
    return np.asarray(matrix @ flat).reshape(matrix.shape[0], *values.shape[1:])
