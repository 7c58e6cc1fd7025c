"""Shifts in their order, and what couples them: stocks handed on, errors that they share.

What one shift leaves in a stockpile the next one finds there: one unknown, whatever was measured of
it. A source of error whose ``over`` says so is one error for all shifts of a day, a week, a month
or the campaign.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from math import isclose

from oretally.flowsheet import BalanceModel, Circuit, NodeKind, Stream, Survey
from oretally.flowsheet.survey import (
    DatedSurvey,
    SharedSource,
    in_solution,
    without_measurement,
)
from oretally.recon.periods.calendar import span_of

__all__ = ["Coupled", "SameReading", "Shift", "Source", "StockLink", "coupled"]

_SAME = 1e-9  # relative: two ways to write one number


@dataclass(frozen=True)
class Shift:
    """One survey of the period, with a time.

    Attributes
    ----------
    label : str
    time : datetime
    model : BalanceModel
        Its stockpiles have an opening and a closing stock each, measured or not.
    """

    label: str
    time: datetime
    model: BalanceModel

    @property
    def survey(self) -> Survey:
        """What was measured."""
        return self.model.survey

    @property
    def circuit(self) -> Circuit:
        """What it was measured on."""
        return self.model.circuit

    def stock(self, node: str, *, opening: bool) -> Stream | None:
        """Return the opening or closing stock of a stockpile; None if it has none."""
        for s in self.circuit.streams:
            if s.stock and (s.target if opening else s.source) == node:
                return s
        return None


@dataclass(frozen=True, slots=True)
class StockLink:
    """A stock that one shift leaves and the next one finds.

    Attributes
    ----------
    before, after : int
        Numbers of the shifts.
    node : str
        The stockpile.
    quantities : tuple of str
        What of it is handed on as one unknown: dry mass, water, and grades of analytes. A quantity
        that was measured of none of the stocks that hang together says nothing, and is not here.
    """

    before: int
    after: int
    node: str
    quantities: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Source:
    """A source of error as one unknown of the period.

    Attributes
    ----------
    name, quantity : str
    span : str
        The day, week or month, 'campaign', or the label of the one survey that has it.
    """

    name: str
    quantity: str
    span: str


@dataclass(frozen=True, slots=True)
class SameReading:
    """A stock that two shifts state alike: one reading, counted once."""

    before: str
    after: str
    node: str
    quantity: str


@dataclass(frozen=True)
class Coupled:
    """Shifts that are balanced together.

    Attributes
    ----------
    shifts : tuple of Shift
        In the order of their times.
    links : tuple of StockLink
    once : tuple of SameReading
        Readings that were stated twice; the later one is left out.
    cut : tuple of int
        Numbers of the shifts before which something is missing.
    """

    shifts: tuple[Shift, ...]
    links: tuple[StockLink, ...]
    once: tuple[SameReading, ...] = ()
    cut: tuple[int, ...] = ()

    @cached_property
    def sources(self) -> Mapping[Source, tuple[tuple[int, SharedSource], ...]]:
        """Every shared source, with the shifts that have it and what it adds there."""
        found: dict[Source, list[tuple[int, SharedSource]]] = {}
        for t, shift in enumerate(self.shifts):
            for s in shift.survey.shared:
                span = span_of(shift.time, s.over) if s.over else shift.label
                found.setdefault(Source(s.name, s.quantity, span), []).append((t, s))
        return {key: tuple(own) for key, own in found.items()}


def coupled(
    surveys: Sequence[DatedSurvey], *, common: Collection[str] = (), cut: Collection[str] = ()
) -> Coupled:
    """Return surveys as shifts, with what couples them.

    Parameters
    ----------
    surveys : sequence of DatedSurvey
        In the order of their times; each has one.
    common : collection of str
        Names of sources that are one and the same in all surveys, whatever their ``over``.
    cut : collection of str
        Labels of surveys to which nothing is handed on: something is missing before them.
    """
    stocked = {s for survey in surveys for s in survey.circuit.streams if s.stock}
    shifts = [
        Shift(s.label, s.time, BalanceModel(_with_stocks(s.circuit, stocked),
                                            _in_common(s.survey, common)))
        for s in surveys
        if s.time is not None
    ]  # fmt: skip
    once = list[SameReading]()
    links = list[StockLink]()
    for chain in _chains(shifts, cut):
        for before, after, node in chain:
            shifts[after] = _counted_once(shifts[before], shifts[after], node, once)
        handed = _handed_on(shifts, chain)
        links += [StockLink(*link, handed) for link in chain if handed]
    apart = tuple(t for t, shift in enumerate(shifts) if t and shift.label in cut)
    return Coupled(tuple(shifts), tuple(links), tuple(once), apart)


def _with_stocks(circuit: Circuit, stocked: Collection[Stream]) -> Circuit:
    """Return the circuit with both stocks of each stockpile that has them in any survey."""
    piles = {n.name for n in circuit.nodes if n.kind is NodeKind.STOCKPILE}
    own = {s.name for s in circuit.streams}
    more = {s.name: s for s in stocked if (s.source or s.target) in piles and s.name not in own}
    if not more:
        return circuit
    return Circuit((*circuit.streams, *(more[name] for name in sorted(more))), circuit.nodes)


def _in_common(survey: Survey, names: Collection[str]) -> Survey:
    """Return the survey with named sources shared over the campaign, also those of one number."""
    if not names:
        return survey
    shared = [replace(s, over="campaign") if s.name in names else s for s in survey.shared]
    measurements = []
    lone: dict[tuple[str, str], dict[str, float]] = {}
    for m in survey.measurements:
        parts = []
        for p in m.parts:
            if p.source in names and not p.shared:
                lone.setdefault((p.source, m.quantity), {})[m.stream] = m.unit.to_base(p.sd)
            parts.append(replace(p, shared=p.shared or p.source in names))
        measurements.append(replace(m, parts=tuple(parts)))
    shared += [SharedSource(name, q, loads, "campaign") for (name, q), loads in lone.items()]
    return replace(survey, shared=tuple(shared), measurements=tuple(measurements))


def _chains(
    shifts: Sequence[Shift], cut: Collection[str]
) -> list[list[tuple[int, int, str]]]:  # fmt: skip
    """Return runs of shifts that hand on the stock of one pile, each as pairs."""
    piles = dict.fromkeys(
        n.name for s in shifts for n in s.circuit.nodes if n.kind is NodeKind.STOCKPILE
    )
    found = []
    for node in piles:
        run = list[tuple[int, int, str]]()
        for t in range(1, len(shifts)):
            left = shifts[t - 1].stock(node, opening=False)
            there = shifts[t].stock(node, opening=True)
            if left is not None and there is not None and shifts[t].label not in cut:
                run.append((t - 1, t, node))
            elif run:
                found.append(run)
                run = []
        if run:
            found.append(run)
    return found


def _handed_on(shifts: Sequence[Shift], chain: Sequence[tuple[int, int, str]]) -> tuple[str, ...]:
    """Return the quantities that were measured of any stock of a chain; none without a flow."""
    first, last, node = chain[0][0], chain[-1][1], chain[0][2]
    survey = shifts[first].survey
    measured = set[str]()
    for t in range(first, last + 1):
        ends = (shifts[t].stock(node, opening=True), shifts[t].stock(node, opening=False))
        names = {s.name for s in ends if s is not None}
        measured |= {m.quantity for m in shifts[t].survey.measurements if m.stream in names}
    flows = [q for q in (survey.basis.quantity, "water") if q in measured]
    grades = [a.name for a in survey.analytes if a.name in measured]
    grades += [in_solution(a.name) for a in survey.analytes if in_solution(a.name) in measured]
    return (*flows, *grades) if flows else ()


def _counted_once(before: Shift, after: Shift, node: str, once: list[SameReading]) -> Shift:
    """Return the later shift without what it states of the stock just as the earlier one does."""
    left, there = before.stock(node, opening=False), after.stock(node, opening=True)
    if left is None or there is None:
        return after
    survey = after.survey
    for m in after.survey.measurements:
        twin = before.survey.measured(left.name, m.quantity) if m.stream == there.name else None
        if twin is None or not _same(twin.value_base, m.value_base):
            continue
        if _same(twin.sd_base, m.sd_base):
            once.append(SameReading(before.label, after.label, node, m.quantity))
            survey = without_measurement(survey, m.stream, m.quantity)
    if survey is after.survey:
        return after
    return replace(after, model=BalanceModel(after.circuit, survey))


def _same(one: float, other: float) -> bool:
    return isclose(one, other, rel_tol=_SAME)
