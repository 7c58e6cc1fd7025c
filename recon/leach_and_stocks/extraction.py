"""Extraction at leach nodes: by the solids, by the solution, and by the balance.

With S, L and C the amounts of an analyte in the solids, in the solution and on what takes it up
from there (carbon, resin, a precipitate), in and out of the node::

    by solids        1 - S_out / S_in
    by solution      (L_out - L_in + C_out - C_in) / S_in
    accountability   (S_out + L_out + C_out) / (S_in + L_in + C_in)
    taken up         (C_out - C_in) / (C_out - C_in + L_out)

Common practice of metallurgical testing; no source. Standard deviations to first order, correlated
sources of error included (JCGM 100:2008, GUM, equation 13).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit, NodeKind, Position, Stream, Survey
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import in_solution
from oretally.recon.answers import Measured, measured_flow, reading, summed
from oretally.recon.propagation import Adjusted, adjusted, adjusted_amount, estimate
from oretally.recon.result import Extraction
from oretally.recon.solver import Covariance

__all__ = ["LeachCarriers", "extraction_notes", "extractions", "leach_carriers"]

_Percent = tuple[float | None, float | None]
_Streams = Sequence[Stream]
_SURE = 1.96  # sd by which metal must go the other way to be told: two-sided, 5 %
_NONE: _Percent = (None, None)


def extractions(model: BalanceModel, covariance: Covariance) -> tuple[Extraction, ...]:
    """Return the extractions of each dissolved analyte at each leach node.

    Not where the analyte goes from the solution to the solids: that is no extraction.
    """
    rows = []
    for leach in _leaches(model, covariance):
        if leach.upgraded() is not None:
            continue
        taken_up = leach.taken_up()
        if leach.extracts():
            told, equal = leach.extracted()
            rows.append(Extraction(leach.node, leach.analyte, *told[0], *told[1], *told[2],
                                   *told[3], *taken_up, equal))  # fmt: skip
        elif taken_up != _NONE:
            rows.append(
                Extraction(leach.node, leach.analyte, *_NONE, *_NONE, *_NONE, *_NONE, *taken_up)
            )
    return tuple(rows)


def extraction_notes(model: BalanceModel, covariance: Covariance) -> tuple[str, ...]:
    """Return at which leaches no extraction is told, since solids leave richer than they enter."""
    found: dict[tuple[str, str], list[str]] = {}
    for leach in _leaches(model, covariance):
        rich = leach.upgraded()
        if rich is not None:
            found.setdefault((leach.node, rich), []).append(leach.analyte)
    return tuple(
        f"'{rich}' leaves the leach '{node}' richer in {', '.join(analytes)} than any solids that "
        "enter it: no extraction is told there. If it is carbon, resin or a precipitate, which "
        'takes it out of the solution, write carries = "carbon" (or "resin", "precipitate") for it '
        "and for what enters as such. If solids are parted there, give that a node of its own."
        for (node, rich), analytes in found.items()
    )


class LeachCarriers(NamedTuple):
    """Carriers around a leach that hold an analyte: ore, what takes it up, liquid that leaves."""

    analyte: int
    ore_in: list[int]
    ore_out: list[int]
    takers_in: list[int]
    takers_out: list[int]
    liquid_out: list[int]


def leach_carriers(
    model: BalanceModel, covariance: Covariance
) -> dict[tuple[str, str], LeachCarriers]:
    """Return what the balance's extractions are made of, by node and analyte.

    Extraction: what ore in has more than ore out, per ore in. Taken up: what the takers gain, per
    that and the liquid that leaves.
    """
    water, found = model.carriers.water, dict[tuple[str, str], LeachCarriers]()
    for leach in _leaches(model, covariance):
        ore_in, ore_out, takers_in, takers_out = (
            [leach.at(s) for s in part(side)]
            for part in (_ore, _takers) for side in (leach.into, leach.out)
        )  # fmt: skip
        liquid = [water[leach.at(s)] for s in leach.out if leach.at(s) in water]
        found[leach.node, leach.analyte] = LeachCarriers(
            leach.k, ore_in, ore_out, takers_in, takers_out, liquid
        )
    return found


@dataclass(frozen=True)
class _Leach:
    """A leach and an analyte that is dissolved; ``into`` and ``out`` are the node's streams."""

    node: str
    analyte: str
    k: int
    into: _Streams
    out: _Streams
    model: BalanceModel
    covariance: Covariance

    def upgraded(self) -> str | None:
        """Return the ore that leaves surely richer than any that enters; None if none does.

        Leaching makes no ore richer: something takes the analyte up, or parts solids. A single
        outlet is richer too where much dissolves: it counts if it has more than what entered.
        """
        into, out = _ore(self.into), _ore(self.out)
        rich = [s for s in out if into and all(self._richer(s, each) for each in into)]
        if len(out) == 1 and not self._surely(self._in_solids(out), self._in_solids(into)):
            return None
        grade = self.covariance.solution.grade[self.k]
        return max(rich, key=lambda s: float(grade[self.at(s)])).name if rich else None

    def extracts(self) -> bool:
        """Whether there is an extraction to tell: ore enters and leaves, and metal is dissolved.

        Not at a node that only takes metal up: there the solution gets poorer, the ore not surely.
        """
        if not (_ore(self.into) and _ore(self.out)):
            return False
        before, after = self._in_liquid(self.into), self._in_liquid(self.out)
        if not (_takers(self.out) and after.value < before.value):
            return True
        return self._surely(self._in_solids(_ore(self.into)), self._in_solids(_ore(self.out)))

    def extracted(self) -> tuple[list[_Percent], bool]:
        """Return by solids, by solution, by the balance, accountability; whether grades alone."""
        survey = self.model.survey
        closed = not any(s.content is Content.DISSOLVED for s in self.out)
        S_in, S_out, equal = _solids(
            survey, _ore(self.into), _ore(self.out), self.analyte, closed=closed
        )
        before, after = (_beside_ore(survey, side, self.analyte) for side in (self.into, self.out))
        by_solids = by_solution = whole = None
        if S_in is not None and S_in.value > 0.0:
            if S_out is not None:
                by_solids = (S_in - S_out) / S_in
            if before is not None and after is not None and not equal:
                by_solution = (after - before) / S_in
                if S_out is not None:
                    whole = (S_out + after) / (S_in + before)
        told = [_percent_measured(survey, a) for a in (by_solids, by_solution, whole)]
        S_in_now, S_out_now = (self._in_solids(_ore(side)) for side in (self.into, self.out))
        told.insert(2, self._share(S_in_now - S_out_now, S_in_now))
        return told, equal and by_solids is not None

    def taken_up(self) -> _Percent:
        """Return the share of what was in solution that carbon and the like took up."""
        if not _takers(self.out):
            return _NONE
        C_in, C_out = (self._in_solids(_takers(side)) for side in (self.into, self.out))
        gain = C_out - C_in
        return self._share(gain, gain + self._in_liquid(self.out))

    def _share(self, part: Adjusted, whole: Adjusted) -> _Percent:
        """Return a share with its sd, in percent."""
        if not (np.isfinite([part.value, whole.value]).all() and whole.value > 0.0):
            return _NONE
        return estimate(self.covariance, 100.0 * (part / whole)) or _NONE

    def _surely(self, large: Adjusted, small: Adjusted) -> bool:
        """Whether one amount is larger than another by more than their errors."""
        gap = estimate(self.covariance, large - small)
        return gap is not None and gap[0] > _SURE * gap[1]

    def _richer(self, one: Stream, other: Stream) -> bool:
        x, y = (adjusted(self.covariance, Position(self.k, self.at(s))) for s in (one, other))
        return self._surely(x, y)

    def _in_solids(self, streams: _Streams) -> Adjusted:
        return adjusted_amount(self.covariance, [self.at(s) for s in streams], self.k)

    def _in_liquid(self, streams: _Streams) -> Adjusted:
        water = self.model.carriers.water
        at = [water[self.at(s)] for s in streams if self.at(s) in water]
        return adjusted_amount(self.covariance, at, self.k)

    def at(self, stream: Stream) -> int:
        """Return the carrier of the solids of a stream."""
        return self.model.carriers.streams.index(stream.name)


