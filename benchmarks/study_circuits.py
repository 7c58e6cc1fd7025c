"""Invented circuits with an exact balance, and the traces of their errors, for studies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    BalanceProblem,
    Basis,
    Circuit,
    Measurement,
    Survey,
    balance_problem,
    parse_unit,
)

__all__ = ["CIRCUITS", "StudyCircuit", "bank"]

Floats = NDArray[np.float64]
_Ends = tuple[str | None, str | None]

FLOW_ERROR, GRADE_ERROR = 0.02, 0.03  # stated errors, relative


@dataclass(frozen=True, eq=False)
class StudyCircuit:
    """A circuit and its true flows and grades.

    Attributes
    ----------
    circuit : Circuit
    flow : ndarray, shape (n_streams,)
    grade : ndarray, shape (n_analytes, n_streams)
    """

    circuit: Circuit
    flow: Floats
    grade: Floats

    @property
    def n(self) -> int:
        """Number of measurements, if everything is measured."""
        return self.flow.size * (1 + len(self.grade))

    def problem(self, errors: Floats | None = None) -> BalanceProblem:
        """Return a survey of everything as arrays; ``errors`` in stated errors, flows first."""
        return balance_problem(self.circuit, self.survey(errors))

    def survey(self, errors: Floats | None = None) -> Survey:
        """Return a survey of everything; ``errors`` in stated errors, flows first."""
        errors = np.zeros(self.n) if errors is None else errors
        true = np.concatenate([self.flow, self.grade.ravel()])
        sd = np.concatenate([FLOW_ERROR * self.flow, GRADE_ERROR * self.grade.ravel()])
        # no scale or laboratory reports less than nothing
        value = np.maximum(true + sd * errors, 1e-3 * true)
        kg, percent = parse_unit("kg"), parse_unit("%")
        names = self.circuit.stream_names
        analytes = [f"E{k}" for k in range(len(self.grade))]
        quantities = [("dry mass", kg), *((a, percent) for a in analytes)]
        places = [(s, q, u) for q, u in quantities for s in names]
        return Survey(
            Basis.BATCH, kg, tuple(Analyte(a, percent) for a in analytes),
            tuple(Measurement(s, q, float(v), u, float(e))
                  for (s, q, u), v, e in zip(places, value, sd, strict=True)),
        )  # fmt: skip


def _steady(
    streams: Mapping[str, _Ends], kinds: Mapping[str, str], mass: Mapping[str, float],
    metal: Mapping[str, tuple[float, Mapping[str, float]]],
) -> StudyCircuit:  # fmt: skip
    """Return the steady state for given shares of each node's inflow that its outlets take.

    ``metal`` has, for each analyte, the feed's grade in percent and the shares; the last outlet of
    a node takes the rest.
    """
    circuit = Circuit.build(streams, kinds)
    names = circuit.stream_names

    def flows(shares: Mapping[str, float], feed: float) -> Floats:
        M, b = np.eye(len(names)), np.zeros(len(names))
        for j, stream in enumerate(circuit.streams):
            if stream.source is None:
                b[j] = feed
                continue
            outlets = circuit.outlets(stream.source)
            rest = 1.0 - sum(shares.get(o, 0.0) for o in outlets)
            share = shares.get(stream.name, rest)
            for inlet in circuit.inlets(stream.source):
                M[j, names.index(inlet)] -= share
        return np.asarray(np.linalg.solve(M, b))

    split = {
        o for n in circuit.nodes if n.kind.value == "splitter" for o in circuit.outlets(n.name)
    }
    even = {o: s for o, s in mass.items() if o in split}
    F = flows(mass, 100.0)
    grades = [flows({**shares, **even}, 100.0 * head) / F for head, shares in metal.values()]
    return StudyCircuit(circuit, F, np.array(grades))


def _favoured(mass: Mapping[str, float], factor: float) -> dict[str, float]:
    """Return the shares of an analyte that joins the concentrates ``factor`` times as easily."""
    return {o: min(0.97, factor * s / (1.0 - s + factor * s)) for o, s in mass.items()}


def _two_stages() -> StudyCircuit:
    mass = {"rough conc": 0.3, "clean conc": 0.4}
    metal: dict[str, tuple[float, Mapping[str, float]]] = {
        "A": (1.0, {"rough conc": 0.68, "clean conc": 0.72}),
        "B": (4.0, {"rough conc": 0.5, "clean conc": 0.58}),
    }
    streams: dict[str, _Ends] = {
        "feed": (None, "rougher"), "rough conc": ("rougher", "cleaner"),
        "rough tails": ("rougher", None), "clean conc": ("cleaner", None),
        "clean tails": ("cleaner", None),
    }  # fmt: skip
    return _steady(streams, {}, mass, metal)


def _recycle() -> StudyCircuit:
    mass = {"rough conc": 0.07, "scav conc": 0.05, "back": 0.6, "clean conc": 0.4, "conc": 0.6}
    metal = {
        "A": (0.86, {"rough conc": 0.75, "scav conc": 0.45, "clean conc": 0.75, "conc": 0.8}),
        "B": (6.0, {"rough conc": 0.17, "scav conc": 0.12, "clean conc": 0.55, "conc": 0.65}),
        "C": (0.8, {"rough conc": 0.68, "scav conc": 0.4, "clean conc": 0.7, "conc": 0.75}),
    }
    streams: dict[str, _Ends] = {
        "ore": (None, "mixer"), "rough feed": ("mixer", "rougher"),
        "rough conc": ("rougher", "cleaner"), "rough tails": ("rougher", "scavenger"),
        "scav conc": ("scavenger", "splitter"), "tails": ("scavenger", None),
        "back": ("splitter", "mixer"), "to cleaner": ("splitter", "cleaner"),
        "clean conc": ("cleaner", "recleaner"), "clean tails": ("cleaner", "mixer"),
        "conc": ("recleaner", None), "reclean tails": ("recleaner", "cleaner"),
    }  # fmt: skip
    return _steady(streams, {"mixer": "mixer", "splitter": "splitter"}, mass, metal)


def _grinding() -> StudyCircuit:
    over, gravity = (0.1, 0.2, 0.3, 0.45, 0.5, 0.33), (0.5, 0.2, 0.1, 0.05, 0.01, 0.03)
    mass = {"overflow": 0.35, "back": 0.7, "gravity conc": 0.02}
    metal = {
        f"E{i}": (1.0 + i, {"overflow": o, "gravity conc": g})
        for i, (o, g) in enumerate(zip(over, gravity, strict=True))
    }
    streams: dict[str, _Ends] = {
        "ore": (None, "mixer"), "mill feed": ("mixer", "mill"), "mill product": ("mill", "sump"),
        "cyclone feed": ("sump", "cyclone"), "overflow": ("cyclone", None),
        "underflow": ("cyclone", "splitter"), "back": ("splitter", "mixer"),
        "to gravity": ("splitter", "gravity"), "gravity conc": ("gravity", None),
        "gravity tails": ("gravity", "sump"),
    }  # fmt: skip
    kinds = {"mixer": "mixer", "sump": "mixer", "splitter": "splitter"}
    return _steady(streams, kinds, mass, metal)


def _plant() -> StudyCircuit:
    mass = {
        "c1": 0.25, "c2": 0.2, "c3": 0.2, "c4": 0.15, "reground": 0.5, "cc1": 0.45, "csc": 0.4,
        "cc2": 0.5, "cc3": 0.55,
    }  # fmt: skip
    metal = {
        name: (head, _favoured(mass, factor))
        for name, head, factor in (("A", 1.0, 3.0), ("B", 3.0, 2.0), ("C", 5.0, 1.5),
                                   ("D", 10.0, 0.6))
    }  # fmt: skip
    streams: dict[str, _Ends] = {
        "ore": (None, "m1"), "f1": ("m1", "r1"), "c1": ("r1", "m2"), "t1": ("r1", "r2"),
        "c2": ("r2", "m2"), "t2": ("r2", "s1"), "c3": ("s1", "m3"), "t3": ("s1", "s2"),
        "c4": ("s2", "m3"), "tails": ("s2", None), "sc": ("m3", "regrind"),
        "reground": ("regrind", "m1"), "middlings": ("regrind", None), "cf": ("m2", "k1"),
        "cc1": ("k1", "m4"), "ct1": ("k1", "ks"), "csc": ("ks", "m2"), "cst": ("ks", "m1"),
        "kf": ("m4", "k2"), "cc2": ("k2", "k3"), "ct2": ("k2", "m2"), "cc3": ("k3", None),
        "ct3": ("k3", "m4"), "water solids": (None, "m3"),
    }  # fmt: skip
    return _steady(streams, {m: "mixer" for m in ("m1", "m2", "m3", "m4")}, mass, metal)


def bank(n_nodes: int, n_analytes: int) -> StudyCircuit:
    """Return a bank of cells, one after the other, each with a concentrate of its own."""
    streams: dict[str, _Ends] = {"feed": (None, "cell 1")}
    for i in range(1, n_nodes + 1):
        streams[f"conc {i}"] = (f"cell {i}", None)
        streams[f"tails {i}"] = (f"cell {i}", f"cell {i + 1}" if i < n_nodes else None)
    mass = {f"conc {i}": 0.03 for i in range(1, n_nodes + 1)}
    metal = {f"E{k}": (1.0 + k, _favoured(mass, 1.2 + 0.3 * k)) for k in range(n_analytes)}
    return _steady(streams, {}, mass, metal)


CIRCUITS = {
    "5 x 2": _two_stages,
    "12 x 3, recycle and splitter": _recycle,
    "10 x 6, grinding": _grinding,
    "24 x 4": _plant,
}
