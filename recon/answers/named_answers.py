"""The answers of one balance by name, each with what every error of the survey does to it.

An answer R is a function of adjusted flows and of the grades of one analyte. Plus one sd of
measurement or shared source i moves it by Cov(R, adjusted_i) / sd_i, with its sign; the squares of
these add up to the variance of R, and their products, over what two tests have in common, to the
covariance of two answers (`oretally.recon.answers.error_budget`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.circuit import reference_name
from oretally.recon.answers.recoveries import Answers
from oretally.recon.propagation import (
    Adjusted,
    Derived,
    adjusted,
    amount_at,
    estimate,
    moved_by_errors,
)
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


class Answer(Derived[ErrorPlace]):
    """An answer as a share, or a grade as mass per mass.

    Its slopes are by how much plus one sd of each measurement (of what it shares with no other)
    and of each shared source moves it.
    """

    __slots__ = ()

    @property
    def sd(self) -> float:
        """One standard deviation, from the stated errors."""
        return math.hypot(*self.slopes.values())


@dataclass(frozen=True)
class CaseAnswers:
    """Reads the answers of one balance.

    Attributes
    ----------
    model : BalanceModel
    feeds, products : tuple of str
        Streams to which recoveries refer, and those among which they are shared.
    """

    model: BalanceModel
    feeds: tuple[str, ...]
    products: tuple[str, ...]

    @property
    def feed(self) -> str:
        """What the feeds are called together."""
        return reference_name(self.feeds)

    @cached_property
    def covariance(self) -> Covariance:
        """Of all adjusted values."""
        return propagate(self.model.problem, solve(self.model.problem))

    def names(self) -> list[AnswerName]:
        """Return every answer that the survey may have, stream by stream, sizes last."""
        carriers, survey = self.model.carriers, self.model.survey
        analytes, found = [a.name for a in survey.analytes], list[AnswerName]()
        streams = carriers.streams
        for kind in (RECOVERY, GRADE):
            found += [
                AnswerName(kind, a, s)
                for a in analytes for s in streams
                if kind == GRADE or self.feeds != (s,)
            ]  # fmt: skip
        found += [AnswerName(PULL, "", s) for s in streams if self.feeds != (s,)]
        for kind in (LOSS, SHARE):
            found += [
                AnswerName(kind, a, s, label)
                for k, a in enumerate(analytes) for j, s in enumerate(streams)
                if (k, j) in carriers.by_class
                for label in map(survey.sizes.label, carriers.class_runs[j])
            ]  # fmt: skip
        return found

    def read(self, name: AnswerName) -> Answer | None:
        """Return one answer of `names`; None where the balance does not give it, or no sd."""
        found = self._derived(name)
        if found is None or estimate(self.covariance, found) is None:
            return None
        places = self.model.positions
        at = {ErrorPlace("measurement", *name): place for name, place in places.readings.items()}
        at |= {
            ErrorPlace("source", source.name, source.quantity): place
            for place, source in places.sources.items()
        }
        (moved,) = moved_by_errors(self.covariance, [found], list(at.values())).tolist()
        answer = Answer(found.value, {p: m for p, m in zip(at, moved, strict=True) if m})
        return answer if answer.sd > 0.0 else None

    def _derived(self, name: AnswerName) -> Adjusted | None:
        """Return an answer with its derivatives; None where the balance gives no number."""
        carriers, survey, answers = self.model.carriers, self.model.survey, self._answers
        j = carriers.streams.index(name.stream)
        k = None if name.kind == PULL else answers.analytes.index(name.analyte)
        if name.kind == GRADE:
            return adjusted(self.covariance, Position(k, j))
        if name.kind in (PULL, RECOVERY):
            at = j if k is None else carriers.whole(k, j)
            if answers.is_reference(j):
                return None
        else:
            labels = [survey.sizes.label(run) for run in carriers.class_runs[j]]
            at = carriers.own_classes(j)[labels.index(name.size)]
        below = amount_at(self.covariance, k, j) if name.kind == SHARE else answers.fed(k)
        share = amount_at(self.covariance, k, at) / below
        return share if math.isfinite(share.value) else None

    @cached_property
    def _answers(self) -> Answers:
        return Answers.of(self.model, self.covariance, feeds=self.feeds, products=self.products)