def _leaches(model: BalanceModel, covariance: Covariance) -> Iterator[_Leach]:
    """Yield each leach with each analyte that is dissolved.

    Where carbon leaves it in the pulp, the leach goes as far as the screen that takes the carbon
    out: the pulp's assay is of both. If other ore or another leach comes in between, nothing can be
    told. Where nobody assayed the solids that leave it, it goes as far as the filter or thickener
    behind. A leach that was sampled over time is one leach, with all its intervals.
    """
    circuit, survey = model.circuit, model.survey
    timed = set() if survey.course is None else set(survey.course.nodes)
    for node in circuit.nodes:
        if node.kind is not NodeKind.LEACH:
            continue
        own = {node.name}
        if survey.course is not None and node.name in timed:
            if node.name != survey.course.node:
                continue
            own = timed
        inner = {*own, *_as_far_as_screens(circuit, node.name)}
        if not _alone(circuit, own, inner):
            continue
        for k, analyte in enumerate(survey.analytes):
            if analyte.name not in survey.dissolved:
                continue
            whole = _as_far_as_assayed(circuit, survey, analyte.name, inner)
            whole = whole if _alone(circuit, own, whole) else inner
            into = [s for s in circuit.streams if s.target in whole and s.source not in whole]
            out = [s for s in circuit.streams if s.source in whole and s.target not in whole]
            yield _Leach(node.name, analyte.name, k, into, out, model, covariance)


