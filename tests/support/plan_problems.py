"""Small problems to plan measurements for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Position,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.recon.plan.design import Design, Offers, criterion_weights
from oretally.recon.plan.linearised import Tangent, tangent_at

Floats = NDArray[np.float64]


Ints = NDArray[np.intp]


KG, MASS_FRACTION = parse_unit("kg"), parse_unit("%")


TABLE = Circuit.build(
    {"feed": (None, "table_plan"), "conc": ("table_plan", None), "tails": ("table_plan", None)}
)


class Small:
    """A circuit with true flows and grades, and everything on offer at plain prices."""

    def __init__(
        self, circuit: Circuit, flow: Floats, grade: Floats, *, most: int = 2,
        prices: tuple[float, float] = (10.0, 20.0), least: float = 0.0, sample: float = 0.0,
        sds: tuple[float, float] = (0.01, 0.03), stays: float = 0.0, shared: float = 0.0,
        answers: int = 1,
    ) -> None:  # fmt: skip
        self.circuit, self.flow, self.grade = circuit, flow, grade
        self.analytes = tuple(Analyte(f"a{k}", MASS_FRACTION) for k in range(len(grade)))
        self.blank = Survey(Basis.BATCH, KG, self.analytes, ())
        problem = balance_problem(circuit, self.blank)
        rows = positions(circuit, self.blank).rows
        self.names = [(row.stream, row.quantity) for row in rows]
        self.places = [row.place for row in rows]
        self.tangent = tangent_at(problem, flow, grade, named=self.places)
        value = np.array([flow[j] if k is None else grade[k, j] for k, j in self.places])
        is_flow = np.array([p.analyte is None for p in self.places])
        self.value, n = value, len(value)
        # one shared source for the first analyte's grades, if any; with the feed's among them it
        # would cancel in the recoveries
        moved = [p.analyte == 0 and p.carrier != 0 for p in self.places]
        self.loading = np.where(moved, shared * value, 0.0)
        T = self.tangent.rows(self.places)
        offers = Offers(
            rows=np.column_stack([T, self.loading]) if shared else T,
            prior=np.eye(T.shape[1] + 1)[-1:] if shared else np.zeros((0, T.shape[1])),
            own=np.where(is_flow, *sds) * value,
            stays=np.where(is_flow, 0.0, stays) * value,
            given=np.zeros(n, dtype=np.intp),
            most=np.full(n, most),
            price=np.where(is_flow, *prices),
            batch=np.array([0 if p.analyte is None else 1 + p.analyte for p in self.places]),
            least_charge=np.array([0.0, *[least] * len(grade)]),
            sample=np.array([-1 if p.analyte is None else p.carrier for p in self.places]),
            sample_price=np.full(len(flow), sample),
        )
        streams = circuit.stream_names
        feed = streams.index(circuit.feeds[0])
        gradients = []
        for k in range(len(grade)):
            for product in circuit.products[:answers]:
                g = recovery_gradient(self.tangent, k, streams.index(product), feed)
                gradients.append(np.append(g, 0.0) if shared else g)
        plain = Design(offers, np.array(gradients), np.ones(len(gradients)))
        self.design = replace(plain, weights=criterion_weights(plain, None))
        self.asked = [(k, streams.index(p)) for k in range(len(grade))
                      for p in circuit.products[:answers]]  # fmt: skip
        self.feed = feed

    def once(self) -> float:
        """Return what everything costs, read once."""
        return self.design.offers.cost(np.ones(self.design.offers.n, dtype=np.intp))


def recovery_gradient(tangent: Tangent, k: int, j: int, feed: int) -> Floats:
    F, x = tangent.flow, tangent.grade[k]
    R = F[j] * x[j] / (F[feed] * x[feed])
    slopes = {Position(None, j): R / F[j], Position(None, feed): -R / F[feed]}
    slopes |= {Position(k, j): R / x[j], Position(k, feed): -R / x[feed]}
    return tangent.gradient(slopes)


def two_products(recovery: float, pull: float, **more: Any) -> Small:
    feed = 1e-4
    grade = np.array([[feed, feed * recovery / pull, feed * (1 - recovery) / (1 - pull)]])
    return Small(TABLE, np.array([1.0, pull, 1.0 - pull]), grade, **more)


def table_plan(n_analytes: int = 1, **more: Any) -> Small:
    conc = np.array([[0.20], [0.05], [0.30]])[:n_analytes]
    tails = np.array([[0.01], [0.10], [0.20]])[:n_analytes]
    grade = np.hstack([0.3 * conc + 0.7 * tails, conc, tails])
    return Small(TABLE, np.array([100.0, 30.0, 70.0]), grade, **more)


def drawn(random_circuit: Callable[..., Any], seed: int, *size: int, **more: Any) -> Small:
    found = random_circuit(seed, *size)
    return Small(found.circuit, found.flow, found.grade, **more)
