"""The laws of a partition curve: c, what reports to the coarse product without the bypass.

References
----------
L.R. Plitt, A mathematical model of the hydrocyclone classifier, CIM Bulletin 69 (1976) 114-123.
W.J. Whiten's equation as in T.J. Napier-Munn, S. Morrell, R.D. Morrison and T. Kojovic, Mineral
Comminution Circuits (1996), chapter 12. Cited from memory.
"""

from __future__ import annotations

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import PartitionLaw

__all__ = ["corrected_share", "log_size_ratio"]


def corrected_share(
    law: PartitionLaw, log_ratio: Floats, exponent: float
) -> tuple[Floats, Floats, Floats]:
    """Return c at ln(d/d50c), its slope by that and by ln exponent.

    All have the shape of ``log_ratio``. At -inf, size 0, c is 0, at inf it is 1, without slope.
    """
    inside = np.isfinite(log_ratio)
    c, by_size, by_exponent = _curve(law, np.where(inside, log_ratio, 0.0), exponent)
    return (np.where(inside, c, log_ratio > 0.0), np.where(inside, by_size, 0.0),
            np.where(inside, by_exponent, 0.0))  # fmt: skip


def _curve(law: PartitionLaw, log_ratio: Floats, exponent: float) -> tuple[Floats, Floats, Floats]:
    with np.errstate(over="ignore"):
        if law is PartitionLaw.PLITT:
            u = np.log(2.0) * np.exp(np.minimum(exponent * log_ratio, 30.0))
            rise = u * np.exp(-u)
            return -np.expm1(-u), exponent * rise, exponent * log_ratio * rise
        x = np.exp(np.clip(log_ratio, -300.0, 30.0))
        own, half = -np.expm1(-exponent * x), -np.expm1(-exponent)
        c = 1.0 / (1.0 + np.exp(np.minimum(exponent * (1.0 - x), 700.0)) * half / own)
        steep = exponent * x / own
        return c, c * (1.0 - c) * steep, c * (1.0 - c) * (steep - exponent / half)


def log_size_ratio(law: PartitionLaw, c: float, exponent: float) -> float:
    """Return ln(d/d50c) at which the corrected curve takes the value c."""
    if law is PartitionLaw.PLITT:
        return float(np.log(-np.log1p(-c) / np.log(2.0)) / exponent)
    # exp(a x) - 1 = c (exp(a) - 1) / (1 - c), with exp(a) taken out so that it cannot overflow
    odds = c / (1.0 - c)
    grown = odds + (1.0 - odds) * np.exp(-exponent)
    return float(np.log((exponent + np.log(grown)) / exponent))
