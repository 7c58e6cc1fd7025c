"""Recycles that would grow without limit: which streams they are, and what would hold them.

Where the objective falls, however little, as what goes round in a ring grows, no finite flow is
best: the assays around it say 'the more the better', mostly since nothing says how much it is. Any
flow of the ring that were known would hold it. So the balance is tried with such a flow taken as
known, which tells two cases apart: measurements that agree with it (only the flow is missing), and
measurements that contradict each other whatever goes round.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.special import chdtrc

from oretally.flowsheet import (
    BalanceProblem,
    Circuit,
    Position,
    Positions,
    Survey,
)
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import Kind, meanings
from oretally.recon.result import SIZES, Hold, Recycle
from oretally.recon.solution import GROWN, Solution, StopReason
from oretally.recon.solver import Refitter, corrected

__all__ = ["Flows", "HeldFlow", "hold", "holds", "recycles"]

_Readings = Mapping[Position, tuple[float, float]]


_ON_THEIR_WAY = (5.0, 2.0, 1.0)
_LOADS = (0.5, 2.0, 8.0)  # of the largest measured flow, that a recycle is taken for
_SHARP = 0.1  # sd of what is taken, relative: as of a flow that is gauged
_AT_ONCE = 4  # flows taken as known together
_AT_FIRST = 0.5  # share of the work, up to which other loads are tried
_TOLD = 6  # measurements that hold what grows


@dataclass(frozen=True, eq=False)
class HeldFlow:
    """The survey with some flows of the recycles taken as known, and its balance.

    Attributes
    ----------
    places : mapping of Position to (float, float)
        What is taken, and its sd.
    names : tuple of Hold
        The same by name.
    problem : BalanceProblem
    solution : Solution
    load : float
        What is taken for each flow, in the base unit.
    """

    places: _Readings
    names: tuple[Hold, ...]
    problem: BalanceProblem
    solution: Solution
    load: float

    @property
    def p(self) -> float | None:
        """Chance of a larger objective; None without degrees of freedom."""
        dof = self.solution.classes.degrees_of_freedom
        return float(chdtrc(dof, self.solution.objective)) if dof > 0 else None


@dataclass(frozen=True, eq=False)
class Flows:
    """What may go round in the rings of a circuit: solids and water, by quantity.

    Attributes
    ----------
    circuit : Circuit
    problem : BalanceProblem
    carriers : mapping of str to mapping of int to int
        Quantity to carriers by stream; solids first.
    """

    circuit: Circuit
    problem: BalanceProblem
    carriers: Mapping[str, Mapping[int, int]]

    @classmethod
    def of(
        cls, circuit: Circuit, survey: Survey, problem: BalanceProblem, *, places: Positions
    ) -> Flows:
        """Return the flows of a survey."""
        solids = {j: j for j in range(len(circuit.streams))}
        water = {"water": places.carriers.water} if survey.water else {}
        return cls(circuit, problem, {survey.basis.quantity: solids, **water})

    @property
    def largest(self) -> float:
        """The largest measured flow."""
        return float(np.nanmax(np.abs(self.problem.flow), initial=0.0))

    def growing(self, solution: Solution, times: float = GROWN) -> tuple[Recycle, ...]:
        """Return the rings in which more flows than ``times`` all that was measured.

        What was measured itself cannot grow without limit: the objective would.
        """
        found, free = list[Recycle](), np.isnan(self.problem.flow)
        for quantity, carriers in self.carriers.items():
            streams = [j for j, c in carriers.items()
                       if free[c] and abs(solution.flow[c]) > times * self.largest]  # fmt: skip
            if not found:  # water goes round with the solids
                found += recycles(self.circuit, streams, quantity)
        return tuple(found)

    def unlimited(self, solution: Solution) -> tuple[Recycle, ...]:
        """Return the rings that would grow without limit.

        Where the solver says that one does, though it had not grown far when it was given up, those
        that had grown most.
        """
        runs = solution.status is StopReason.RUNAWAY
        for times in (GROWN, *(_ON_THEIR_WAY if runs else ())):
            found = self.growing(solution, times)
            if found:
                return found
        return ()

    def places(self, rings: Sequence[Recycle]) -> dict[Position, Hold]:
        """Return where the flows of some rings stand, and their names."""
        number = {name: j for j, name in enumerate(self.circuit.stream_names)}
        return {
            Position(None, self.carriers[r.quantity][number[s]]): Hold(s, r.quantity)
            for r in rings for s in r.streams
        }  # fmt: skip


def recycles(circuit: Circuit, streams: Sequence[int], quantity: str) -> tuple[Recycle, ...]:
    """Return the rings that streams make; of each, what goes back towards the feed first."""
    nodes = {node.name: i for i, node in enumerate(circuit.nodes)}
    own = [circuit.streams[j] for j in streams]
    inside = [s for s in own if s.source in nodes and s.target in nodes]
    if not inside:
        return ()
    n = len(nodes)
    ends = np.array([(nodes[str(s.source)], nodes[str(s.target)]) for s in inside])
    graph = sparse.csr_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(n, n))
    label = connected_components(graph, directed=True, connection="strong")[1]
    depth = _depth(circuit, nodes)
    found = []
    for ring in dict.fromkeys(int(x) for x in label[ends[:, 0]]):
        members = [i for i, (a, b) in enumerate(ends) if label[a] == label[b] == ring]
        back = [i for i in members if depth[ends[i, 1]] <= depth[ends[i, 0]]]
        rest = [i for i in members if i not in back]
        if members:
            names = tuple(inside[i].name for i in (*back, *rest))
            found.append(Recycle(quantity, names, names[: len(back)]))
    return tuple(found)


def _depth(circuit: Circuit, nodes: Mapping[str, int]) -> Floats:
    """Return how many nodes lie between the feeds and each node, itself counted."""
    n = len(nodes)
    ends = [(nodes.get(str(s.source), n), nodes[str(s.target)])
            for s in circuit.streams if s.target in nodes]  # fmt: skip
    a, b = np.array(ends, dtype=np.intp).reshape(-1, 2).T
    graph = sparse.csr_array((np.ones(a.size), (a, b)), shape=(n + 1, n + 1))
    order, before = breadth_first_order(graph, n, directed=True)
    depth = np.full(n + 1, np.inf)
    depth[n] = 0.0
    for node in order[1:]:
        depth[node] = depth[before[node]] + 1.0
    return depth[:n]


def hold(
    flows: Flows, rings: Sequence[Recycle], alpha: float, refitter: Refitter
) -> HeldFlow | None:
    """Return the balance with the recycles held; None if there is none even then.

    Of several loads the least with which the measurements agree, else that in the middle.
    """
    found = list[HeldFlow]()
    for load in _LOADS:
        if refitter.spent >= _AT_FIRST * refitter.work.units:
            break
        held = _held_at(flows, rings, load * flows.largest, refitter)
        if held is not None:
            found.append(held)
            if held.p is None or held.p >= alpha:
                return held
    return found[len(found) // 2] if found else None


def _held_at(
    flows: Flows, rings: Sequence[Recycle], load: float, refitter: Refitter
) -> HeldFlow | None:
    """Return the balance with one flow after the other taken as known, until none grows."""
    taken: dict[Position, tuple[float, float]] = {}
    names: dict[Position, Hold] = {}
    while len(taken) < _AT_ONCE:
        free = {place: one for place, one in flows.places(rings).items() if place not in taken}
        if not free:
            return None
        place = next(iter(free))
        taken[place], names[place] = (load, _SHARP * load), free[place]
        now = corrected(flows.problem, taken)
        solution = refitter.ended(now, None)
        if solution is None:
            return None
        rings = flows.unlimited(solution)
        if solution.converged and not rings:
            return HeldFlow(taken, tuple(names.values()), now, solution, load)
    return None


def holds(
    flows: Flows, survey: Survey, places: Positions, *, held: HeldFlow,
    rings: Sequence[Recycle], refitter: Refitter, flows_only: bool = False,
) -> tuple[tuple[Hold, ...], int]:  # fmt: skip
    """Return measurements each of which would keep the recycles finite, the cheapest first.

    Flows of the rings before assays, and those before sieving; what goes back first. Each is tried
    with what the held balance has there, until enough are found or the work is done.

    Parameters
    ----------
    flows : Flows
    survey : Survey
    places : Positions
    held : HeldFlow
    rings : sequence of Recycle
    refitter : Refitter
    flows_only : bool
        Whether to look no further than for flows.

    Returns
    -------
    found : tuple of Hold
    untried : int
        Measurements that were left out as the work was done.
    """
    if len(held.places) > 1:
        return (), 0
    found, untried = list[Hold](), 0
    for one, readings in _candidates(flows, survey, places, held, rings):
        assays = any(place.analyte is not None for place in readings)
        if len(found) == _TOLD or (flows_only and assays):
            break
        if dict(readings) == dict(held.places):
            found.append(one)
            continue
        if refitter.spent >= refitter.work.units:
            untried += 1
            continue
        # a flow holds its ring: one start that fails would hide that
        near, starts = (None, 1) if assays else (held.solution.flow, None)
        solution = refitter.by_itself(corrected(flows.problem, readings), near, starts)
        if solution is not None and not flows.growing(solution):
            found.append(one)
    return tuple(found), untried


def _candidates(
    flows: Flows, survey: Survey, places: Positions, held: HeldFlow, rings: Sequence[Recycle]
) -> Iterator[tuple[Hold, _Readings]]:
    """Yield what could be measured around the rings, and what it would read."""
    streams = [s for ring in rings for s in ring.streams]
    for place, one in flows.places(rings).items():
        if survey.measured(one.stream, one.quantity) is None:
            value = float(held.solution.flow[place.carrier])
            yield one, {place: held.places.get(place, (value, _SHARP * value))}
    known = meanings(survey)
    relative = {q: _typical(survey, q) for q in known}
    grades = [q for q, m in known.items() if m.kind in (Kind.GRADE, Kind.SOLIDS) and relative[q]]
    at = {(r.stream, r.quantity): r.place for r in places.rows}
    for s in streams:
        for q in grades:
            if survey.measured(s, q) is None and (s, q) in at:
                reading = _expected(held, at[s, q], relative[q])
                if reading:
                    yield Hold(s, q), reading
    shares = [q for q, m in known.items() if m.kind is Kind.SHARE]
    sieved = {m.stream for m in survey.measurements if m.quantity in shares}
    sd = float(np.median([relative[q] for q in shares if relative[q]] or [0.0]))
    for s in streams:
        stack = [at[s, q] for q in shares if (s, q) in at]
        if s not in sieved and sd and len(stack) > 1:
            yield Hold(s, SIZES), {p: r for q in stack for p, r in _expected(held, q, sd).items()}


def _typical(survey: Survey, quantity: str) -> float:
    """Return the median relative error with which a quantity was measured; 0 if it never was."""
    own = [m.sd / m.value for m in survey.measurements if m.quantity == quantity and m.value > 0.0]
    return float(np.median(own)) if own else 0.0


def _expected(held: HeldFlow, place: Position, relative: float) -> _Readings:
    """Return what a grade would read; nothing if that is not known."""
    value = float(held.solution.grade[place])
    return {place: (value, relative * value)} if np.isfinite(value) and value > 0.0 else {}
