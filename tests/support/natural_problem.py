"""What a survey says in the amounts that a plant has, from circuit and survey alone.

Amounts of each stream: the mass of each size class, the metal of each analyte (by class where a
class is assayed in any stream that nodes which keep sizes link with it), the water, what is
dissolved in it. What is measured is an amount or a ratio of two. Nothing here knows carriers or
the arrays of a balance problem, so that a mistake in those shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import lsqr
from sound_plants import Amounts

from oretally.flowsheet import Circuit, Measurement, Node, NodeKind, Survey
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import (
    Kind,
    Meaning,
    Run,
    class_grade,
    class_share,
    in_solution,
    meanings,
)

__all__ = ["Natural", "Part", "Sets"]

Floats = NDArray[np.float64]
Values = Mapping[tuple[str, str], float]


class Part(NamedTuple):
    """One amount of a stream; of a class of the sizes, unless there is none."""

    kind: str  # mass, metal, water, solute
    analyte: int = -1
    run: Run | None = None


class Sets:
    """Streams that have something in common, joined pair by pair."""

    def __init__(self, names: Sequence[str]) -> None:
        self.label = {name: name for name in names}

    def join(self, group: Sequence[str]) -> bool:
        """Make one of what was several; return whether anything was."""
        old = {self.label[s] for s in group}
        self.label = {s: min(old) if x in old else x for s, x in self.label.items()}
        return len(old) > 1

    def of(self, name: str) -> list[str]:
        return [s for s, x in self.label.items() if x == self.label[name]]


class Natural:
    """The least-squares problem of a survey, written in amounts.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey
    """

    def __init__(self, circuit: Circuit, survey: Survey) -> None:
        self.circuit, self.survey = circuit, survey
        self.content = {s.name: s.content for s in circuit.streams}
        self.meaning = meanings(survey)
        self.parts = self._parts()
        self.keys = [(s, p) for s, own in self.parts.items() for p in own]
        self.at = {key: i for i, key in enumerate(self.keys)}
        self.balances = [row for node in circuit.nodes for row in self._balances(node)]
        self.readings = [(m, *self._ratio(m)) for m in survey.measurements]

    # what each stream has
    def _parts(self) -> dict[str, list[Part]]:
        names, survey = self.circuit.stream_names, self.survey
        linked = Sets(names)
        solid = {s for s in names if self.content[s].has_solids}
        for node in self.circuit.nodes:
            if node.kind not in (NodeKind.MILL, NodeKind.LEACH):
                met = self.circuit.inlets(node.name) + self.circuit.outlets(node.name)
                if solid & set(met):
                    linked.join([s for s in met if s in solid])
        for stream in self.circuit.streams:
            if stream.like is not None and {stream.name, stream.like} <= solid:
                linked.join([stream.name, stream.like])
        cuts: dict[str, set[int]] = {}
        assayed = set[tuple[str, int]]()
        for m in survey.measurements:
            meaning = self.meaning[m.quantity]
            if meaning.run is not None:
                group = linked.label[m.stream]
                own = cuts.setdefault(group, {0, survey.sizes.n_classes})
                own |= {meaning.run[0], meaning.run[1] + 1}
                if meaning.kind is Kind.CLASS_GRADE and meaning.analyte is not None:
                    assayed.add((group, meaning.analyte))
        parts = {}
        for s in names:
            runs: list[Run | None] = [None]
            if s in solid and linked.label[s] in cuts:
                runs = [(a, b - 1) for a, b in pairwise(sorted(cuts[linked.label[s]]))]
            own_parts = list[Part]()
            if self.content[s] is not Content.SOLUTION:
                own_parts += [Part("mass", run=run) for run in runs]
            for k in range(len(survey.analytes)):
                if s in solid:
                    by_class = (linked.label[s], k) in assayed
                    own_parts += [Part("metal", k, run) for run in (runs if by_class else [None])]
            if survey.water and self.content[s].has_water:
                own_parts.append(Part("water"))
                own_parts += [Part("solute", k) for k, a in enumerate(survey.analytes)
                              if a.name in survey.dissolved]  # fmt: skip
            parts[s] = own_parts
        return parts

    def pick(self, stream: str, kind: str, k: int = -1, run: Run | None = None) -> list[int]:
        """Return where the amounts of a kind stand: all of them, or those of a run of classes."""
        return [
            self.at[stream, p]
            for p in self.parts[stream]
            if (p.kind, p.analyte) == (kind, k)
            and (run is None or (p.run is not None and run[0] <= p.run[0] and p.run[1] <= run[1]))
        ]

    def _balances(self, node: Node) -> list[dict[int, float]]:
        """Return what a node conserves: amounts with +1 where they enter, -1 where they leave."""
        ends = [(s, 1.0) for s in self.circuit.inlets(node.name)]
        ends += [(s, -1.0) for s in self.circuit.outlets(node.name)]
        met = [(key, self.at[key], sign) for s, sign in ends for key in self.keys if key[0] == s]
        rows: dict[Part, dict[int, float]] = {}
        for (_, part), i, sign in met:
            kind, k, run = part
            if node.kind in (NodeKind.MILL, NodeKind.LEACH):
                run = None
            if node.kind is NodeKind.LEACH and kind == "solute":
                kind = "metal"
            rows.setdefault(Part(kind, k, run), {})[i] = sign
        return list(rows.values())

    def _ratio(self, m: Measurement) -> tuple[list[int], list[int]]:
        """Return the amounts above and below the line of what was measured."""
        meaning: Meaning = self.meaning[m.quantity]
        k = -1 if meaning.analyte is None else meaning.analyte
        mass = self.pick(m.stream, "mass", run=meaning.run)
        every, water = self.pick(m.stream, "mass"), self.pick(m.stream, "water")
        match meaning.kind:
            case Kind.DRY:
                return mass, []
            case Kind.WATER:
                return water, []
            case Kind.WET:
                return mass + water, []
            case Kind.SOLIDS:
                return mass, mass + water
            case Kind.SHARE:
                return mass, every
            case Kind.SOLUTION:
                return self.pick(m.stream, "solute", k), water
        return self.pick(m.stream, "metal", k, meaning.run), mass

    @cached_property
    def largest_flow(self) -> float:
        flows = [m.value_base for m, _, below in self.readings if not below]
        return max(flows, default=0.0) or 1.0

    def alike(self) -> tuple[list[list[str]], Sets]:
        """Return groups of streams that differ in nothing but their flow, and all that follows."""
        sets = Sets(self.circuit.stream_names)
        groups = [list(self.circuit.outlets(node.name))
                  for node in self.circuit.nodes if node.kind is NodeKind.SPLITTER]  # fmt: skip
        groups += [[s.name, s.like] for s in self.circuit.streams if s.like is not None]
        return [group for group in groups if sets.join(group)], sets

    # starts
    def recycled(self) -> NDArray[np.bool_]:
        """Return which amounts are of streams that only serve a recycle."""
        streams = self.circuit.streams
        next_to = {s.name: {o.name for o in streams if s.target is not None
                            and o.source == s.target} for s in streams}  # fmt: skip
        after = next_to
        for _ in streams:
            after = {s: own.union(*(after[o] for o in own)) for s, own in after.items()}
        back = {s for node in self.circuit.nodes for s in self.circuit.inlets(node.name)
                if s in after[s] and set(self.circuit.inlets(node.name)) - after[s]}  # fmt: skip
        leaves = {s.name for s in streams if s.target is None}
        for _ in streams:  # those that reach a product by another way than through a recycle
            leaves |= {s for s in next_to if s not in back and next_to[s] & leaves}
        return np.array([s not in leaves for s, _ in self.keys])

    def guess(self) -> Floats:
        """Return amounts from the measured values, put into all balances as they are."""
        n, flow = len(self.keys), self.largest_flow
        typical = np.full(n, flow)
        for k in range(len(self.survey.analytes)):
            for kind in ("metal", "solute"):
                values = [m.value_base for m, above, _ in self.readings
                          if above and self.keys[above[0]][1][:2] == (kind, k)]  # fmt: skip
                own = [i for i, (_, p) in enumerate(self.keys) if (p.kind, p.analyte) == (kind, k)]
                typical[own] *= (float(np.mean(values)) if values else 0.0) or 1e-3
        for i, (s, p) in enumerate(self.keys):
            if p.run is not None:
                typical[i] /= sum(q[:2] == p[:2] for q in self.parts[s])
        rows, right = list[dict[int, float]](), list[float]()
        for row in self.balances:
            size = max(typical[i] for i in row)
            rows.append({i: 300.0 * sign / size for i, sign in row.items()})
            right.append(0.0)
        for m, above, below in self.readings:
            value = m.value_base
            size = max(float(typical[above].sum()), value if not below else 0.0)
            row = dict.fromkeys(above, 10.0 / size)
            for i in below:
                row[i] = row.get(i, 0.0) - 10.0 * value / size
            rows.append(row)
            right.append(0.0 if below else 10.0 * value / size)
        for i in range(n):
            rows.append({i: 0.1 / typical[i]})
            right.append(0.1)
        at = [(r, i, v) for r, row in enumerate(rows) for i, v in row.items()]
        r, c, v = (np.array(part) for part in zip(*at, strict=True))
        A = sparse.csr_array((v * typical[c.astype(int)], (r.astype(int), c.astype(int))))
        found = lsqr(A, np.array(right), atol=1e-10, btol=1e-10, iter_lim=5000)[0]
        return np.asarray(np.maximum(found, 1e-3) * typical)

    def from_truth(self, truth: Mapping[str, Amounts]) -> Floats:
        """Return the amounts of a plant that is known."""
        return np.array([_part(truth[s], p) for s, p in self.keys], dtype=float)

    def from_values(self, values: Values) -> Floats:
        """Return the amounts that some values of all quantities come to; NaN is of nothing."""
        survey, found = self.survey, list[float]()

        def value(stream: str, quantity: str) -> float:
            return float(np.nan_to_num(values.get((stream, quantity), 0.0)))

        def of_class(stream: str, run: Run, k: int | None) -> float:
            label = survey.sizes.label(run)
            if (stream, class_share(label)) not in values:
                singles = [(c, c) for c in range(run[0], run[1] + 1)]
                return sum(of_class(stream, each, k) for each in singles)
            name = "" if k is None else class_grade(survey.analytes[k].name, label)
            share = value(stream, class_share(label))
            return share * (1.0 if k is None else value(stream, name))

        for s, p in self.keys:
            k = p.analyte
            if p.kind in ("water", "solute"):
                solution = 1.0 if k < 0 else value(s, in_solution(survey.analytes[k].name))
                found.append(value(s, "water") * solution)
                continue
            mass = value(s, survey.basis.quantity)
            if p.run is not None:
                found.append(mass * of_class(s, p.run, k if k >= 0 else None))
            else:
                found.append(mass * (1.0 if k < 0 else value(s, survey.analytes[k].name)))
        return np.array(found)

    # checks
    def imbalance(self, y: Floats) -> float:
        """Return the largest residual of all balances and proportions over what passes.

        Where next to nothing passes, a millionth of what a stream has in the mean takes its place.
        """
        worst, mean = 0.0, dict[tuple[str, int], float]()
        for kind in {p[:2] for _, p in self.keys}:
            own = [i for i, (_, p) in enumerate(self.keys) if p[:2] == kind]
            mean[kind] = float(y[own].mean())
        for row in self.balances:
            places, signs = list(row), np.array(list(row.values()))
            passing = max(0.5 * y[places].sum(), 1e-6 * mean[self.keys[places[0]][1][:2]], 1e-300)
            worst = max(worst, abs(float(y[places] @ signs)) / passing)
        for group in self.alike()[0]:
            parts = self.in_common(group)
            X = np.array([[y[self.at[s, p]] for p in parts] for s in group])
            solid = [p.kind == "mass" for p in parts]
            solid = solid if any(solid) else [p.kind == "water" for p in parts]
            whole = X[:, solid].sum(axis=1)
            if whole.sum() > 0.0:
                apart = np.abs(X - np.outer(whole / whole.sum(), X.sum(axis=0)))
                least = [1e-6 * mean[p[:2]] for p in parts]
                size = np.maximum(X.sum(axis=0), least)
                worst = max(worst, float((apart / np.where(size > 0.0, size, 1.0)).max()))
        return worst

    def in_common(self, streams: Sequence[str]) -> list[Part]:
        """Return the sorts of amounts that all of some streams have."""
        parts = [set(self.parts[s]) for s in streams]
        return [p for p in self.parts[streams[0]] if all(p in own for own in parts)]


def _part(a: Amounts, p: Part) -> float:
    """Return one amount of a stream that is known."""
    first, last = p.run or (0, a.mass.size - 1)
    own = slice(first, last + 1)
    match p.kind:
        case "mass":
            return float(a.mass[own].sum())
        case "metal":
            return float(a.metal[p.analyte, own].sum())
        case "water":
            return a.water
    return float(a.solute[p.analyte])
