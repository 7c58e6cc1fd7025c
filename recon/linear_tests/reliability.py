"""What could go unseen: detectable errors, and how far they would move a recovery.

References
----------
W. Baarda, A testing procedure for use in geodetic networks (1968): internal and external
reliability. P.J.G. Teunissen, Testing Theory (2000). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.answers import Answers
from oretally.recon.result import BalancedValue, HiddenError

__all__ = ["hidden_errors"]

_NOTHING = 1e-9  # percentage points: what moves a recovery by less moves none


def hidden_errors(
    values: Sequence[BalancedValue], positions: Sequence[Position], answers: Answers
) -> tuple[HiddenError, ...]:
    """Return, for each measurement, the recovery that an unseen error would move most.

    An error e in a measurement moves the recovery R by e Cov(R, adjusted) / sd^2, to first order.
    For a measurement that nothing checks, e is one stated error. ``positions`` say where each
    measured number stands; where it shares sources of error, sd is that of its own part.
    """
    problem = answers.model.problem
    looked: list[tuple[int, BalancedValue, float, float]] = []  # row, error, in base units
    for i, v in enumerate(values):
        if v.measured is None or v.sd is None or v.adjusted is None or v.at_bound:
            continue
        m = answers.model.survey.measured(v.stream, v.quantity)
        if m is not None and m.error_source != DECLARED_LOSS:
            least = v.sd if v.detectable_error is None else v.detectable_error
            looked.append((i, v, least, m.unit.to_base(least)))
    names = [(k, j) for k in range(len(answers.analytes)) for j in answers.products]
    slopes = [(name, r.slopes) for name in names if (r := answers.recovery(*name)) is not None]
    if not looked or not slopes:
        return ()
    # flows first, then the grades of each analyte
    n = problem.n_carriers
    at = np.array([
        p.carrier + (0 if p.analyte is None else n * (1 + p.analyte))
        for p in (positions[i] for i, *_ in looked)
    ])  # fmt: skip
    sd = np.concatenate([problem.flow_sd, problem.grade_sd.ravel()])[at]
    flows, grades = answers.covariance.held.many_with_all([slope for _, slope in slopes])
    covariance = np.hstack([flows, grades.reshape(len(slopes), -1)])[:, at]
    moved = 100.0 * covariance / sd**2 * np.array([error for *_, error in looked])
    size = np.where(np.isfinite(moved), np.round(np.abs(moved), 6), -1.0)
    worst = size.argmax(axis=0)  # equal but for rounding: the first
    most = moved[worst, np.arange(at.size)]
    most[np.abs(most) <= _NOTHING] = 0.0
    found = []
    ends = zip(looked, worst.tolist(), most.tolist(), size.max(axis=0).tolist(), strict=True)
    for (_, v, least, _), which, points, known in ends:
        if known < 0.0:
            continue
        (k, j), _ = slopes[which]
        found.append(
            HiddenError(
                v.stream, v.quantity, v.unit, least, v.detectable_error is not None,
                answers.streams[j], answers.analytes[k], points,
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda h: -round(abs(h.points), 6)))
