"""The answers that measurements are planned for: value and gradient at the point of the plan."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet import Position, Unit
from oretally.flowsheet.arrays import Floats
from oretally.recon.answers import Answers
from oretally.recon.plan.linearised import Tangent
from oretally.recon.propagation import Adjusted, Derived, amount_at

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
    found = answers.recovery(k, j)
    name = f"recovery of {answers.analytes[k]} to {answers.streams[j]}"
    return None if found is None else _planned(tangent, name, "%", 100.0 * found)


def yield_of(answers: Answers, tangent: Tangent, j: int) -> PlanAnswer:
    """Return the mass of dry solids in stream j as a share of the feed's."""
    flow, fed = (amount_at(answers.covariance, None, i) for i in (j, answers.feed))
    return _planned(tangent, f"yield of {answers.streams[j]}", "%", 100.0 * (flow / fed))


def _planned(tangent: Tangent, name: str, unit: str, found: Adjusted) -> PlanAnswer:
    return PlanAnswer(name, unit, found.value, tangent.gradient(found.slopes))


def value_of(tangent: Tangent, name: str, place: Position, unit: Unit) -> PlanAnswer:
    """Return one value itself, such as the grade of a stream."""
    k, j = place
    value = tangent.flow[j] if k is None else tangent.grade[k, j]
    slopes = {place: unit.from_base(1.0)}
    return _planned(tangent, name, unit.symbol, Derived(unit.from_base(float(value)), slopes))
