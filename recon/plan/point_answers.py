"""The answers that measurements are planned for: value and gradient at the point of the plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Position, Unit
from oretally.flowsheet.arrays import Floats
from oretally.recon.answers import Answers
from oretally.recon.plan.linearised import Tangent

__all__ = ["PlanAnswer", "recovery_of", "value_of", "yield_of"]


@dataclass(frozen=True, eq=False)
class PlanAnswer:
    """An answer.

    Attributes
    ----------
    name : str
    unit : str
    value : float
        At the point, in that unit.
    gradient : ndarray, shape (n_free,)
        Its derivatives along the free coordinates, in that unit.
    """

    name: str
    unit: str
    value: float
    gradient: Floats


def recovery_of(answers: Answers, tangent: Tangent, k: int, j: int) -> PlanAnswer | None:
    """Return the recovery of analyte k to stream j; None if the feed has nothing of it."""
    found = answers.gradient(k, j)
    if found is None:
        return None
    slopes = {Position(None, int(c)): float(found[0][c]) for c in np.flatnonzero(found[0])}
    slopes |= {Position(k, int(c)): float(found[1][c]) for c in np.flatnonzero(found[1])}
    to, of = answers.whole[k][j], answers.whole[k][answers.feed]
    F, x = tangent.flow, tangent.grade[k]
    return PlanAnswer(
        f"recovery of {answers.analytes[k]} to {answers.streams[j]}",
        "%",
        float(100.0 * F[to] * x[to] / (F[of] * x[of])),
        100.0 * tangent.gradient(slopes),
    )


def yield_of(answers: Answers, tangent: Tangent, j: int) -> PlanAnswer:
    """Return the mass of dry solids in stream j as a share of the feed's."""
    F, of = tangent.flow, answers.feed
    share = float(F[j] / F[of])
    slopes = {Position(None, j): 1.0 / F[of], Position(None, of): -share / F[of]}
    gradient = 100.0 * tangent.gradient(slopes)
    return PlanAnswer(f"yield of {answers.streams[j]}", "%", 100.0 * share, gradient)


def value_of(tangent: Tangent, name: str, place: Position, unit: Unit) -> PlanAnswer:
    """Return one value itself, such as the grade of a stream."""
    k, j = place
    value = tangent.flow[j] if k is None else tangent.grade[k, j]
    gradient = unit.from_base(1.0) * tangent.gradient({place: 1.0})
    return PlanAnswer(name, unit.symbol, unit.from_base(float(value)), gradient)
