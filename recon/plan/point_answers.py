"""The answers that measurements are planned for, at the point of the plan."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet import Position, Unit
from oretally.recon.answers import Answers
from oretally.recon.kinetics import over_time
from oretally.recon.plan.linearised import Tangent
from oretally.recon.propagation import Adjusted, Derived, amount_at

__all__ = ["PlanAnswer", "curve_answers", "pull_of", "recovery_of", "value_of"]


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


def curve_answers(answers: Answers) -> list[PlanAnswer]:
    """Return plateau and rate of each analyte of a test over time, by its best curve of one rate.

    Their slopes are those with which the errors of the point weigh the times.
    """
    feeds = tuple(answers.streams[j] for j in answers.feeds)
    test, found = over_time(answers.model, answers.covariance, feeds), list[PlanAnswer]()
    if test is None:
        return []
    for k, fits in test.all_fits.items():
        analyte = answers.analytes[k]
        fit = next((f for f in fits if "rate" in f.parameters and f.determined), None)
        for name, unit, factor in (("plateau", "%", 100.0), ("rate", f"1/{test.unit}", 1.0)):
            value = None if fit is None else test.parameter(k, fit, name)
            if value is not None:
                found.append(PlanAnswer(f"{name} of {analyte}", unit, factor * value))
    return found


def value_of(tangent: Tangent, name: str, *, place: Position, unit: Unit) -> PlanAnswer:
    """Return one value itself, such as the grade of a stream."""
    k, j = place
    value = float(tangent.flow[j] if k is None else tangent.grade[k, j])
    found = Derived(unit.from_base(value), {place: unit.from_base(1.0)})
    return PlanAnswer(name, unit.symbol, found)
