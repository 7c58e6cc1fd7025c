"""A leach whose solution was sampled over time, as its chain of leaches stands in a balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceModel, NotBalanceable, Stream
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import TimeCourse
from oretally.recon.kinetics.over_time import OverTime
from oretally.recon.propagation import Adjusted, adjusted_amount, estimate
from oretally.recon.solver import Covariance, propagate, solve

__all__ = ["TimedLeach", "timed_leach"]

_OPEN = 1.0 / 12.0**0.5  # sd of an extraction of which nothing is known


@dataclass(frozen=True, eq=False)
class TimedLeach(OverTime):
    """Reads a leach over time from one balance.

    Attributes
    ----------
    course : TimeCourse
    covariance : Covariance
        Of a balance in which the solids of an interval may be short of what left them: a wrong
        assay shows as such, and is not held at all there is.
    """

    course: TimeCourse

    @property
    def unit(self) -> str:
        """Unit of the times."""
        return self.course.unit

    @cached_property
    def time(self) -> Floats:
        """Times in that unit, shape (n,)."""
        return np.array([t.time for t in self.course.times])

    @property
    def analytes(self) -> Sequence[int]:
        """Numbers of the analytes that are dissolved."""
        survey = self.model.survey
        return [k for k, a in enumerate(survey.analytes) if a.name in survey.dissolved]

    @property
    def into(self) -> list[Stream]:
        """Streams that were put in at the start."""
        first = self.course.times[0].node
        return [s for s in self.model.circuit.streams if s.target == first]

    @property
    def out(self) -> list[Stream]:
        """Streams that leave at the end, but the last sample."""
        last = self.course.times[-1]
        return [s for s in self.model.circuit.streams
                if s.source == last.node and s.name != last.sample]  # fmt: skip

    def ore(self, k: int | None) -> Adjusted:
        """Return the dry ore, or what it has of an analyte."""
        return self.amount([s for s in self.into if s.content.has_solids], k)

    def amount(self, streams: Sequence[Stream], k: int | None) -> Adjusted:
        """Return the dry solids of some streams, or what they have of an analyte."""
        names = self.model.carriers.streams
        return adjusted_amount(self.covariance, [names.index(s.name) for s in streams], k)

    def solution(self, names: Sequence[str]) -> Adjusted:
        """Return the solution in some streams."""
        carriers = self.model.carriers
        at = [carriers.streams.index(name) for name in names]
        return adjusted_amount(self.covariance, [carriers.water[j] for j in at], None)

    def in_vessel(self, i: int) -> Adjusted:
        """Return the solution in the vessel at a time, before its sample is drawn off."""
        node = self.course.times[i].node
        water = self.model.carriers.water
        names = self.model.carriers.streams
        return self.solution([
            s.name for s in self.model.circuit.streams
            if s.target == node and names.index(s.name) in water
        ])  # fmt: skip

    def recoveries(self, k: int | None) -> list[Adjusted]:
        """Return the extraction of an analyte up to each time, as a share."""
        whole, found = self.ore(k), list[Adjusted]()
        for t in self.course.times:
            solids = [s for s in self.model.circuit.streams
                      if s.source == t.node and s.content.has_solids]  # fmt: skip
            found.append(1.0 - self.amount(solids, k) / whole)
        return found

    def determined(self, k: int | None) -> list[int]:
        """Return the times with an extraction that is not as good as unknown."""
        told = [estimate(self.covariance, e) if np.isfinite(e.value) else None
                for e in self.recoveries(k)]  # fmt: skip
        return [i for i, e in enumerate(told) if e is not None and e[1] < _OPEN]


def timed_leach(model: BalanceModel, covariance: Covariance) -> TimedLeach | None:
    """Return the leach over time of a survey; None if it has none.

    It is balanced once more with no grade held at nothing of what leaves it, samples too: a wrong
    assay bends the course then, and nothing else.
    """
    course = model.survey.course
    if course is None:
        return None
    c = model.carriers
    out = [c.streams.index(s.name) for s in model.circuit.streams if s.source in course.nodes]
    out += [of[j] for of in (c.water, c.wet) for j in out if j in of]
    lower = model.problem.grade_lower.copy()
    lower[: c.n_analytes, out] = -np.inf
    free = replace(model.problem, grade_lower=lower)
    try:
        solution = solve(free)
    except NotBalanceable:
        solution = None
    if solution is not None and solution.converged:
        covariance = propagate(free, solution)
    return TimedLeach(model, covariance, course)
