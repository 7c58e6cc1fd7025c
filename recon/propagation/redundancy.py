"""Levels of redundancy and of the tests: what counts as seen, as detectable, as too many.

References
----------
W. Baarda, A testing procedure for use in geodetic networks (1968): detectable errors. That 'seen'
begins at 1e-9 is our own choice. Cited from memory.
"""

from __future__ import annotations

from scipy.special import ndtri

__all__ = ["LARGEST", "POWER", "SEEN", "detectable_error"]


SEEN = 1e-9  # redundancy below this share is rounding


POWER = 0.80  # chance of finding an error of the detectable size


def detectable_error(
    sd: float, redundancy: float, *, alpha: float = 0.05, power: float = POWER
) -> float | None:
    """Return the least error that the measurement test finds with the given power, as ``sd``.

    None where nothing checks the measurement.

    Notes
    -----
    sd (z(1 - alpha/2) + z(power)) / sqrt(redundancy number): the square of the sum is Baarda's
    non-centrality for one dimension, but for the far tail, below 1e-7 of it.

    Examples
    --------
    >>> round(detectable_error(1.0, 1.0, alpha=0.001), 2)
    4.13
    """
    if redundancy <= SEEN:
        return None
    return float(sd * (ndtri(power) - ndtri(alpha / 2.0)) / redundancy**0.5)


LARGEST = 3_000  # measurements up to which all is compared with all
