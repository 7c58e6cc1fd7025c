"""Which variances no data can tell apart."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet.arrays import Floats

__all__ = ["inseparable"]

_NONE = 1e-8  # of the largest eigenvalue: a direction that the likelihood does not see
_PART = 1e-4  # of such a direction: less is rounding


def inseparable(information: Floats) -> list[list[int]]:
    """Return groups of components of which the data tell sums only.

    Parameters
    ----------
    information : ndarray, shape (n, n)
        As of `Components`.

    Notes
    -----
    Components that move together along a direction which changes no expected likelihood. Those that
    leave nothing at all are a group of one.

    Examples
    --------
    >>> inseparable(np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 2.0]]))
    [[0, 1]]
    """
    unit = np.sqrt(np.maximum(np.diag(information), 0.0))
    blind = unit <= 1e-6 * unit.max(initial=0.0)
    unit = np.where(blind, 1.0, unit)
    F = information / unit[:, None] / unit
    F[blind], F[:, blind] = 0.0, 0.0
    if not len(F):
        return []
    values, vectors = np.linalg.eigh(F)
    null = vectors[:, values <= _NONE * values[-1]]
    # the projection on what is not seen: zero between components that have nothing to do with it
    shared = np.abs(null @ null.T) > _PART
    left, groups = set(np.flatnonzero(shared.diagonal()).tolist()), []
    while left:
        group, new = set[int](), {min(left)}
        while new:
            group |= new
            new = {j for i in new for j in np.flatnonzero(shared[i]).tolist()} - group
        groups.append(sorted(group))
        left -= group
    return groups
