"""What the course of a test over time says beside the balances, whatever is changed in a survey.

A reading that is left out moves the recoveries at its own time alone, or all of them. So the survey
is balanced with it as it is, what its sd does is taken out again where the balances are linearised,
and it is read anew as balances and course together then have it, until both agree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from oretally.flowsheet import BalanceProblem, Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.kinetics.over_time import OverTime
from oretally.recon.kinetics.rate_cone import RateCone
from oretally.recon.propagation import Adjusted, adjusted, joint_estimate
from oretally.recon.solution import Solution
from oretally.recon.solver import corrected, propagate, refit

__all__ = ["LeachEvidence", "Said"]

_LEAST = 3  # times from which a course can speak against a number
_WIDE = 10.0  # times its size, the sd of a reading that is left out
_ROUNDS = 4  # of balancing again with what course and balances say of it
_STILL = 0.1  # of its sd, from which it is read anew
_INSIDE = 0.1  # of what it was, where it would read less than nothing


@dataclass(frozen=True, slots=True)
class Said:
    """What a course adds to a balance.

    Attributes
    ----------
    distance : float
        To the objective.
    dof : int
        At most as many degrees of freedom has that.
    readings : mapping of Position to (float, float)
        Readings that were left out, as balances and course together have them, with their sd, base
        units.
    together : mapping of (Position, Position) to float
        The covariance of two of these, base units.
    """

    distance: float = 0.0
    dof: int = 0
    readings: Mapping[Position, tuple[float, float]] = field(default_factory=dict)
    together: Mapping[tuple[Position, Position], float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class LeachEvidence:
    """Asks a course about a changed survey.

    Attributes
    ----------
    test : OverTime
        Of the survey as it is.
    """

    test: OverTime

    def __call__(self, problem: BalanceProblem, solution: Solution) -> Said:
        """Return what the course says of a changed survey, balanced.

        Readings that are left out are balanced again with, a few times at the most for each
        hypothesis, whose number the work of a diagnosis bounds.
        """
        before = self.test.covariance.problem
        read = {place: _value(before, place) for place in _left_out(before, problem)}
        size = {place: abs(value) for place, (value, _) in read.items()}
        said, cone = dict[Position, tuple[float, float]](), None
        together = dict[tuple[Position, Position], float]()
        for _ in range(_ROUNDS if read else 1):
            held = corrected(problem, read)
            found = refit(held, solution.flow) if read else solution
            if found is None:
                break
            test = replace(self.test, covariance=propagate(held, found).held)
            wide = {p: _WIDE * max(size[p], v, sd) for p, (v, sd) in read.items()}
            cone = _cone(test, read, wide)
            if cone is None or not read:
                break
            every = {place: cone.said(cone.n + i) for i, place in enumerate(read)}
            together = {(a, b): sd * float(goes[i]) for a, (_, sd, goes) in every.items()
                        for i, b in enumerate(read)}  # fmt: skip
            # where rounding leaves no width, the course says nothing of a reading
            said = {place: (v, sd) for place, (v, sd, _) in every.items() if sd > 0.0}
            anew = {p: max(v, _INSIDE * read[p][0]) for p, (v, _) in said.items()}
            if all(abs(v - read[p][0]) <= _STILL * said[p][1] for p, v in anew.items()):
                break
            read = {p: (v, read[p][1]) for p, v in anew.items()}
        if cone is None and read:  # not balanced again: what is told with the readings lost
            lost = replace(self.test, covariance=propagate(problem, solution).held)
            cone = _cone(lost, {}, {})
        if cone is None:
            return Said(readings=said, together=together)
        # nothing can have read less than nothing
        below = sum((v / sd) ** 2 for v, sd in said.values() if v < 0.0)
        return Said(cone.distance + below, cone.n - cone.analytes, said, together)


def _cone(
    test: OverTime, read: Mapping[Position, tuple[float, float]], wide: Mapping[Position, float]
) -> RateCone | None:
    """Return a test's recoveries, all analytes together, with readings that may move.

    ``read`` are these as they stand in the balance with their sd, ``wide`` the sd that they have
    instead. None if too little is known of the course.
    """
    times, found = list[Floats](), list[Adjusted]()
    for k in test.analytes:
        each, at = test.recoveries(k), OverTime.determined(test, k)
        if len(at) >= _LEAST:
            times.append(test.time[at])
            found += [each[i] for i in at]
    beside = [adjusted(test.covariance, place) for place in read]
    joint = joint_estimate(test.covariance, [*found, *beside]) if times else None
    if joint is None:
        return None
    value, V = joint
    for c, (place, (v, sd)) in enumerate(read.items(), len(found)):
        # as one that is measured worse moves all, and widens it
        less, own = 1.0 / wide[place] ** 2 - 1.0 / sd**2, V[:, c]
        V = V - np.outer(own, own) * (less / (1.0 + less * V[c, c]))
        value = value - V[:, c] * (less * (value[c] - v))
    return RateCone(times, value, V)


def _left_out(before: BalanceProblem, after: BalanceProblem) -> list[Position]:
    n = before.n_carriers
    flows = np.flatnonzero(np.isfinite(before.flow) & ~np.isfinite(after.flow[:n]))
    grades = np.argwhere(np.isfinite(before.grade) & ~np.isfinite(after.grade[:, :n]))
    return [
        *(Position(None, j) for j in flows.tolist()),
        *(Position(k, j) for k, j in grades.tolist()),
    ]


def _value(problem: BalanceProblem, place: Position) -> tuple[float, float]:
    """Return a reading and its sd."""
    k, j = place
    if k is None:
        return float(problem.flow[j]), float(problem.flow_sd[j])
    return float(problem.grade[k, j]), float(problem.grade_sd[k, j])
