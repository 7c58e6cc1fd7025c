"""Mixed linear models, y = X b + Z_1 u_1 + ... + e, as contrasts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.variance_components.restricted_likelihood import Contrasts

__all__ = ["mixed_model"]


def mixed_model(y: Floats, X: Floats, factors: Sequence[Ints]) -> list[Contrasts]:
    """Return what was seen in a design with random factors, as one set of contrasts.

    Parameters
    ----------
    y : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        Of the fixed effects, such as one column of ones.
    factors : sequence of ndarray of int, shape (n,) each
        Level that each value has of each random factor, in the order of the components; what is
        left to each value by itself is the last component.

    Examples
    --------
    Two analyses of each of three samples: what is between samples, and between analyses.

    >>> from oretally.recon.variance_components import fitted_components
    >>> y = np.array([1.0, 1.2, 2.0, 2.2, 3.0, 3.2])
    >>> sets = mixed_model(y, np.ones((6, 1)), [np.array([0, 0, 1, 1, 2, 2])])
    >>> fitted_components(sets, np.ones(2)).theta.round(6).tolist()
    [0.99, 0.02]
    """
    roots, component = [], []
    for k, levels in enumerate([*factors, np.arange(y.size)]):
        names = np.unique(levels)
        roots.append((levels[:, None] == names).astype(float))
        component.append(np.full(names.size, k))
    return [Contrasts(y, np.hstack(roots), np.concatenate(component), X)]
