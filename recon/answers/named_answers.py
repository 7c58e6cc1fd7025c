"""The answers of one balance by name, each with what every error of the survey does to it.

An answer R is a function of adjusted flows and of the grades of one analyte. Plus one sd of
measurement or shared source i moves it by Cov(R, adjusted_i) / sd_i, with its sign; the squares of
these add up to the variance of R, and their products, over what two tests have in common, to the
covariance of two answers (`oretally.recon.answers.error_budget`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from oretally.flowsheet import Circuit, Position, Positions, Survey, balance_problem, positions
from oretally.recon.answers.error_budget import moved_by
from oretally.recon.result import ErrorPlace
from oretally.recon.solver import Covariance, propagate, solve

__all__ = ["GRADE", "LOSS", "PULL", "RECOVERY", "SHARE", "Answer", "AnswerName", "CaseAnswers"]

RECOVERY, PULL, GRADE, LOSS, SHARE = "recovery", "mass pull", "grade", "recovery by size", "share"


class AnswerName(NamedTuple):
    """What is asked of a balance.

    ``kind`` is 'recovery', 'mass pull' or 'grade' of a whole stream, 'recovery by size' (what the
    class of the stream has of the analyte, per all of it in the feed) or 'share' (per all of it in
    the stream).
    """

    kind: str
    analyte: str
    stream: str
    size: str = ""

    @property
    def by_size(self) -> bool:
        """Whether it is of a size class."""
        return bool(self.size)

    def __str__(self) -> str:
        analyte, stream = self.analyte, self.stream
        return {
            RECOVERY: f"recovery of {analyte} to {stream}",
            PULL: f"mass pull to {stream}",
            GRADE: f"grade of {analyte} in {stream}",
            LOSS: f"recovery of {analyte} to {stream}, its {self.size}",
            SHARE: f"share of {self.size} in the {analyte} of {stream}",
        }[self.kind]


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer as a share, or a grade as mass per mass.

    ``moved`` is by how much plus one sd of each measurement (of what it shares with no other) and
    of each shared source moves it.
    """

    value: float
    moved: Mapping[ErrorPlace, float]

    @property
    def sd(self) -> float:
        """One standard deviation, from the stated errors."""
        return math.sqrt(sum(m * m for m in self.moved.values()))


@dataclass(frozen=True)
class CaseAnswers:
    """What can be asked of one balanced survey.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
    feed, products : str, tuple of str
        Reference stream of the recoveries, and the streams among which they are shared.
    """

    circuit: Circuit
    survey: Survey
    feed: str
    products: tuple[str, ...]

    @cached_property
    def covariance(self) -> Covariance:
        """Of all adjusted values."""
        problem = balance_problem(self.circuit, self.survey)
        return propagate(problem, solve(problem))

    @cached_property
    def _places(self) -> Positions:
        return positions(self.circuit, self.survey)

    def names(self) -> list[AnswerName]:
        """Return every answer that the survey may have, stream by stream, sizes last."""
        analytes, carriers = [a.name for a in self.survey.analytes], self._places.carriers
        grid, found = self.survey.sizes, list[AnswerName]()
        streams = self.circuit.stream_names
        for kind in (RECOVERY, GRADE):
            found += [
                AnswerName(kind, a, s)
                for a in analytes for s in streams
                if kind == GRADE or s != self.feed
            ]  # fmt: skip
        found += [AnswerName(PULL, "", s) for s in streams if s != self.feed]
        for kind in (LOSS, SHARE):
            found += [
                AnswerName(kind, a, s, label)
                for k, a in enumerate(analytes) for j, s in enumerate(streams)
                if (k, j) in carriers.by_class
                for label in map(grid.label, carriers.class_runs[j])
            ]  # fmt: skip
        return found

    def read(self, name: AnswerName) -> Answer | None:
        """Return one answer of `names`; None where the balance does not give it, or no sd."""
        carriers = self._places.carriers
        j, of = (self.circuit.stream_names.index(s) for s in (name.stream, self.feed))
        if name.kind == PULL:
            return self._ratio(None, j, of)
        k = [a.name for a in self.survey.analytes].index(name.analyte)
        if name.kind == GRADE:
            x = self.covariance.solution.grade[k, j]
            return self._answer(k, float(x), {}, {j: 1.0})
        if name.kind == RECOVERY:
            return self._ratio(k, carriers.whole(k, j), carriers.whole(k, of))
        labels = [self.survey.sizes.label(run) for run in carriers.class_runs[j]]
        below = carriers.whole(k, of) if name.kind == LOSS else j
        return self._ratio(k, carriers.own_classes(j)[labels.index(name.size)], below)

    def _ratio(self, k: int | None, to: int, of: int) -> Answer | None:
        """Return what one carrier has of the solids, or of an analyte, per what another has."""
        F = self.covariance.solution.flow
        x = np.ones(F.size) if k is None else self.covariance.solution.grade[k]
        below = float(F[of] * x[of])
        if not np.isfinite([below, x[to]]).all() or below == 0.0 or to == of:
            return None
        R = float(F[to] * x[to] / below)
        slopes = {to: float(x[to] / below), of: -R / float(F[of])}
        grades = {} if k is None else {to: float(F[to] / below), of: -R / float(x[of])}
        return self._answer(k, R, slopes, grades)

    def _answer(
        self, k: int | None, value: float, by_flow: Mapping[int, float],
        by_grade: Mapping[int, float],
    ) -> Answer | None:  # fmt: skip
        """Return an answer from its derivatives by the flows and grades of carriers."""
        used = [Position(None, j) for j in by_flow] + [Position(k, j) for j in by_grade]
        if not np.isfinite([value, *self.covariance.joint(used).ravel()]).all():
            return None
        n = self.covariance.problem.n_carriers
        of_flow, of_grade = np.zeros(n), np.zeros(n)
        of_flow[list(by_flow)], of_grade[list(by_grade)] = [*by_flow.values()], [*by_grade.values()]
        along = self.covariance.with_all(k, of_flow, of_grade)
        problem, places = self.covariance.problem, self._places
        moved = {
            ErrorPlace("measurement", *name): moved_by(problem, *along, place)
            for name, place in places.readings.items()
        }
        moved |= {
            ErrorPlace("source", source.name, source.quantity): moved_by(problem, *along, place)
            for place, source in places.sources.items()
        }
        answer = Answer(value, {place: m for place, m in moved.items() if m})
        return answer if answer.sd > 0.0 else None
