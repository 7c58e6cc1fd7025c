"""Random plants as mills have them, with their true amounts.

A stream is a vector: gangue of each class, metal of each analyte in each class, water, metal of
each analyte in solution. Every outlet of a node is a matrix times what enters, so that recycles are
one linear system. Metal belongs to a mineral of so many times its mass; the mass of a class is
gangue and minerals, so that no concentrate is richer than its mineral.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Circuit, Node, NodeKind, Stream
from oretally.flowsheet.circuit import Content, dissolved_solids

__all__ = ["Amounts", "Draft"]

Floats = NDArray[np.float64]
_KIND = {
    "sump": NodeKind.MIXER, "mill": NodeKind.MILL, "divider": NodeKind.SPLITTER,
    "thickener": NodeKind.THICKENER, "filter": NodeKind.THICKENER, "leach": NodeKind.LEACH,
    "pile": NodeKind.STOCKPILE,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Amounts:
    """What a stream truly has, in kg or kg/h.

    Attributes
    ----------
    mass : ndarray, shape (n_classes,)
        By class of the grid, the coarsest first.
    metal : ndarray, shape (n_analytes, n_classes)
    water : float
    solute : ndarray, shape (n_analytes,)
        In solution.
    """

    mass: Floats
    metal: Floats
    water: float
    solute: Floats


class Draft:
    """A plant in the making: streams are drawn, then the amounts follow.

    Parameters
    ----------
    rng : numpy Generator
    openings : sequence of float
        The coarsest first; none for a plant without sizes. [um]
    mineral : sequence of float
        For each analyte the mass of its mineral over that of the metal.
    head : sequence of float
        Grade of each analyte in the feeds, mass per mass.
    water : bool
    dissolved : sequence of bool
        For each analyte, whether the solution carries it.
    """

    def __init__(
        self, rng: np.random.Generator, openings: Sequence[float], mineral: Sequence[float],
        head: Sequence[float], *, water: bool, dissolved: Sequence[bool] = (),
    ) -> None:  # fmt: skip
        self.rng, self.openings, self.water = rng, tuple(openings), water
        self.C, self.K = len(self.openings) + 1, len(mineral)
        self.mineral, self.head = np.array(mineral), np.array(head)
        self.dissolved = np.array(list(dissolved) or [False] * self.K, dtype=bool)
        self.size = self.C * (1 + self.K) + 1 + self.K
        self.w = self.C * (1 + self.K)
        self.streams: dict[str, Stream] = {}
        self.work: dict[str, str] = {}  # what each node does
        edges = np.array([*self.openings, (self.openings or (1.0,))[-1] / 2.5])
        above = np.array([edges[0] * 1.6, *edges[:-1]])
        self.diameter = np.sqrt(edges * above)  # a typical one of each class

    # drawing
    def stream(
        self, name: str, source: str | None, target: str | None = None,
        content: Content = Content.PULP, like: str | None = None, *, stock: bool = False,
        declared: bool = False,
    ) -> str:  # fmt: skip
        self.streams[name] = Stream(
            name, source, target, content=content, like=like, stock=stock, declared=declared
        )
        return name

    def node(self, name: str, work: str, *inlets: str) -> str:
        """Add a node, which does a ``work``, at the end of some streams."""
        self.work[name] = work
        for s in inlets:
            self.streams[s] = replace(self.streams[s], target=name)
        return name

    def added_water(self, node: str) -> None:
        """Let water be added at a node."""
        if self.water:
            self.stream(f"{node} water", None, node, Content.SOLUTION)

    def dissolving(self, leach: str) -> None:
        """Let solids dissolve at a leach."""
        made = dissolved_solids(leach)
        self.streams[made.name] = made

    def losing(self, node: str, like: str) -> None:
        """Let a little be lost at a node, of the make of a stream that enters or leaves it."""
        self.stream(f"loss at {node}", node, None, like=like, declared=True)

    @property
    def circuit(self) -> Circuit:
        nodes = [Node(name, _KIND[work]) for name, work in self.work.items() if work in _KIND]
        return Circuit.from_parts(self.streams.values(), nodes)

    # amounts
    def amounts(self) -> Mapping[str, Amounts]:
        """Return the true amounts of all streams."""
        names, n = list(self.streams), self.size
        at = {name: i * n for i, name in enumerate(names)}
        system, right = np.eye(n * len(names)), np.zeros(n * len(names))
        for node, work in self.work.items():
            out = [s for s in self.streams.values() if s.source == node]
            into = [s for s in self.streams.values() if s.target == node]
            lost = {s.like: (s, self.rng.uniform(0.0, 0.03)) for s in out if s.declared}
            for s, T in zip(out, self._transfers(work, out), strict=True):
                for inlet in into:  # a loss may be like what enters: lost before anything is done
                    loss, part = lost.get(inlet.name, (None, 0.0))
                    i, j = at[s.name], at[inlet.name]
                    made = part * np.eye(n) if s is loss else (1.0 - part) * T
                    system[i : i + n, j : j + n] -= made
        rate = 1e3 * 10.0 ** self.rng.uniform(0.8, 2.6)
        for s in self.streams.values():
            if s.source is None:
                right[at[s.name] : at[s.name] + n] = self._feed(s, rate)
        x = np.maximum(np.linalg.solve(system, right), 0.0).reshape(len(names), n)
        return {name: self._amounts(row) for name, row in zip(names, x, strict=True)}

    def _amounts(self, x: Floats) -> Amounts:
        metal = x[self.C : self.w].reshape(self.K, self.C)
        return Amounts(x[: self.C] + self.mineral @ metal, metal, float(x[self.w]), x[self.w + 1 :])

    def _held(self, s: Stream) -> NDArray[np.bool_]:
        has = np.zeros(self.size, dtype=bool)
        has[: self.C] = s.content is not Content.SOLUTION
        has[self.C : self.w] = s.content.has_solids
        has[self.w] = self.water and s.content.has_water
        has[self.w + 1 :] = has[self.w] & self.dissolved
        return has

    def _feed(self, s: Stream, rate: float) -> Floats:
        rng, x = self.rng, np.zeros(self.size)
        rate *= rng.uniform(0.6, 1.2)
        passing = 1.0 - np.exp(-((self.diameter / self.diameter[0]) ** 0.7) * rng.uniform(0.8, 2.5))
        shares = -np.diff(np.concatenate([[1.0], passing[1:], [0.0]])) if self.C > 1 else np.ones(1)
        shares = np.maximum(shares, 0.02)
        shares /= shares.sum()
        for k in range(self.K):
            grade = self.head[k] * rng.uniform(0.7, 1.3) * rng.uniform(0.6, 1.5, self.C)
            x[self.C * (1 + k) : self.C * (2 + k)] = rate * shares * grade
            x[: self.C] -= self.mineral[k] * x[self.C * (1 + k) : self.C * (2 + k)]
        x[: self.C] += rate * shares
        x[self.w] = rate * rng.uniform(0.4, 1.5)
        lean = 0.05 if s.content is Content.SOLUTION else 0.01
        x[self.w + 1 :] = x[self.w] * self.head * lean * rng.uniform(0.1, 1.0, self.K)
        return np.where(self._held(s), x, 0.0)

    def _transfers(self, work: str, out: Sequence[Stream]) -> list[Floats]:
        """Return for each outlet the matrix that makes it of what enters."""
        main = [s for s in out if not s.declared and s.content is not Content.DISSOLVED]
        inner = np.eye(self.size)
        if work == "mill":
            for b in range(1 + self.K):
                at = slice(self.C * b, self.C * (b + 1))
                inner[at, at] = self._breakage()
        if work == "leach":
            for k in np.flatnonzero(self.dissolved):
                gone = self.rng.uniform(0.3, 0.9)
                for c in range(self.C):
                    i = self.C * (1 + k) + c
                    inner[i, i], inner[self.w + 1 + k, i] = 1.0 - gone, gone
                    inner[c, i] = gone * self.mineral[k]  # solids keep their mass
        shares = np.where([self._held(s) for s in main], self._shares(work, main), 0.0)
        total = shares.sum(axis=0)
        shares = shares / np.where(total > 0.0, total, 1.0)
        left = {s.name: share for s, share in zip(main, shares, strict=True)}
        for s in out:
            if s.content is Content.DISSOLVED:
                part = self.rng.uniform(0.005, 0.04)
                left[s.name] = np.where(self._held(s), part, 0.0)
                for other in main:
                    left[other.name] = left[other.name] * (1.0 - left[s.name])
            if s.declared:
                left[s.name] = np.zeros(self.size)
            if s.declared and s.like in left:
                part = self.rng.uniform(0.0, 0.03)
                left[s.name] = part * left[s.like]
                left[s.like] = (1.0 - part) * left[s.like]
        return [np.diag(left[s.name]) @ inner for s in out]

    def _shares(self, work: str, out: Sequence[Stream]) -> Floats:
        """Return what of each amount goes to each outlet, before what outlets cannot hold."""
        rng, n = self.rng, len(out)
        if n == 1 or work in ("sump", "mill", "leach"):
            return np.full((n, self.size), 1.0 / n)
        if work == "divider":
            return np.outer(rng.dirichlet(np.full(n, 5.0)), np.ones(self.size))
        if work == "pile":
            near = np.outer(rng.dirichlet(np.full(n, 5.0)), np.ones(self.size))
            return near * rng.lognormal(0.0, 0.03, (n, self.size))
        first = np.zeros(self.size)  # share of the first outlet, the other has the rest
        if work in ("cyclone", "screen"):
            sharp, by = (rng.uniform(1.5, 3.0), rng.uniform(0.1, 0.4))
            if work == "screen":
                sharp, by = rng.uniform(4.0, 8.0), rng.uniform(0.02, 0.1)
            cut = self.diameter[-1] * (self.diameter[0] / self.diameter[-1]) ** rng.uniform(
                0.3, 0.6
            )
            for b in range(1 + self.K):  # minerals are heavier: a finer cut
                own = cut * (rng.uniform(0.6, 1.0) if b else 1.0)
                coarse = by + (1.0 - by) / (1.0 + (own / self.diameter) ** sharp)
                first[self.C * b : self.C * (b + 1)] = coarse
            first[self.w :] = by * rng.uniform(0.7, 1.3)
        elif work in ("thickener", "filter"):
            first[: self.w] = 1.0
            first[self.w :] = rng.uniform(0.1, 0.3) if work == "filter" else rng.uniform(0.2, 0.5)
        else:  # a bank of cells, a table
            first[: self.C] = rng.uniform(0.01, 0.08) * rng.uniform(0.7, 1.4, self.C)
            for k in range(self.K):
                at = slice(self.C * (1 + k), self.C * (2 + k))
                best = rng.uniform(0.55, 0.9) if k % 2 == 0 else rng.uniform(0.1, 0.5)
                first[at] = best * rng.uniform(0.75, 1.1, self.C)
            first[self.w :] = rng.uniform(0.03, 0.15)
        return np.array([first, 1.0 - first])

    def _breakage(self) -> Floats:
        """Return a matrix whose columns sum to 1 and that makes nothing coarser."""
        B = np.zeros((self.C, self.C))
        for c in range(self.C):
            B[c:, c] = self.rng.dirichlet(np.full(self.C - c, 4.0))
        return B
