"""The curves of a quantity against time, with their slopes by the parameters.

References
----------
First order with a plateau: H. Garcia Zuniga, La recuperacion por flotacion es una funcion
exponencial del tiempo, Boletin Minero 47 (1935) 83-86. Rectangular distribution of rates: R.R.
Klimpel, Selection of chemical reagents for flotation, in A.L. Mular and R.B. Bhappu (eds), Mineral
Processing Plant Design, 2nd ed. (1980), chapter 45. Two components: D.F. Kelsall, Application of
probability in the assessment of flotation systems, Trans. Inst. Min. Metall. 70 (1961) 191-204.
Cited from memory.
"""

from __future__ import annotations

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import RateModel

__all__ = ["curve", "shape_of"]

_SMALL = 1e-3  # k t below which the rectangular curve is taken from its series


def curve(
    model: RateModel, parameters: Floats, time: Floats, whole: float = 1.0
) -> tuple[Floats, Floats]:
    """Return the curve at the times and its slopes by the parameters.

    Parameters
    ----------
    model : RateModel
    parameters : ndarray, shape (p,)
        In the order of ``model.names``.
    time : ndarray, shape (n,)
    whole : float
        What two components come to in the end.

    Returns
    -------
    ndarray, shape (n,), and ndarray, shape (n, p)
    """
    if model is RateModel.TWO_COMPONENTS:
        share, fast, slow = parameters
        of_fast, by_fast = shape_of(model, fast, time)
        of_slow, by_slow = shape_of(model, slow, time)
        value = whole * (share * of_fast + (1.0 - share) * of_slow)
        slopes = (of_fast - of_slow, share * by_fast, (1.0 - share) * by_slow)
        return value, whole * np.column_stack(slopes)
    plateau, rate = parameters
    shape, by_rate = shape_of(model, rate, time)
    return plateau * shape, np.column_stack((shape, plateau * by_rate))


def shape_of(model: RateModel, rate: Floats | float, time: Floats) -> tuple[Floats, Floats]:
    """Return what a plateau of 1 has by the times, and its slope by the rate.

    Parameters
    ----------
    model : RateModel
        Of two components, the shape of either.
    rate : float or ndarray, shape (...)
    time : ndarray, shape (n,)

    Returns
    -------
    two of ndarray, shape (..., n)

    Notes
    -----
    With x = k t: 1 - exp(-x), and 1 - (1 - exp(-x)) / x = x/2 - x^2/6 + x^3/24 - ...
    """
    k = np.asarray(rate, float)[..., None]
    x = k * time
    decay = np.exp(-x)
    rise = -np.expm1(-x)
    if model is not RateModel.RECTANGULAR:
        return rise, time * decay
    small = x < _SMALL
    safe, near = np.where(small, 1.0, x), np.where(small, x, 0.0)
    shape = np.where(small, near / 2.0 - near**2 / 6.0 + near**3 / 24.0, 1.0 - rise / safe)
    by_x = np.where(small, 0.5 - near / 3.0 + near**2 / 8.0, (rise / safe - decay) / safe)
    return shape, time * by_x
