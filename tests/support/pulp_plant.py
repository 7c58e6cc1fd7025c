"""Random plants with sizes, water and solution, their true amounts, and surveys drawn from them.

Amounts of a stream stand in one vector: the mass of each class, the metal of each analyte in each
class, the water, the metal of each analyte in solution. Nothing here knows carriers or grades.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Node,
    NodeKind,
    Stream,
    Survey,
    Unit,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import Run, SizeGrid, solution_unit

__all__ = ["PERCENT", "RATE", "SHARE", "Plant", "Ratio"]

Floats = NDArray[np.float64]
Ratio = tuple[tuple[int, ...], tuple[int, ...]]
"""Amounts above and below the line; nothing below for a mass."""

RATE, PERCENT = parse_unit("t/h"), parse_unit("%")
SHARE = parse_unit("%", Dimension.SHARE)


@dataclass
class Plant:
    """A plant whose nodes are linear, its true amounts, and surveys drawn from it.

    Parameters
    ----------
    rng : numpy Generator
    streams, nodes : sequence of Stream, sequence of Node
    openings : sequence of float
        The coarsest first. [um] None: no sizes.
    analytes : sequence of str
    dissolved : sequence of str
    """

    rng: np.random.Generator
    streams: Sequence[Stream]
    nodes: Sequence[Node] = ()
    openings: Sequence[float] = ()
    analytes: Sequence[str] = ("Pb",)
    water: bool = False
    dissolved: Sequence[str] = ()
    amounts: dict[str, Floats] = field(init=False)

    def __post_init__(self) -> None:
        self.circuit = Circuit.from_parts(self.streams, self.nodes)
        self.C, self.K = len(self.openings) + 1, len(self.analytes)
        self.size = self.C * (1 + self.K) + 1 + self.K
        self.content = {s.name: s.content for s in self.circuit.streams}
        self.amounts = self._simulated()

    # where each amount of a stream stands
    def mass(self, run: Run | None = None) -> tuple[int, ...]:
        first, last = (0, self.C - 1) if run is None else run
        return tuple(range(first, last + 1))

    def metal(self, k: int, run: Run | None = None) -> tuple[int, ...]:
        return tuple(self.C * (1 + k) + c for c in self.mass(run))

    @property
    def w(self) -> int:
        return self.C * (1 + self.K)

    def solute(self, k: int) -> int:
        return self.w + 1 + k

    def held(self, stream: str) -> NDArray[np.bool_]:
        """Return which amounts a stream has at all."""
        has = np.zeros(self.size, dtype=bool)
        content = self.content[stream]
        has[: self.w] = content is not Content.SOLUTION
        if self.water and content is not Content.DRY:
            has[self.w] = True
            for k, name in enumerate(self.analytes):
                has[self.solute(k)] = name in self.dissolved
        return has

    def _simulated(self) -> dict[str, Floats]:
        """Return the true amounts: every outlet is a matrix times what enters its node."""
        names, n = self.circuit.stream_names, self.size
        system, right = np.eye(n * len(names)), np.zeros(n * len(names))
        for node in self.circuit.nodes:
            out = self.circuit.outlets(node.name)
            for name, T in zip(out, self._transfers(node, out), strict=True):
                i = names.index(name) * n
                for inlet in self.circuit.inlets(node.name):
                    j = names.index(inlet) * n
                    system[i : i + n, j : j + n] -= T
        for name in self.circuit.feeds:
            i = names.index(name) * n
            right[i : i + n] = np.where(self.held(name), self._feed(name), 0.0)
        x = np.linalg.solve(system, right).reshape(len(names), n)
        return dict(zip(names, x, strict=True))

    def _feed(self, name: str) -> Floats:
        rng, x = self.rng, np.zeros(self.size)
        x[: self.C] = 100.0 * rng.dirichlet(np.full(self.C, 8.0))
        for k in range(self.K):
            x[list(self.metal(k))] = x[: self.C] * rng.uniform(0.005, 0.04, self.C)
            x[self.solute(k)] = 1e-6 * rng.uniform(0.2, 2.0)
        x[self.w] = rng.uniform(40.0, 150.0)
        for k in range(self.K):
            x[self.solute(k)] *= x[self.w]
        return x

    def _transfers(self, node: Node, out: Sequence[str]) -> list[Floats]:
        """Return what of each amount goes to each outlet."""
        rng, n = self.rng, self.size
        has = np.array([self.held(s) for s in out])
        inner = np.eye(n)
        if node.kind is NodeKind.MILL:
            for block in range(1 + self.K):  # metal breaks in its own way, but never vanishes
                at = slice(self.C * block, self.C * (block + 1))
                inner[at, at] = self._breakage()
        if node.kind is NodeKind.LEACH:
            for k, name in enumerate(self.analytes):
                gone = rng.uniform(0.6, 0.95) if name in self.dissolved else 0.0
                for i in self.metal(k):
                    inner[i, i], inner[self.solute(k), i] = 1.0 - gone, gone
        if node.kind is NodeKind.SPLITTER:
            shares = np.outer(rng.dirichlet(np.full(len(out), 4.0)), np.ones(n))
        else:
            shares = np.zeros((len(out), n))
            for c in range(self.C):
                pull = rng.dirichlet(np.full(len(out), 5.0))
                shares[:, c] = pull
                for k in range(self.K):
                    shares[:, self.C * (1 + k) + c] = pull * rng.lognormal(0.0, 0.3, len(out))
            shares[:, self.w] = rng.dirichlet(np.full(len(out), 4.0))
            for k in range(self.K):
                other = rng.lognormal(0.0, 0.2, len(out))
                alike = node.kind is NodeKind.THICKENER or node.kind is NodeKind.LEACH
                shares[:, self.solute(k)] = shares[:, self.w] * (1.0 if alike else other)
        for i, name in enumerate(out):  # some of what goes one way is lost
            like = {s.name: s.like for s in self.circuit.streams}[name]
            if like is not None:
                j = out.index(like)
                shares[i], shares[j] = 0.03 * shares[j], 0.97 * shares[j]
        shares = np.where(has, shares, 0.0)
        total = shares.sum(axis=0)
        shares = shares / np.where(total > 0.0, total, 1.0)
        return [np.diag(s) @ inner for s in shares]

    def _breakage(self) -> Floats:
        """Return a matrix whose columns sum to 1 and that makes nothing coarser."""
        B = np.zeros((self.C, self.C))
        for c in range(self.C):
            B[c:, c] = self.rng.dirichlet(np.full(self.C - c, 4.0))
        return B

    # what may be measured
    def label(self, run: Run) -> str:
        above = f"-{self.openings[run[0] - 1]:g}" if run[0] else ""
        below = f"+{self.openings[run[1]]:g}" if run[1] < self.C - 1 else ""
        return f"{above}{below} um"

    def quantities(self, stream: str, runs: Sequence[Run] = ()) -> dict[str, Ratio]:
        """Return every quantity that a stream has: amounts above and below the line."""
        found: dict[str, Ratio] = {}
        content = self.content[stream]
        solids, wet = content is not Content.SOLUTION, self.water and content is not Content.DRY
        if solids:
            found["dry rate"] = (self.mass(), ())
        if wet:
            found["water"] = ((self.w,), ())
        if solids and wet:
            found["wet rate"] = ((*self.mass(), self.w), ())
            found["% solids"] = (self.mass(), (*self.mass(), self.w))
        for k, name in enumerate(self.analytes):
            if solids:
                found[name] = (self.metal(k), self.mass())
            if wet and name in self.dissolved:
                found[f"{name} in solution"] = ((self.solute(k),), (self.w,))
        if solids and self.openings:
            for run in (*((c, c) for c in range(self.C)), *runs):
                found[f"mass in {self.label(run)}"] = (self.mass(run), self.mass())
                for k, name in enumerate(self.analytes):
                    found[f"{name} in {self.label(run)}"] = (self.metal(k, run), self.mass(run))
        return found

    def true(self, stream: str, ratio: Ratio) -> float:
        """Return the true value of a quantity."""
        x = self.amounts[stream]
        above, below = (float(sum(x[i] for i in part)) for part in ratio)
        return above / below if ratio[1] else above

    def unit(self, quantity: str) -> tuple[Unit, float]:
        """Return the unit of a quantity, and its size in what the amounts are in."""
        if quantity in ("dry rate", "wet rate", "water"):
            return RATE, 1.0
        if quantity.startswith("mass in ") or quantity == "% solids":
            return SHARE, 0.01
        if quantity.endswith(" in solution"):
            return solution_unit("mg/L"), 1e-6
        return PERCENT, 0.01

    def measure(
        self, stream: str, quantity: str, sd: float, runs: Sequence[Run] = (), noise: float = 1.0
    ) -> Measurement:
        """Return a measurement with a relative error, drawn at random."""
        value = self.true(stream, self.quantities(stream, runs)[quantity])
        unit, size = self.unit(quantity)
        error = sd * value / size + (0.1 if quantity.startswith("mass in") else 0.0)
        drawn = value / size + noise * error * self.rng.standard_normal()
        return Measurement(stream, quantity, max(drawn, 0.05 * value / size), unit, error)

    def survey(self, measurements: Sequence[Measurement], runs: Sequence[Run] = ()) -> Survey:
        """Return the survey of some measurements."""
        return Survey(
            Basis.RATE, RATE, tuple(Analyte(a, PERCENT) for a in self.analytes),
            tuple(measurements), sizes=SizeGrid(tuple(self.openings), tuple(runs)),
            water=self.water, dissolved=frozenset(self.dissolved),
        )  # fmt: skip
