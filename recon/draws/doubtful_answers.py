"""Answers whose +- is no more than a rough guide: where a balance is no plane within its errors.

First order holds while an answer stays away from where it must end, at 0 or at 100 %, and while
its error is small beside it: a ratio of two numbers known to a fifth is not normal any more (JCGM
101:2008, clause 5.8 names both). Simulation tells what holds there: `oretally.recon.simulation`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from oretally.flowsheet import Measurement, Positions
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.result import AnswerKind, Balance, ValueClass
from oretally.recon.solution import Solution

__all__ = ["doubtful_answers"]

_LARGE = 0.2  # of an answer: an sd above it is doubtful; so is, then, one within 2 sd of 0
_NEAR = 2.0  # sd to the upper bound
_HAIR = 1e-8  # of an answer: a smaller sd is rounding
_WHOLE = 100.0  # percent
_Found = Iterator[tuple[float, str]]  # how many sd from its nearest bound, name


def doubtful_answers(balance: Balance, places: Positions, solution: Solution) -> tuple[str, ...]:
    """Return the answers whose +- is doubtful, by name: recoveries first, of each kind the worst.

    Recoveries, yields and extractions that are nearer than 2 sd to 0 or 100 %, or have an sd of
    more than a fifth, and ratios of concentration with yields; recoveries of what stands at a
    bound; unmeasured flows and grades of streams with such an sd, or near the maximum of their
    analyte. A measured value has the +- that was stated, or less.
    """
    search = _Search(balance, places, solution)
    kinds = (search.recoveries(), search.yields(), search.extractions(), search.values())
    return tuple(
        name for found in kinds for _, name in sorted(found, key=lambda each: round(each[0], 9))
    )


@dataclass(frozen=True)
class _Search:
    balance: Balance
    places: Positions
    solution: Solution

    def recoveries(self) -> _Found:
        number = {a.name: k for k, a in enumerate(self.balance.survey.analytes)}
        for r in self.balance.recoveries:
            if not r.product or self._read_as_nothing(r.stream):
                continue
            k = number[r.analyte]
            room = _room(r.recovery, r.sd, self._tops.get(r.stream))
            if r.recovery is not None and any(
                self._at_bound(k, s) for s in (r.stream, *self.balance.feeds)
            ):
                room = 0.0
            if room is not None:
                yield room, AnswerKind.RECOVERY.named(r.stream, r.analyte)

    def yields(self) -> _Found:
        liquid = {s.name for s in self.balance.circuit.streams if s.content is Content.SOLUTION}
        for s in self.balance.separations:
            room = _room(s.yield_percent, s.yield_sd, self._tops.get(s.stream))
            if s.stream in liquid or self._declared(s.stream) or self._read_as_nothing(s.stream):
                continue
            if room is not None:
                told = "yield"
                if s.ratio_of_concentration is not None:
                    told += " and ratio of concentration"
                yield room, f"{told} of '{s.stream}'"

    def extractions(self) -> _Found:
        for e in self.balance.extractions:
            room = _room(e.reconciled, e.reconciled_sd, _WHOLE)
            if room is not None:
                yield room, AnswerKind.EXTRACTION.named(e.node, e.analyte)

    def values(self) -> _Found:
        """Unmeasured flows and bulk grades; a product's flow is told by its yield."""
        survey = self.balance.survey
        maximum = {a.name: a.unit.from_base(a.maximum) for a in survey.analytes}
        for v in self.balance.values:
            if v.value_class is not ValueClass.OBSERVABLE or v.carrier not in ("solids", "water"):
                continue
            if v.quantity == survey.basis.quantity and v.stream in self.balance.products:
                continue
            room = _room(v.adjusted, v.adjusted_sd, maximum.get(v.quantity))
            if room is not None:
                yield room, AnswerKind.VALUE.named(v.stream, v.quantity)

    def _declared(self, stream: str) -> bool:
        flow = self._flow(stream)
        return flow is not None and flow.error_source == DECLARED_LOSS

    def _read_as_nothing(self, stream: str) -> bool:
        """Whether somebody looked and found nothing: that it is about 0 is no doubt."""
        flow = self._flow(stream)
        return flow is not None and flow.value == 0.0 and flow.typed

    def _flow(self, stream: str) -> Measurement | None:
        return self.balance.survey.measured(stream, self.balance.survey.basis.quantity)

    @cached_property
    def _tops(self) -> dict[str, float]:
        """100 % for what leaves a circuit if all feeds count: it has no more than that."""
        if set(self.balance.circuit.feeds) != set(self.balance.feeds):
            return {}
        return {s.name: _WHOLE for s in self.balance.circuit.streams if s.target is None}

    @cached_property
    def _number(self) -> dict[str, int]:
        return {name: j for j, name in enumerate(self.places.carriers.streams)}

    def _at_bound(self, k: int, stream: str) -> bool:
        """Whether the flow or the grade of a stream is held at a bound."""
        j, carriers, found = self._number[stream], self.places.carriers, self.solution
        own = {carriers.whole(k, j), *((j,) if carriers.solids[j] else ())}
        return any(
            found.flow_at_bound[c] or found.flow[c] == 0.0 or found.grade_at_bound[k, c]
            for c in own
        )


def _room(value: float | None, sd: float | None, top: float | None) -> float | None:
    """Return how many sd an answer is from its nearest bound; None where its +- is sound."""
    if value is None or sd is None or sd <= _HAIR * abs(value):
        return None
    above = (top - value) / sd if top is not None and value <= top else float("inf")
    if sd <= _LARGE * abs(value) and above >= _NEAR:
        return None
    return min(abs(value) / sd, above)
