"""A number computed from adjusted values, with its sd by first-order propagation.

References
----------
JCGM 100:2008 (GUM), eq. 13. W. Squire and G. Trapp, Using complex variables to estimate
derivatives of real functions, SIAM Review 40 (1998) 110-112: slopes free of cancellation. Both
cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.solver import Covariance

__all__ = ["estimate", "joint_estimate", "propagated", "value_at"]

_STEP = 1e-30  # times the value: so small that second order is nothing

Function = Callable[[NDArray[Any]], Any]
"""Of the values, real or complex: sums, products and quotients only."""


def value_at(covariance: Covariance, place: Position) -> float:
    """Return an adjusted value, in base units."""
    k, j = place
    solution = covariance.solution
    return float(solution.flow[j] if k is None else solution.grade[k, j])


def estimate(
    covariance: Covariance, places: Sequence[Position], function: Function
) -> tuple[float, float] | None:
    """Return a function of adjusted values and its sd; None where they are not determined."""
    found = joint_estimate(covariance, places, [function])
    return None if found is None else (float(found[0][0]), max(float(found[1][0, 0]), 0.0) ** 0.5)


def joint_estimate(
    covariance: Covariance, places: Sequence[Position], functions: Sequence[Function]
) -> tuple[Floats, Floats] | None:
    """Return functions of adjusted values, and their covariance; None if not determined."""
    values = np.array([value_at(covariance, place) for place in places])
    if not np.isfinite(values).all():
        return None
    found = propagated(values, covariance.joint(places), functions)
    return found if np.isfinite(found[0]).all() and np.isfinite(found[1]).all() else None


def propagated(
    values: Floats, covariance: Floats, functions: Sequence[Function]
) -> tuple[Floats, Floats]:
    """Return functions of some values, and the covariance of these functions.

    Examples
    --------
    >>> value, V = propagated(np.array([3.0, 2.0]), np.diag([0.09, 0.0]), [lambda v: v[0] * v[1]])
    >>> value, np.sqrt(V)
    (array([6.]), array([[0.6]]))
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.array([float(f(values)) for f in functions])
        J = np.empty((len(functions), values.size))
        for i in range(values.size):
            step = _STEP * max(abs(float(values[i])), 1.0)
            moved = values.astype(complex)
            moved[i] += 1j * step
            J[:, i] = [complex(f(moved)).imag / step for f in functions]
        return found, J @ covariance @ J.T
