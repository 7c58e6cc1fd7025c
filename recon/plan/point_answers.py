"""The answers that measurements are planned for, at the point of the plan."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet import Position, Unit
from oretally.recon.answers import Answers
from oretally.recon.plan.linearised import Tangent
from oretally.recon.propagation import Adjusted, Derived, amount_at

__all__ = ["PlanAnswer", "pull_of", "recovery_of", "value_of"]


@dataclass(frozen=True, eq=False)
class PlanAnswer:
    """An answer.

    Attributes
    ----------
    name : str
    unit : str
    found : Derived
        At the point, in that unit.
    """

    name: str
    unit: str
    found: Adjusted

    @property
    def value(self) -> float:
        """At the point."""
        return self.found.value


def recovery_of(answers: Answers, k: int, j: int) -> PlanAnswer | None:
    """Return the recovery of analyte k to stream j; None if the feed has nothing of it."""
    found = answers.recovery(k, j)
    name = f"recovery of {answers.analytes[k]} to {answers.streams[j]}"
    return None if found is None else PlanAnswer(name, "%", 100.0 * found)


def pull_of(answers: Answers, j: int) -> PlanAnswer:
    """Return the mass of dry solids in stream j as a share of the feed's."""
    pull = amount_at(answers.covariance, None, j) / answers.fed(None)
    return PlanAnswer(f"mass pull to {answers.streams[j]}", "%", 100.0 * pull)


def value_of(tangent: Tangent, name: str, *, place: Position, unit: Unit) -> PlanAnswer:
    """Return one value itself, such as the grade of a stream."""
    k, j = place
    value = float(tangent.flow[j] if k is None else tangent.grade[k, j])
    found = Derived(unit.from_base(value), {place: unit.from_base(1.0)})
    return PlanAnswer(name, unit.symbol, found)
