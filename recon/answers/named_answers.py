"""The answers of one balance by name, each with what every error of the survey does to it.

An answer R is a function of adjusted flows and of the grades of one analyte. Plus one sd of
measurement or shared source i moves it by Cov(R, adjusted_i) / sd_i, with its sign; the squares of
these add up to the variance of R, and their products, over what two tests have in common, to the
covariance of two answers (`oretally.recon.answers.error_budget`).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, TypeVar

import numpy as np

from oretally.flowsheet import BalanceModel, Dimension, Position, parse_unit
from oretally.flowsheet.circuit import reference_name
from oretally.recon.answers.error_budget import names_at_bounds
from oretally.recon.answers.recoveries import Answers
from oretally.recon.kinetics import OverTime, over_time
from oretally.recon.propagation import (
    Adjusted,
    Derived,
    adjusted,
    amount_at,
    estimates,
    moved_by_bounds,
    moved_by_errors,
)
from oretally.recon.result import ErrorPlace, RateFit, RateModel
from oretally.recon.solver import Covariance, propagate, solve

__all__ = ["GRADE", "LOSS", "PLATEAU", "PULL", "RATE", "RECOVERY", "SHARE", "Answer", "AnswerName",
           "CaseAnswers"]  # fmt: skip

RECOVERY, PULL, GRADE, LOSS, SHARE = "recovery", "mass pull", "grade", "recovery by size", "share"
PLATEAU, RATE = "plateau", "rate"
_Key = TypeVar("_Key", bound=Hashable)


_CURVES = (RateModel.FIRST_ORDER, RateModel.RECTANGULAR)  # of one rate


class AnswerName(NamedTuple):
    """What is asked of a balance.

    ``kind`` is 'recovery', 'mass pull' or 'grade' of a whole stream, 'recovery by size' (what the
    class of the stream has of the analyte, per all of it in the feed) or 'share' (per all of it in
    the stream); of a test over time 'plateau' or 'rate' of one ``curve``, without a stream.
    """

    kind: str
    analyte: str
    stream: str
    size: str = ""
    curve: str = ""

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
            PLATEAU: f"plateau of {analyte}, {self.curve}",
            RATE: f"rate of {analyte}, {self.curve}",
        }[self.kind]


class Answer(Derived[ErrorPlace]):
    """An answer as a share, a grade as mass per mass, or a rate per hour.

    Its slopes are by how much plus one sd of each measurement (of what it shares with no other),
    of each shared source and of each grade that a bound holds, and that may be inside, moves it.
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
    known : Covariance or None
        Of the adjusted values, if the survey was balanced already.
    """

    model: BalanceModel
    feeds: tuple[str, ...]
    products: tuple[str, ...]
    known: Covariance | None = None

    @property
    def feed(self) -> str:
        """What the feeds are called together."""
        return reference_name(self.feeds)

    @cached_property
    def covariance(self) -> Covariance:
        """Of all adjusted values."""
        if self.known is not None:
            return self.known
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
        for k, fits in self._fits.items():
            held = [f.model for f in fits if f.model in _CURVES and f.determined]
            found += [AnswerName(kind, analytes[k], "", curve=str(model))
                      for kind in (PLATEAU, RATE) for model in held]  # fmt: skip
        return found

    def preferred(self) -> list[AnswerName]:
        """Return plateau and rate of each analyte by its best curve of one rate that holds."""
        first: dict[tuple[str, str], AnswerName] = {}
        for name in self.names():
            if name.kind in (PLATEAU, RATE):
                first.setdefault((name.kind, name.analyte), name)
        return sorted(first.values(), key=lambda name: name.kind)

    def time_unit(self) -> str:
        """Return the unit of the times of a test over time."""
        return "" if self._timed is None else self._timed.unit

    def read(self, name: AnswerName) -> Answer | None:
        """Return one answer of `names`; None where the balance does not give it, or no sd."""
        return self.read_all([name]).get(name)

    def read_all(self, names: Sequence[AnswerName]) -> dict[AnswerName, Answer]:
        """Return those of several answers that `read` gives: at once, for much less time."""
        timed = [n for n in names if n.kind in (PLATEAU, RATE) and self._timed is not None]
        plain = [n for n in names if n not in timed]
        found = self._read_by(self.covariance, plain)
        if timed and self._timed is not None:
            found |= self._read_by(self._timed.covariance, timed)
        return found

    def _read_by(
        self, covariance: Covariance, names: Sequence[AnswerName]
    ) -> dict[AnswerName, Answer]:
        every = {n: derived for n in names if (derived := self._derived(n)) is not None}
        return self._moved(covariance, every)

    def with_errors(self, every: Mapping[_Key, Adjusted]) -> dict[_Key, Answer]:
        """Return other answers of the balance likewise, those that have an sd."""
        return self._moved(self.covariance, every)

    def _moved(self, covariance: Covariance, every: Mapping[_Key, Adjusted]) -> dict[_Key, Answer]:
        told = estimates(covariance, [*every.values()])
        some = {n: d for (n, d), e in zip(every.items(), told, strict=True) if e is not None}
        of = [*some.values()]
        moved = np.hstack([
            moved_by_errors(covariance, of, [*self._places.values()]),
            moved_by_bounds(covariance, of),
        ])  # fmt: skip
        bounds = names_at_bounds(self.model, covariance)
        errors = [*self._places, *(ErrorPlace("bound", *name) for name in bounds)]
        found = {}
        for (name, derived), row in zip(some.items(), moved.tolist(), strict=True):
            slopes = {p: m for p, m in zip(errors, row, strict=True) if m}
            answer = Answer(derived.value, slopes)
            if answer.sd > 0.0:
                found[name] = answer
        return found

    @cached_property
    def _places(self) -> dict[ErrorPlace, Position]:
        """Where the measurements and the shared sources stand."""
        at = self.model.positions
        found = {ErrorPlace("measurement", *name): place for name, place in at.readings.items()}
        return found | {
            ErrorPlace("source", source.name, source.quantity): place
            for place, source in at.sources.items()
        }

    def _derived(self, name: AnswerName) -> Adjusted | None:
        """Return an answer with its derivatives; None where the balance gives no number."""
        carriers, survey, answers = self.model.carriers, self.model.survey, self._answers
        if name.kind in (PLATEAU, RATE):
            return self._of_curve(name)
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

    def _of_curve(self, name: AnswerName) -> Adjusted | None:
        """Return a plateau, or a rate per hour; None of a curve that does not hold."""
        k, timed = self._answers.analytes.index(name.analyte), self._timed
        fit = next((f for f in self._fits.get(k, ()) if f.model == name.curve), None)
        if timed is None or fit is None or fit.holds is False:
            return None
        found = timed.parameter(k, fit, name.kind)
        if found is None or name.kind == PLATEAU:
            return found
        return found * parse_unit(f"1/{timed.unit}", Dimension.PER_TIME).to_base(1.0)

    @cached_property
    def _timed(self) -> OverTime | None:
        return over_time(self.model, self.covariance, self.feeds)

    @property
    def _fits(self) -> dict[int, list[RateFit]]:
        """Fits of each analyte of a test over time, the preferred first; else empty."""
        return {} if self._timed is None else self._timed.all_fits

    @cached_property
    def _answers(self) -> Answers:
        return Answers.of(self.model, self.covariance, feeds=self.feeds, products=self.products)
