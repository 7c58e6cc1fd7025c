"""A circuit and a survey written as a balance problem."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats, Ints
from oretally.flowsheet.circuit import Circuit, Node, NodeKind
from oretally.flowsheet.problem.balance_problem import BalanceProblem, Rows
from oretally.flowsheet.problem.positions import Positions
from oretally.flowsheet.problem.problem_terms import (
    with_shared_flow_errors,
    with_shared_grade_errors,
)
from oretally.flowsheet.survey import Run, Survey

__all__ = ["problem_of"]

_Row = dict[int, float]
_LEAST = 1e-6  # flow of a sieved sample over a measured flow of middle size
_Frozen = tuple[tuple[tuple[int, float], ...], ...]


def problem_of(circuit: Circuit, survey: Survey, places: Positions) -> BalanceProblem:
    """Write a circuit and a survey as a balance problem.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey
    places : Positions
        Of their values.

    Returns
    -------
    BalanceProblem
        The dry solids of the streams are the first carriers, in the circuit's order; analytes are
        in the survey's order. Flows in kg or kg/h, grades in mass per mass. Sizes, water, sieved
        samples and shared sources of error add carriers, and shares add analytes: see
        `oretally.flowsheet.problem.positions`. The balances of the nodes stand first.
    """
    carriers = places.carriers
    balances = _Balances(circuit, places)
    n, n_analytes = balances.n_carriers, carriers.n_analytes
    n_shares = len(carriers.shares) + (carriers.solids_share is not None)
    flow, flow_sd = np.full((2, n), np.nan)
    grade, grade_sd = np.full((2, n_analytes + n_shares, n), np.nan)
    for run, k in carriers.shares.items():
        for j in carriers.classes:
            own = list(carriers.own_classes(j, run))
            grade[k, own], grade_sd[k, own] = 1.0, 0.0
    if carriers.solids_share is not None:
        solids = list(carriers.wet)
        grade[carriers.solids_share, solids], grade_sd[carriers.solids_share, solids] = 1.0, 0.0
    true = {seen: place for place, seen in places.observed.items()}
    for m in survey.measurements:
        seen = places.readings[m.stream, m.quantity]
        k_, j = true.get(seen, seen)
        sd = survey.own_variance(m) ** 0.5
        if k_ is None:
            flow[j], flow_sd[j] = m.value_base, sd
        else:
            grade[k_, j], grade_sd[k_, j] = m.value_base, sd
    flows = balances.flows()
    A = _matrix(flows, n)
    made: dict[_Frozen, Rows] = {_frozen(flows): A}
    of_analyte = []
    for k in range(n_analytes + n_shares):
        rows = balances.analyte(k)
        of_analyte.append(made.setdefault(_frozen(rows), _matrix(rows, n)))
    upper = np.concatenate([np.array([a.maximum for a in survey.analytes]), np.ones(n_shares)])
    top = np.outer(upper, np.ones(n))
    top[:, carriers.n_carriers :] = np.inf  # readings: more than all, if the sum was read too low
    lower = np.zeros(n)  # what was sieved was there: it does not stop, and its readings count
    lower[list(places.samples.values())] = _LEAST * _typical(flow)
    plain = BalanceProblem(
        flow_balance=A,
        flow_source=np.zeros(A.shape[0]),
        analyte_balance=tuple(of_analyte),
        analyte_source=tuple(np.zeros(B.shape[0]) for B in of_analyte),
        tie=balances.ties(),
        flow=flow,
        flow_sd=flow_sd,
        flow_lower=lower,
        grade=grade,
        grade_sd=grade_sd,
        grade_lower=np.zeros(grade.shape),
        grade_upper=top,
        proportion=balances.proportions(),
    )
    return _with_shared_errors(plain, survey, places)


class _Balances:
    """Rows of the balances, over the carriers of one survey and its sieved samples."""

    def __init__(self, circuit: Circuit, places: Positions) -> None:
        carriers = places.carriers
        self.circuit, self.carriers, self.samples = circuit, carriers, places.samples
        self.n_carriers = carriers.n_carriers + len(places.samples)
        self.read = {*places.readings.values(), *places.observed}
        number = {name: j for j, name in enumerate(circuit.stream_names)}
        self.number = number
        self.ends = [
            [
                *((number[s], 1.0) for s in circuit.inlets(node.name)),
                *((number[s], -1.0) for s in circuit.outlets(node.name)),
            ]
            for node in circuit.nodes
        ]
        # without classes and water the solver finds by itself what passes a node unchanged
        self.model = self._alike(through_nodes=bool(carriers.classes or carriers.wet))

    def flows(self) -> list[_Row]:
        """Return the balances of the flows; each class for itself where a node keeps sizes."""
        c, rows = self.carriers, list[_Row]()
        for node, ends in zip(self.circuit.nodes, self.ends, strict=True):
            solids = [(j, sign) for j, sign in ends if c.solids[j] or j in c.gone]
            rows += self._solids(node, solids, all(j in c.classes for j, _ in solids))
            rows.append({c.water[j]: sign for j, sign in ends if j in c.water})
        for j in c.classes:
            rows.append({j: 1.0, **self._classes(j)})
        rows += [{at: 1.0, **self._classes(j, run)} for (j, run), at in c.runs.items()]
        rows += [{at: 1.0, j: -1.0, c.water[j]: -1.0} for j, at in c.wet.items()]
        return [row for row in rows if row]

    def analyte(self, k: int) -> list[_Row]:
        """Return the balances of an analyte, or of a share.

        What a stream is made of is written once for all that are like it, added up: one of them
        may stand still.
        """
        c = self.carriers
        if k == c.solids_share:
            return self._for_all_alike({j: {at: 1.0, j: -1.0} for j, at in c.wet.items()})
        for run, share in c.shares.items():
            if k == share:
                read = [(j, at) for j, at in self.samples.items() if (k, at) in self.read]
                whole = [j for j in c.classes if c.own_classes(j, run)]
                return [
                    *self._for_all_alike({j: {j: 1.0, **self._classes(j, run)} for j in whole}),
                    *({at: 1.0, **self._classes(j, run)} for j, at in read),
                ]
        dissolved = k in c.dissolved
        rows = list[_Row]()
        for node, ends in zip(self.circuit.nodes, self.ends, strict=True):
            solids = [(j, sign) for j, sign in ends if c.solids[j]]
            liquid = {c.water[j]: sign for j, sign in ends if j in c.water and dissolved}
            if node.kind is NodeKind.LEACH and liquid:
                rows.append({**dict(solids), **liquid})
                continue
            if len({self.model.get(j, j) for j, _ in solids}) > 1:  # else the flows say it all
                rows += self._solids(node, solids, all((k, j) in c.by_class for j, _ in solids))
            rows.append(liquid)
        own = [j for j in c.classes if (k, j) in c.by_class]
        rows += self._for_all_alike({j: {j: 1.0, **self._classes(j)} for j in own})
        rows += [{at: 1.0, **self._classes(j, run)} for (j, run), at in c.runs.items() if j in own]
        if dissolved:
            rows += self._for_all_alike(
                {j: {at: 1.0, j: -1.0, c.water[j]: -1.0} for j, at in c.wet.items()}
            )
        return [row for row in rows if row]

    def _for_all_alike(self, rows: Mapping[int, _Row]) -> list[_Row]:
        """Return one row for all streams that are alike, the sum of theirs."""
        found: dict[int, _Row] = {}
        for j, row in rows.items():
            found.setdefault(self.model.get(j, j), {}).update(row)
        return list(found.values())

    def _solids(self, node: Node, solids: Sequence[tuple[int, float]], sized: bool) -> list[_Row]:
        """Return the balance of the solids of a node, or one for each of their classes."""
        if not (sized and node.kind.keeps_sizes and solids):
            return [dict(solids)]
        classes = [[(at, sign) for at in self.carriers.own_classes(j)] for j, sign in solids]
        return [dict(ends) for ends in zip(*classes, strict=True)]

    def _classes(self, j: int, run: Run | None = None) -> _Row:
        """Return the classes of a stream, all or those of a run, each with -1."""
        return dict.fromkeys(self.carriers.own_classes(j, run), -1.0)

    def _alike(self, *, through_nodes: bool) -> dict[int, int]:
        """Return for streams that differ from another in nothing but their flow: that other one.

        They leave one splitter, or one is said to be like the other; also, ``through_nodes``, what
        enters a node and what leaves it, if all that enters is alike and all that leaves.
        """
        label = list(range(len(self.number)))
        groups = [{self.number[s] for s in self.circuit.outlets(n.name)}
                  for n in self.circuit.nodes if n.kind is NodeKind.SPLITTER]  # fmt: skip
        groups += [{self.number[s.name], self.number[s.like]} for s in self.circuit.streams
                   if s.like is not None]  # fmt: skip
        for group in groups:
            label = _joined(label, group)
        content = [s.content for s in self.circuit.streams]
        changed = through_nodes
        while changed:
            changed = False
            for node, ends in zip(self.circuit.nodes, self.ends, strict=True):
                met = {j for j, _ in ends}
                sides = {(label[j], sign) for j, sign in ends}
                same = len({content[j] for j in met}) == 1 and len({label[j] for j in met}) == 2
                if node.kind.keeps_sizes and same and len(sides) == 2:
                    label, changed = _joined(label, met), True
        return {j: first for j, first in enumerate(label) if j != first}

    def proportions(self) -> Ints:
        """Return parts and wholes of streams that are alike; the last class follows from all."""
        c, found = self.carriers, list[tuple[int, int, int, int]]()
        for j, first in self._alike(through_nodes=False).items():
            if not (c.solids[j] and c.solids[first]):
                continue
            if j in c.classes:
                pairs = zip(c.own_classes(j), c.own_classes(first), strict=True)
                found += [(a, j, b, first) for a, b in list(pairs)[:-1]]
            if j in c.water and first in c.water:
                found.append((c.water[j], j, c.water[first], first))
        return np.array(found, dtype=np.intp).reshape(-1, 4)

    def ties(self) -> Ints:
        """Return a label for each carrier; those of one label have equal grades."""
        c = self.carriers
        label = np.arange(self.n_carriers)
        groups: list[list[int]] = []
        for node in self.circuit.nodes:
            if node.kind is NodeKind.THICKENER:
                outlets = [self.number[s] for s in self.circuit.outlets(node.name)]
                groups.append([c.water[j] for j in outlets if j in c.water])
        for j, first in self.model.items():
            groups += self._parts((j, first))
        for group in groups:
            if group:
                merged = label[group]
                label[np.isin(label, merged)] = merged.min()
        return label

    def _parts(self, streams: Sequence[int]) -> list[list[int]]:
        """Return the carriers of streams that differ in nothing but their flow."""
        c = self.carriers
        sized = [j for j in streams if j in c.classes]
        return [
            [j for j in streams if c.solids[j]],
            *(list(each) for each in zip(*(c.own_classes(j) for j in sized), strict=True)),
            [c.water[j] for j in streams if j in c.water],
            [c.wet[j] for j in streams if j in c.wet],
        ]


def _typical(flow: Floats) -> float:
    """Return a measured flow of middle size, of two the smaller; one far off moves it little."""
    runs = np.sort(flow[flow > 0.0])
    return float(runs[(runs.size - 1) // 2]) if runs.size else 0.0


def _joined(label: Sequence[int], group: Set[int]) -> list[int]:
    """Return labels with those of a group made one."""
    old = {label[j] for j in group}
    return [min(old) if x in old else x for x in label]


def _matrix(rows: Sequence[_Row], n: int) -> Rows:
    """Return rows as a matrix of n columns."""
    numbers = [i for i, row in enumerate(rows) for _ in row]
    columns, values = [j for row in rows for j in row], [v for row in rows for v in row.values()]
    return sparse.csr_array((values, (numbers, columns)), shape=(len(rows), n), dtype=float)


def _frozen(rows: Sequence[_Row]) -> _Frozen:
    return tuple(tuple(sorted(row.items())) for row in rows)


def _with_shared_errors(
    problem: BalanceProblem, survey: Survey, places: Positions
) -> BalanceProblem:
    """Return the problem with the shared sources of the survey as further unknowns."""
    by_analyte: dict[int | None, list[dict[int, float]]] = {}
    true = {seen: place for place, seen in places.observed.items()}
    for at, source in places.sources.items():
        loadings = {}
        for stream, size in source.loadings.items():
            if size:
                loadings[true[places.readings[stream, source.quantity]].carrier] = size
        by_analyte.setdefault(at.analyte, []).append(loadings)
    for k, sources in by_analyte.items():
        if k is None:
            problem = with_shared_flow_errors(problem, sources)
        else:
            problem = with_shared_grade_errors(problem, k, sources)
    return problem
