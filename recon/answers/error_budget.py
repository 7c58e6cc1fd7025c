"""Where the uncertainty of an answer comes from: shares of its variance, source by source.

All that the balance takes as measured, with the shared sources of error as measurements 0 +- 1, is
independent. To first order an answer R answers a change of measurement i by Cov(R, adjusted_i) /
sd_i^2, so that i adds Cov(R, adjusted_i)^2 / sd_i^2 to the variance of R, and these add up to it.

References
----------
JCGM 100:2008 (GUM), 5.1.3: components of the combined variance. For least squares the covariance
of an adjusted answer with a measurement is that with its adjusted value: follows from Cov(adjusted,
adjustment) = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceModel, BalanceProblem, ErrorPart, Position
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import STATED
from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import LARGEST
from oretally.recon.result import ErrorShare, Recovery, RecoveryBudget

__all__ = ["moved_by", "recovery_budgets"]

_NOTHING = 1e-9  # percentage points: the sd of a recovery of all is rounding, and has no shares


def recovery_budgets(
    answers: Answers, recoveries: Sequence[Recovery]
) -> tuple[RecoveryBudget, ...]:
    """Return the budget of each recovery to a product whose sd is known and not 0.

    None for a circuit too large for a covariance with everything.

    Parameters
    ----------
    answers : Answers
    recoveries : sequence of Recovery
        As `Answers.recoveries` gives them.
    """
    if len(answers.model.survey.measurements) > LARGEST:
        return ()
    found = []
    for r in recoveries:
        k, j = answers.analytes.index(r.analyte), answers.streams.index(r.stream)
        recovery = answers.recovery(k, j) if r.product and (r.sd or 0.0) > _NOTHING else None
        if recovery is None or r.sd is None:
            continue
        shares = _shares(answers.model, *answers.covariance.with_all(recovery.slopes))
        total = sum(s.share for s in shares)
        shares = [replace(s, share=s.share / total) for s in shares if s.share > 0.0]
        shares.sort(key=lambda s: (-round(s.share, 9), s.quantity, s.stream, s.source))
        found.append(RecoveryBudget(r.stream, r.analyte, r.sd, tuple(shares)))
    return tuple(found)


def moved_by(problem: BalanceProblem, flows: Floats, grades: Floats, *, place: Position) -> float:
    """Return what an error of plus one sd, where a measurement or source stands, adds to an answer.

    Parameters
    ----------
    problem : BalanceProblem
    flows, grades : ndarray, shape (n_carriers,), (n_analytes, n_carriers)
        Covariance of the answer with all values, as `Covariance.with_all` gives it.
    place : Position
        Of the measurement, or of the unknown of a shared source.

    Returns
    -------
    float
        With its sign; 0 where the value is not determined. Its square is a share of the variance,
        the product of two of them what the measurement adds to the covariance of two answers.
    """
    k, j = place
    moved = flows[j] if k is None else grades[place]
    sd = problem.flow_sd[j] if k is None else problem.grade_sd[place]
    return float(moved / sd) if np.isfinite(moved) else 0.0


def _shares(model: BalanceModel, flows: Floats, grades: Floats) -> list[ErrorShare]:
    """Return what each source adds to the variance, from the covariance with all values."""
    places = model.positions

    def variance(place: Position) -> float:
        return moved_by(model.problem, flows, grades, place=place) ** 2

    found = [
        ErrorShare(source.name, "", source.quantity, variance(place))
        for place, source in places.sources.items()
    ]
    for m in model.survey.measurements:
        whole = variance(places.readings[m.stream, m.quantity])
        own = [p for p in m.parts if not p.shared] or [ErrorPart(STATED, m.sd)]
        squares = sum(p.sd**2 for p in own)
        found += [
            ErrorShare(p.source, m.stream, m.quantity, whole * p.sd**2 / squares) for p in own
        ]
    return found