def _alone(circuit: Circuit, leach: Set[str], whole: Set[str]) -> bool:
    """Whether no other leach, and no other ore, comes in behind a leach, all of its intervals."""
    behind = whole - leach
    other = (s for s in _ore(circuit.streams) if s.target in behind and s.source not in whole)
    leaches = {n.name for n in circuit.nodes if n.kind is NodeKind.LEACH}
    return not (behind & leaches or any(other))


def _as_far_as_assayed(circuit: Circuit, survey: Survey, analyte: str, inner: Set[str]) -> set[str]:
    """Return the nodes from a leach to where what leaves was assayed for an analyte."""
    whole = set(inner)
    while True:
        more = {
            s.target for s in circuit.streams
            if s.source in whole and s.target not in whole and s.target is not None
            and not survey.measured(
                s.name, analyte if s.content.has_solids else in_solution(analyte)
            )
        }  # fmt: skip
        if not more:
            return whole
        whole |= more


def _as_far_as_screens(circuit: Circuit, leach: str) -> set[str]:
    """Return the nodes from a leach to where carbon and the like are parted from its pulp.

    There carbon leaves, but has not entered as such: it came in the pulp. Nothing if it does not.
    """
    entered = {s.target for s in circuit.streams if s.takes_up}
    parted = {s.source for s in circuit.streams if s.takes_up and s.source} - entered - {leach}
    met, last = set[str](), {leach}
    while last:
        ahead = {s.target for s in _ore(circuit.streams) if s.source in last and s.target}
        ahead -= met | entered | {leach}
        met |= ahead
        last = ahead - parted
    return met if met & parted else set()


def _ore(streams: _Streams) -> list[Stream]:
    return [s for s in streams if s.content.has_solids and not s.takes_up]


def _takers(streams: _Streams) -> list[Stream]:
    return [s for s in streams if s.takes_up]


def _solids(
    survey: Survey, into: _Streams, out: _Streams, analyte: str, *, closed: bool
) -> tuple[Measured | None, Measured | None, bool]:
    """Return the analyte in the ore that enters and leaves, and whether grades stand for both.

    Where no dry flow was measured on one side, and one stream carries ore on each, what enters
    as solids also leaves: then the grades alone say it, per unit of mass. Not so if solids
    dissolve: ``closed`` is False then.
    """
    flow = survey.basis.quantity
    S_in, S_out = (
        summed(survey, [(s.name, flow, analyte) for s in side], _likes(side))
        for side in (into, out)
    )
    if S_in is not None and S_out is not None:
        return S_in, S_out, False
    if closed and len(into) == len(out) == 1:
        (feed,), (tails,) = into, out
        if S_in is not None and measured_flow(survey, tails.name, flow) is None:
            same = summed(survey, [(tails.name, (feed.name, flow), analyte)])
            return S_in, same, False
        one, two = (reading(survey, s.name, analyte) for s in (feed, tails))
        if one is not None and two is not None:
            return one, two, True
    return S_in, S_out, False


def _beside_ore(survey: Survey, streams: _Streams, analyte: str) -> Measured | None:
    """Return the analyte in solution and on what takes it up, as measured."""
    wet = [(s.name, "water", in_solution(analyte)) for s in streams if s.content.has_water]
    held = [(s.name, survey.basis.quantity, analyte) for s in _takers(streams)]
    return summed(survey, [*wet, *held], _likes(streams))


def _likes(streams: _Streams) -> dict[str, str]:
    return {s.name: s.like for s in streams if s.like is not None}


def _percent_measured(survey: Survey, share: Measured | None) -> _Percent:
    if share is None:
        return _NONE
    return 100.0 * share.value, 100.0 * float(survey.variance(share.slopes) ** 0.5)
