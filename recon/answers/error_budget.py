"""Where the uncertainty of an answer comes from: shares of its variance, source by source.

All that the balance takes as measured, with the shared sources of error as measurements 0 +- 1, is
independent. To first order an answer R answers a change of measurement i by Cov(R, adjusted_i) /
sd_i^2, so that i adds Cov(R, adjusted_i)^2 / sd_i^2 to the variance of R, and these add up to it
but for what grades at a bound add that may be inside (`oretally.recon.solver.flow_root`).

References
----------
JCGM 100:2008 (GUM), 5.1.3: components of the combined variance. For least squares the covariance
of an adjusted answer with a measurement is that with its adjusted value: follows from Cov(adjusted,
adjustment) = 0.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import STATED
from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import LARGEST, moved_by_bounds, moved_by_errors
from oretally.recon.result import ErrorOrigin, Recovery, RecoveryBudget
from oretally.recon.solver import Covariance

__all__ = ["names_at_bounds", "recovery_budgets"]

_AT_BOUND = "at its bound"  # as a source of error
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
    model = answers.model
    told = [r for r in recoveries if r.product and (r.sd or 0.0) > _NOTHING]
    if len(model.survey.measurements) > LARGEST or not told:
        return ()
    numbers = {name: k for k, name in enumerate(answers.analytes)}
    carriers = {name: j for j, name in enumerate(answers.streams)}
    of = [answers.recovery_of(numbers[r.analyte], carriers[r.stream]) for r in told]
    origins, places, parts = _origins(model)
    covariance = answers.covariance
    shares = np.hstack([
        moved_by_errors(covariance, of, places) ** 2 * parts, moved_by_bounds(covariance, of) ** 2
    ])  # fmt: skip
    named = names_at_bounds(model, covariance)
    origins += tuple(ErrorOrigin(_AT_BOUND, *name) for name in named)
    shares /= shares.sum(axis=1, keepdims=True)
    shares.setflags(write=False)
    return tuple(
        RecoveryBudget(r.stream, r.analyte, r.sd or 0.0, origins, share)
        for r, share in zip(told, shares, strict=True)
    )


def names_at_bounds(model: BalanceModel, covariance: Covariance) -> list[tuple[str, str]]:
    """Return stream and quantity of each of `Covariance.at_bounds`: of equal grades the first."""
    named = model.positions.named
    return [
        next((named[p] for p in places if p in named), ("", f"grade {i + 1}"))
        for i, places in enumerate(covariance.at_bounds)
    ]


def _origins(model: BalanceModel) -> tuple[tuple[ErrorOrigin, ...], list[Position], Floats]:
    """Return where errors come from, where each stands, and its part of the variance there."""
    places = model.positions
    found = [ErrorOrigin(source.name, "", source.quantity) for source in places.sources.values()]
    at, parts = list(places.sources), [1.0] * len(found)
    for m in model.survey.measurements:
        own = [(p.source, p.sd**2) for p in m.parts if not p.shared] or [(STATED, 1.0)]
        whole = sum(square for _, square in own)
        found += [ErrorOrigin(source, m.stream, m.quantity) for source, _ in own]
        at += [places.readings[m.stream, m.quantity]] * len(own)
        parts += [square / whole for _, square in own]
    order = sorted(
        range(len(found)), key=lambda i: (found[i].quantity, found[i].stream, found[i].source)
    )
    return tuple(found[i] for i in order), [at[i] for i in order], np.array(parts)[order]
