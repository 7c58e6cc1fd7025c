"""How likely an error that stays is, its size among what is weighed.

Errors that explain the surveys alike differ in size: a scale off by twice its stated error, or an
assay off by a hundred times its own. The odds are those of `oretally.recon.signatures.evidence`
for one survey, with its rates and widths; with b the size, v its variance, both in stated errors::

    gain/2 + log sum_w share_w sqrt(v/(v + w^2)) exp(-b^2/(2 (v + w^2))) + log odds before looking

The factor b^2 of the density there, by which a gross error is hardly ever small, has no place here:
what many surveys show may be less than the stated error of one reading.
"""

from __future__ import annotations

import numpy as np

from oretally.recon.persistent_bias.rows import ErrorForm
from oretally.recon.persistent_bias.search import UNLIKELIER
from oretally.recon.persistent_bias.stacked_evidence import StackedEvidence
from oretally.recon.result import ErrorRates, Estimate
from oretally.recon.signatures import LOSS_UNIT, log_odds, log_size_shares

__all__ = ["log_odds_of"]

_RATES = ErrorRates()


def log_odds_of(stack: StackedEvidence, candidate: int, size: Estimate, gain: float) -> float:
    """Return the logarithm of the odds of one error against 'nothing stays'.

    Parameters
    ----------
    stack : StackedEvidence
    candidate : int
        Its number there.
    size : (float, float)
        With its sd, in the unit of the candidate.
    gain : float
        What it takes off the sum of squares, in the scatter that was found.
    """
    form = stack.candidates[candidate].form
    per_unit = [float(np.abs(L[:, candidate]).max(initial=0.0)) for L in stack.loadings]
    unit = float(np.median([x for x in per_unit if x > 0.0]))
    if form is ErrorForm.LOSS:
        rate, width, shares = _RATES.loss, np.array([_RATES.loss_width / LOSS_UNIT]), np.zeros(1)
    else:
        rate, width = _RATES.measurement, np.array(_RATES.widths)
        shares = log_size_shares(_RATES)
    b, v = unit * size[0], (unit * size[1]) ** 2
    ways = shares + 0.5 * np.log(v / (v + width**2)) - 0.5 * b**2 / (v + width**2)
    less = 0.5 * UNLIKELIER if form is ErrorForm.OFFSET else 0.0
    return 0.5 * gain - less + float(log_odds(rate) + np.logaddexp.reduce(ways))
