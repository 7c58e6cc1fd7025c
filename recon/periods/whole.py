"""All shifts as one circuit: copies of the streams for each shift, stocks handed on by nodes.

The balance of the whole period in one, by the way of any survey. What `condensed` gives is the
same; this takes work that grows faster than the number of shifts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit, Node, NotBalanceable, Position, Stream, Survey
from oretally.flowsheet.arrays import Bools
from oretally.flowsheet.survey import SharedSource
from oretally.recon.periods.joint import Effects, Jointly, ShiftPlace, readings_of
from oretally.recon.periods.shifts import Coupled, Source
from oretally.recon.propagation import Derived, moved_by_errors
from oretally.recon.solver import Covariance, propagate, solve_certified

__all__ = ["WholeBalance", "one_circuit", "whole_balance"]


@dataclass(frozen=True)
class WholeBalance:
    """Shifts balanced as one circuit; see `oretally.recon.periods.joint.JointBalance`."""

    coupled: Coupled
    model: BalanceModel
    covariance: Covariance
    apart: bool = False

    @cached_property
    def _keys(self) -> Mapping[Source, SharedSource]:
        return _sources(self.coupled, apart=self.apart)

    @property
    def objective(self) -> float:
        """Sum of the squared adjustments in sd, sources included."""
        return self.covariance.solution.objective

    @property
    def dof(self) -> int:
        """Number of independent checks."""
        return self.covariance.solution.classes.degrees_of_freedom

    def value(self, place: ShiftPlace) -> float:
        """Return an adjusted value, in base units; NaN where there is none."""
        k, j = self._at(place)
        solution = self.covariance.solution
        return float(solution.flow[j] if k is None else solution.grade[k, j])

    def determined(self, functions: Sequence[Jointly]) -> Bools:
        """Return which functions of the adjusted values the measurements determine."""
        known = [
            bool(np.isfinite(f.value))
            and all(self._known(self._at(p)) for p, slope in f.slopes.items() if slope)
            for f in functions
        ]
        return np.array(known, dtype=bool)

    def effects(self, functions: Sequence[Jointly], *, apart: bool = False) -> Effects:
        """Return what every error does to functions of the adjusted values."""
        if apart:
            return whole_balance(self.coupled, apart=True).effects(functions)
        found = [Derived(f.value, {self._at(p): s for p, s in f.slopes.items()}) for f in functions]
        readings = readings_of(self.coupled.shifts)
        at = self.model.positions.readings
        places = [at[_name(r.stream, r.shift), r.quantity] for r in readings]
        sources = self.model.positions.sources
        moved = moved_by_errors(self.covariance, found, [*places, *sources])
        keys = {(s.name, s.quantity): key for key, s in self._keys.items()}
        named = [keys[s.name, s.quantity] for s in sources.values()]
        return Effects((*readings, *named), moved, self.determined(functions))

    def _known(self, place: Position) -> bool:
        k, j = place
        c = self.covariance
        return bool(c.flow_determined[j] if k is None else c.grade_determined[k, j])

    def _at(self, place: ShiftPlace) -> Position:
        """Return where a value of one shift stands in the whole."""
        t, (k, j) = place
        shift = self.coupled.shifts[t]
        own, all_ = shift.model.carriers, self.model.carriers
        number = None if k is None else self._analytes[shift.survey.analytes[k].name]
        for here, there in ((own.water, all_.water), (own.wet, all_.wet)):
            for stream, carrier in here.items():
                if carrier == j:
                    return Position(number, there[self._streams[_name(own.streams[stream], t)]])
        return Position(number, self._streams[_name(own.streams[j], t)])

    @cached_property
    def _streams(self) -> Mapping[str, int]:
        return {name: j for j, name in enumerate(self.model.carriers.streams)}

    @cached_property
    def _analytes(self) -> Mapping[str, int]:
        return {a.name: k for k, a in enumerate(self.model.survey.analytes)}


def whole_balance(coupled: Coupled, *, apart: bool = False) -> WholeBalance:
    """Balance all shifts as one circuit.

    Raises
    ------
    NotBalanceable
        If there is no balance.
    """
    circuit, survey = one_circuit(coupled, apart=apart)
    model = BalanceModel(circuit, survey)
    solution = solve_certified(model.problem)
    if not solution.converged:
        raise NotBalanceable(
            "The surveys have no balance together.",
            "Take a shorter period to find the survey that does not fit.",
        )
    return WholeBalance(coupled, model, propagate(model.problem, solution).held, apart)


def one_circuit(coupled: Coupled, *, apart: bool = False) -> tuple[Circuit, Survey]:
    """Return all shifts as one circuit with one survey.

    ``apart``: every shift has the errors that it shares with others for itself.
    """
    shifts, first = coupled.shifts, coupled.shifts[0].survey
    streams, nodes, measurements = list[Stream](), list[Node](), []
    handed = _stocks_handed_on(coupled)
    for t, shift in enumerate(shifts):
        nodes += [replace(n, name=_name(n.name, t)) for n in shift.circuit.nodes]
        for s in shift.circuit.streams:
            before, after = handed.get((t, s.name, True)), handed.get((t, s.name, False))
            streams.append(replace(
                s, name=_name(s.name, t), like=s.like and _name(s.like, t),
                source=before or (s.source and _name(s.source, t)),
                target=after or (s.target and _name(s.target, t)),
            ))  # fmt: skip
        measurements += [
            replace(m, stream=_name(m.stream, t)) for m in shift.survey.measurements
        ]  # fmt: skip
    nodes += [Node(name) for name in dict.fromkeys(handed.values())]
    analytes = {a.name: a for s in reversed(shifts) for a in s.survey.analytes}
    ordered = [a.name for s in shifts for a in s.survey.analytes]
    return Circuit(tuple(streams), tuple(nodes)), replace(
        first, title="", containers={},
        analytes=tuple(analytes[name] for name in dict.fromkeys(ordered)),
        measurements=tuple(measurements),
        shared=tuple(_sources(coupled, apart=apart).values()),
        water=any(s.survey.water for s in shifts),
        dissolved=frozenset().union(*(s.survey.dissolved for s in shifts)),
    )  # fmt: skip


def _name(name: str, t: int) -> str:
    """Return what a stream or node of shift t is called in the whole."""
    return f"{name} ({t + 1})"


def _stocks_handed_on(coupled: Coupled) -> dict[tuple[int, str, bool], str]:
    """Return shift, stock, whether opening: to the node that hands it on."""
    found = {}
    for link in coupled.links:
        node = f"handed on: {link.node} ({link.before + 1})"
        for t, opening in ((link.before, False), (link.after, True)):
            stock = coupled.shifts[t].stock(link.node, opening=opening)
            if stock is not None:
                found[t, stock.name, opening] = node
    return found


def _sources(coupled: Coupled, *, apart: bool) -> dict[Source, SharedSource]:
    """Return the shared sources of the whole, each under a name of its own."""
    found: dict[Source, SharedSource] = {}
    for key, own in coupled.sources.items():
        parts = [[part] for part in own] if apart else [list(own)]
        for some in parts:
            loadings = {
                _name(stream, t): size for t, s in some for stream, size in s.loadings.items()
            }
            span = f"{key.span} ({some[0][0] + 1})" if apart else key.span
            name = f"{key.name}, {span}"
            found[Source(key.name, key.quantity, span)] = SharedSource(name, key.quantity, loadings)
    return found
