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


def hidden_errors(
    values: Sequence[BalancedValue], positions: Sequence[Position], answers: Answers
) -> tuple[HiddenError, ...]:
    """Return, for each measurement, the recovery that an unseen error would move most.

    An error e in a measurement moves the recovery R by e Cov(R, adjusted) / sd^2, to first order.
    For a measurement that nothing checks, e is one stated error. ``positions`` say where each
    measured number stands; where it shares sources of error, sd is that of its own part.
    """
    if not answers.products or not answers.analytes:
        return ()
    moves, names = [], []
    for k, analyte in enumerate(answers.analytes):
        for j in answers.products:
            recovery = answers.recovery(k, j)
            if recovery is None:
                continue
            flows, grades = answers.covariance.with_all(recovery.slopes)
            moves.append([flows[p.carrier] if p.analyte is None else grades[p] for p in positions])
            names.append((answers.streams[j], analyte))
    if not moves:
        return ()
    along = np.array(moves)
    problem = answers.model.problem
    found = []
    for i, (v, place) in enumerate(zip(values, positions, strict=True)):
        if v.measured is None or v.sd is None or v.adjusted is None or v.at_bound:
            continue
        sd = float(problem.flow_sd[place.carrier] if place.analyte is None
                   else problem.grade_sd[place])  # fmt: skip
        size = v.detectable_error
        checked = size is not None
        m = answers.model.survey.measured(v.stream, v.quantity)
        if m is None or m.error_source == DECLARED_LOSS:
            continue
        error = m.unit.to_base(size if size is not None else v.sd)
        moved = 100.0 * along[:, i] / sd**2 * error
        if not np.isfinite(moved).any():
            continue
        worst = int(np.nanargmax(np.round(np.abs(moved), 6)))  # equal but for rounding: the first
        found.append(
            HiddenError(
                v.stream, v.quantity, v.unit, v.sd if size is None else size, checked,
                *names[worst], float(moved[worst]),
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda h: -round(abs(h.points), 6)))
