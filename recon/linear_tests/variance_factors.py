"""Are the stated errors believable: adjustments against the errors they should show.

References
----------
Variance components by quantity: W. Forstner, Ein Verfahren zur Schatzung von Varianz- und
Kovarianzkomponenten, Allgemeine Vermessungs-Nachrichten 86 (1979) 446-453 (first step of the
iteration). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import chdtri

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import VarianceFactor

__all__ = ["CONFIDENCE", "variance_factors"]

CONFIDENCE = 0.95
_CHECKS = 2.0  # with fewer, nothing can be said


def variance_factors(
    redundancy: Floats, r: Floats, quantity: Sequence[str], *, left_out: Sequence[int]
) -> tuple[VarianceFactor, ...]:
    """Return variance factors of all measurements and of each quantity.

    Parameters
    ----------
    redundancy, r : ndarray, shape (n,)
        P_ii and r_i of the measurements, after leaving the suspects out.
    quantity : sequence of str
        Of each measurement.
    left_out : sequence of int
        Rows that were left out; those beyond the measurements are losses.

    Notes
    -----
    sum r_i^2 / sum P_ii over the quantity's measurements. Limits from chi-square with sum P_ii
    degrees of freedom: exact for all measurements together, approximate by quantity.
    """
    kept = np.ones(len(r), dtype=bool)
    kept[[i for i in left_out if i < len(r)]] = False
    names = list(dict.fromkeys(quantity))
    number = {name: i for i, name in enumerate(names)}
    of = np.array([number[q] for q in quantity], dtype=np.intp)[kept]
    each_checks = np.bincount(of, redundancy[kept], len(names)).tolist()
    each_total = np.bincount(of, r[kept] ** 2, len(names)).tolist()
    rows = [("", float(redundancy[kept].sum()), float((r[kept] ** 2).sum()))]
    if len(names) > 1:
        rows += list(zip(names, each_checks, each_total, strict=True))
    found = []
    for name, checks, total in rows:
        if checks < _CHECKS:
            continue
        tail = (1.0 - CONFIDENCE) / 2.0
        found.append(
            VarianceFactor(
                quantity=name,
                factor=total / checks,
                low=total / float(chdtri(checks, tail)),
                high=total / float(chdtri(checks, 1.0 - tail)),
                confidence=CONFIDENCE,
                checks=checks,
                left_out=len(left_out),
            )
        )
    return tuple(found)
