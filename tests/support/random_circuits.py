"""Random circuits that balance, with noise and gaps as asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import (
    Analyte,
    BalanceProblem,
    Basis,
    Circuit,
    Measurement,
    Survey,
    parse_unit,
)

Floats = NDArray[np.float64]
ANALYTES = ("Cu", "Fe", "Au", "Sn", "Pb", "Zn", "SiO2", "WO3")


class RandomCircuit:
    """A random circuit with a true balance, and surveys drawn from it; all by the seed."""

    def __init__(self, seed: int, n_nodes: int = 4, n_analytes: int = 2, n_feeds: int = 1) -> None:
        self.rng = np.random.default_rng(seed)
        self.circuit = self._circuit(n_nodes, n_feeds)
        self.flow = self._flows()
        self.grade = np.array([self._grades() for _ in range(n_analytes)]).reshape(
            n_analytes, len(self.circuit.streams)
        )

    def _circuit(self, n_nodes: int, n_feeds: int) -> Circuit:
        """A line of nodes, each with one more outlet: out, or back to an earlier node.

        The first feed enters the first node, others anywhere.
        """
        rng = self.rng
        streams: dict[str, tuple[str | None, str | None]] = {"feed": (None, "n0")}
        kinds: dict[str, str] = {}
        for i in range(n_nodes):
            name = f"n{i}"
            last = i == n_nodes - 1
            streams[f"main{i}"] = (name, None if last else f"n{i + 1}")
            if i > 0 and not last and rng.random() < 0.25:
                kinds[name] = "mixer"
                continue
            choices = [None, *(f"n{j}" for j in range(n_nodes) if j not in (i, i + 1))]
            target = choices[int(rng.integers(len(choices)))] if rng.random() < 0.6 else None
            streams[f"side{i}"] = (name, target)
            if rng.random() < 0.25:
                kinds[name] = "splitter"
        for i in range(1, n_feeds):
            streams[f"feed{i}"] = (None, f"n{rng.integers(n_nodes)}")
        return Circuit.build(streams, kinds)

    def _ties(self) -> list[list[int]]:
        names = self.circuit.stream_names
        return [
            [names.index(s) for s in self.circuit.outlets(n.name)]
            for n in self.circuit.nodes
            if n.kind.value == "splitter"
        ]

    def _flows(self) -> Floats:
        """Positive flows in balance: every outlet takes a share of what enters its node."""
        names = self.circuit.stream_names
        n = len(names)
        system, right = np.eye(n), np.zeros(n)
        for node in self.circuit.nodes:
            out = self.circuit.outlets(node.name)
            shares = self.rng.dirichlet(np.full(len(out), 3.0)) if len(out) > 1 else np.ones(1)
            for stream, share in zip(out, shares, strict=True):
                for inlet in self.circuit.inlets(node.name):
                    system[names.index(stream), names.index(inlet)] -= share
        right[names.index("feed")] = 100.0
        for feed in self.circuit.feeds[1:]:
            right[names.index(feed)] = 100.0 * self.rng.uniform(0.1, 1.0)
        return np.asarray(np.linalg.solve(system, right))

    def _grades(self) -> Floats:
        """Grades in balance, by shares of the analyte's flow; equal behind a splitter."""
        names = self.circuit.stream_names
        n = len(names)
        system, right = np.eye(n), np.zeros(n)
        for node in self.circuit.nodes:
            out = self.circuit.outlets(node.name)
            inlets = self.circuit.inlets(node.name)
            flows = np.array([self.flow[names.index(s)] for s in out])
            shares = flows / flows.sum()
            if node.kind.value == "separator" and len(out) > 1:
                pull = shares * self.rng.lognormal(0.0, 1.0, len(out))
                shares = pull / pull.sum()
            for stream, share in zip(out, shares, strict=True):
                for inlet in inlets:
                    system[names.index(stream), names.index(inlet)] -= share
        for feed in self.circuit.feeds:
            at = names.index(feed)
            right[at] = self.flow[at] * self.rng.uniform(0.005, 0.05)
        grade = np.linalg.solve(system, right) / self.flow
        return np.asarray(grade * min(1.0, 0.6 / grade.max()))

    def problem(
        self, sd: float = 0.03, flows_missing: float = 0.0, grades_missing: float = 0.0
    ) -> BalanceProblem:
        """Return a survey with relative errors ``sd`` and some values missing."""
        rng = self.rng
        A = sparse.csr_array(self.circuit.incidence())
        K, n = self.grade.shape
        tie = np.arange(n)
        for group in self._ties():
            tie[np.isin(tie, tie[group])] = tie[group].min()
        flow = self.flow * (1.0 + sd * rng.standard_normal(n))
        grade = self.grade * (1.0 + sd * rng.standard_normal((K, n)))
        flow[rng.random(n) < flows_missing] = np.nan
        grade[rng.random((K, n)) < grades_missing] = np.nan
        flow[0] = self.flow[0]
        return BalanceProblem(
            flow_balance=A,
            flow_source=np.zeros(A.shape[0]),
            analyte_balance=(A,) * K,
            analyte_source=(np.zeros(A.shape[0]),) * K,
            tie=tie,
            flow=np.abs(flow),
            flow_sd=np.where(np.isnan(flow), np.nan, sd * self.flow),
            flow_lower=np.zeros(n),
            grade=np.abs(grade),
            grade_sd=np.where(np.isnan(grade), np.nan, sd * self.grade),
            grade_lower=np.zeros((K, n)),
            grade_upper=np.ones((K, n)),
        )

    def survey(
        self, sd: float = 0.03, *, noise: float = 1.0, missing: float = 0.0, wrong: int = 0
    ) -> Survey:
        """Return a survey in t/h and % of at most eight analytes; the feed's rate is measured.

        Errors are drawn ``noise`` times as large as is stated; so many numbers are wrong by
        a decimal place.
        """
        rng, names = self.rng, ANALYTES[: len(self.grade)]
        rate, percent = parse_unit("t/h"), parse_unit("%")
        found = []
        for j, stream in enumerate(self.circuit.stream_names):
            true = [("dry rate", self.flow[j], rate)]
            true += [(a, 100.0 * self.grade[k, j], percent) for k, a in enumerate(names)]
            for i, (quantity, value, unit) in enumerate(true):
                read = abs(value * (1.0 + noise * sd * rng.standard_normal()))
                if (i, j) == (0, 0) or rng.random() >= missing:
                    found.append(Measurement(stream, quantity, float(read), unit, sd * value))
        for i in rng.permutation(len(found))[:wrong]:
            m = found[i]
            times = 10.0 if m.unit is rate or m.value < 10.0 else 0.1  # no grade above 100 %
            found[i] = replace(m, value=times * m.value)
        analytes = tuple(Analyte(a, percent) for a in names)
        return Survey(Basis.RATE, rate, analytes, tuple(found), "Invented: a plant")
