"""Several feeds taken together: their flow and grades, as measured and adjusted.

With flows F and grades f of the solids: sum F, and sum F f / sum F. Common practice, no source.
"""

from __future__ import annotations

from oretally.flowsheet import Unit
from oretally.recon.answers.closures import Measured, summed
from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import estimates
from oretally.recon.result import CombinedFeed, Estimate

__all__ = ["combined_feed"]


def combined_feed(answers: Answers) -> CombinedFeed | None:
    """Return the feeds together; None if there is one."""
    if len(answers.feeds) == 1:
        return None
    survey, streams = answers.model.survey, answers.model.circuit.streams
    flow, unit = survey.basis.quantity, survey.flow_unit
    solids = [streams[j] for j in answers.feeds if streams[j].content.has_solids]
    likes = {s.name: s.like for s in solids if s.like is not None}

    def measured(found: Measured | None, unit: Unit) -> Estimate | None:
        sd = 0.0 if found is None else survey.variance(found.slopes) ** 0.5
        return None if found is None else (unit.from_base(found.value), unit.from_base(sd))

    mass = summed(survey, [(s.name, flow, None) for s in solids], likes)
    assayed = dict[str, Estimate | None]()
    for a in survey.analytes:
        metal = summed(survey, [(s.name, flow, a.name) for s in solids], likes)
        grade = None if metal is None or mass is None or not mass.value else metal / mass
        assayed[a.name] = measured(grade, a.unit)
    units = [unit, *(a.unit for a in survey.analytes)]
    every = [None, *range(len(survey.analytes))]
    told = estimates(answers.covariance, [answers.head(k) for k in every])
    fed, *grades = (
        None if found is None else (u.from_base(found[0]), u.from_base(found[1]))
        for found, u in zip(told, units, strict=True)
    )
    return CombinedFeed(
        tuple(answers.streams[j] for j in answers.feeds), unit.symbol, measured(mass, unit), fed,
        assayed, dict(zip(answers.analytes, grades, strict=True)),
    )  # fmt: skip
