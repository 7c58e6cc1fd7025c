"""An independent balance of sizes, water and solution: least squares on the amounts themselves.

Nothing here knows carriers or grades as unknowns. The unknowns are the amounts in each stream: the
mass of each class, the metal in each class, the water, the metal in solution. What is measured is
an amount or a ratio of two sums of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pytest
import scipy.linalg
from numpy.typing import NDArray
from pulp_plant import Plant

from oretally.flowsheet import (
    BalanceModel,
    Circuit,
    Measurement,
    Node,
    NodeKind,
    Survey,
    balance_problem,
    positions,
)
from oretally.flowsheet.survey import Run
from oretally.recon.answers import balanced_values, class_of
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import classify
from oretally.recon.result import BalancedValue
from oretally.recon.solution import Solution
from oretally.recon.solver import propagate, solve

__all__ = ["Oracle", "Reconciled", "compare", "reconciled", "same_classes"]

Floats = NDArray[np.float64]


class Oracle:
    """Least squares of a survey in amounts, by IPOPT; dense algebra of its physics.

    Amounts are unknowns in units of their size in the true plant. A splitter has one unknown share
    for each outlet but the last, a thickener an unknown grade of its solution, a stream that is
    like another an unknown share of it.
    """

    def __init__(self, plant: Plant, measurements: Sequence[Measurement],
                 runs: Sequence[Run] = ()) -> None:  # fmt: skip
        import casadi

        self.ca: Any = casadi
        self.plant, self.measurements = plant, list(measurements)
        self.table = {s: plant.quantities(s, runs) for s in plant.circuit.stream_names}
        typical = np.mean([np.abs(x) for x in plant.amounts.values()], axis=0)
        self.scale = np.where(typical > 0.0, typical, 1.0)
        self.unknown: list[Any] = []
        self.below: list[Any] = []  # metal less mass: at most 0
        self.start: list[float] = []
        self.x = {s: self._stream(s) for s in plant.circuit.stream_names}
        self.amount = {
            s: [v * size for v, size in zip(own, self.scale, strict=True)]
            for s, own in self.x.items()
        }
        self.rows: list[Any] = []
        for node in plant.circuit.nodes:
            self._node(node)
        for s in plant.circuit.streams:
            if s.like is not None:
                share = self._new(plant.amounts[s.name].sum() / plant.amounts[s.like].sum())
                self.rows += [self.x[s.name][i] - share * self.x[s.like][i]
                              for i in range(plant.size) if plant.held(s.name)[i]]  # fmt: skip
        self.z = casadi.vertcat(*self.unknown)
        self.z0 = np.array(self.start)
        self.g = casadi.vertcat(*self.rows)
        self.r = casadi.vertcat(
            *((self.at(m.stream, m.quantity) - m.value) / m.sd for m in self.measurements)
        )

    def _new(self, start: float) -> Any:
        self.unknown.append(self.ca.SX.sym(f"z{len(self.unknown)}"))
        self.start.append(start)
        return self.unknown[-1]

    def _stream(self, name: str) -> list[Any]:
        has, true = self.plant.held(name), self.plant.amounts[name]
        x = [self._new(true[i] / self.scale[i]) if has[i] else 0.0
             for i in range(self.plant.size)]  # fmt: skip
        for k in range(self.plant.K):
            for i, c in zip(self.plant.metal(k), self.plant.mass(), strict=True):
                if has[i]:
                    self.below.append(x[i] - x[c] * (self.scale[c] / self.scale[i]))
        return x

    def at(self, stream: str, quantity: str) -> Any:
        """Return a quantity as an expression, in the unit it is measured in."""
        above, below = self.table[stream][quantity]
        x = self.amount[stream]
        value = sum(x[i] for i in above)
        if below:
            value = value / sum(x[i] for i in below)
        return value / self.plant.unit(quantity)[1]

    def _node(self, node: Node) -> None:
        """Write what a node conserves, and what its outlets share."""
        p, ca = self.plant, self.ca
        into, out = p.circuit.inlets(node.name), p.circuit.outlets(node.name)
        met = [(s, 1.0) for s in into] + [(s, -1.0) for s in out]

        def conserved(amounts: Sequence[int], size: float) -> None:
            parts = self.scale / size
            row = sum(sign * self.x[s][i] * parts[i] for s, sign in met for i in amounts)
            if isinstance(row, ca.SX) and not row.is_constant():
                self.rows.append(row)

        together = node.kind in (NodeKind.MILL, NodeKind.LEACH)
        blocks = [p.mass(), *(p.metal(k) for k in range(p.K))]
        for b, block in enumerate(blocks):
            liquid = (p.solute(b - 1),) if b and node.kind is NodeKind.LEACH else ()
            if together:
                conserved((*block, *liquid), float(self.scale[list(block)].sum()))
            else:
                for i in block:
                    conserved((i,), float(self.scale[i]))
        conserved((p.w,), float(self.scale[p.w]))
        for k in range(p.K):
            if node.kind is not NodeKind.LEACH:
                conserved((p.solute(k),), float(self.scale[p.solute(k)]))
        if node.kind is NodeKind.SPLITTER:
            total = [sum(self.x[s][i] for s in out) for i in range(p.size)]
            all_mass = sum(p.amounts[s][: p.C].sum() for s in out)
            for s in out[:-1]:
                share = self._new(p.amounts[s][: p.C].sum() / all_mass)
                self.rows += [self.x[s][i] - share * total[i]
                              for i in range(p.size) if p.held(s)[i]]  # fmt: skip
        if node.kind is NodeKind.THICKENER:
            for k, name in enumerate(p.analytes):
                wet = [s for s in out if p.held(s)[p.w]]
                if name in p.dissolved and len(wet) > 1:
                    x = p.amounts[wet[0]] / self.scale
                    grade = self._new(x[p.solute(k)] / x[p.w])
                    self.rows += [self.x[s][p.solute(k)] - grade * self.x[s][p.w] for s in wet]

    def minimum(self, starts: int = 2, seed: int = 0) -> tuple[float, Floats]:
        """Return the least objective from the true amounts and from points around them."""
        rng, best = np.random.default_rng(seed), (np.inf, self.z0)
        n, below = self.g.numel(), self.ca.vertcat(*self.below)
        solver = self.ca.nlpsol(
            "rival", "ipopt",
            {"x": self.z, "f": self.ca.sumsqr(self.r), "g": self.ca.vertcat(self.g, below)},
            {"print_time": False, "ipopt.print_level": 0, "ipopt.sb": "yes", "ipopt.tol": 1e-11,
             "ipopt.constr_viol_tol": 1e-12, "ipopt.bound_relax_factor": 0.0,
             "ipopt.acceptable_tol": 1e-10, "ipopt.max_iter": 2000,
             "ipopt.mu_strategy": "adaptive"},
        )  # fmt: skip
        for i in range(starts):
            z0 = self.z0 * rng.lognormal(0.0, 0.3 * (i > 0), self.z0.size)
            lowest = np.concatenate([np.zeros(n), np.full(len(self.below), -np.inf)])
            found = solver(x0=z0, lbx=0.0, ubx=np.inf, lbg=lowest, ubg=0.0)
            if np.abs(np.asarray(found["g"]))[:n].max(initial=0.0) < 1e-9:
                best = min(best, (float(found["f"]), np.asarray(found["x"]).ravel()),
                           key=lambda pair: pair[0])  # fmt: skip
        return best

    def _all(self) -> list[tuple[str, str]]:
        return [(s, q) for s, own in self.table.items() for q in own]

    @cached_property
    def _function(self) -> Any:
        names = self._all()
        q = self.ca.vertcat(*(self.at(*name) for name in names))
        return self.ca.Function(
            "all", [self.z], [q, self.ca.jacobian(q, self.z), self.ca.jacobian(self.g, self.z)]
        )

    def values(self, z: Floats) -> Mapping[tuple[str, str], float]:
        """Return every quantity of every stream, in the unit it is measured in."""
        q, _, _ = self._function(z)
        return dict(zip(self._all(), np.asarray(q).ravel().tolist(), strict=True))

    def _dense(self, z: Floats) -> tuple[Floats, Floats, list[int]]:
        """Return slopes of all quantities along all that the physics allows, and the measured."""
        q, Q, G = (np.asarray(part) for part in self._function(z))
        size = np.maximum(np.abs(z), 1e-9)
        G = G * size
        N = scipy.linalg.null_space(G / np.abs(G).max(axis=1, keepdims=True), rcond=1e-10)
        slopes = (Q * size) @ N
        at = {name: i for i, name in enumerate(self._all())}
        return slopes, q.ravel(), [at[m.stream, m.quantity] for m in self.measurements]

    def classes(self) -> tuple[dict[tuple[str, str], str], int]:
        """Return the class of every quantity at the true plant, and the degrees of freedom."""
        slopes, q, measured = self._dense(self.z0)
        slopes = slopes / np.abs(q)[:, None]
        seen = slopes[measured]
        U, size, Vt = np.linalg.svd(
            seen / np.maximum(np.abs(seen).max(axis=1, keepdims=True), 1e-99)
        )
        rank = int((size > 1e-9).sum())
        fixed = np.abs(slopes @ Vt[rank:].T).max(axis=1, initial=0.0) < 1e-7
        # a measurement is checked unless it alone holds a direction: its leverage is then 1
        checked = 1.0 - (U[:, :rank] ** 2).sum(axis=1) > 1e-12
        found = {name: "observable" if fixed[i] else "unobservable"
                 for i, name in enumerate(self._all())}  # fmt: skip
        for m, told in zip(self.measurements, checked, strict=True):
            found[m.stream, m.quantity] = "redundant" if told else "nonredundant"
        return found, len(measured) - rank

    def sds(self, z: Floats) -> Mapping[tuple[str, str], float]:
        """Return the sd of every quantity by linear propagation at a point; for determined ones."""
        slopes, _, measured = self._dense(z)
        sd = np.array([m.sd for m in self.measurements])
        root = slopes @ np.linalg.pinv(slopes[measured] / sd[:, None], rcond=1e-11)
        return dict(zip(self._all(), np.sqrt((root**2).sum(axis=1)).tolist(), strict=True))


@dataclass(frozen=True)
class Reconciled:
    """Our balance of a survey: the solution, and every row by stream and quantity."""

    solution: Solution
    rows: Mapping[tuple[str, str], BalancedValue]

    def value(self, stream: str, quantity: str) -> float:
        """Return an adjusted value, in the unit of its row."""
        value = self.rows[stream, quantity].adjusted
        assert value is not None
        return value

    @property
    def meets_bounds(self) -> bool:
        """Whether any value is at a bound: no linear propagation holds there."""
        s = self.solution
        return bool(s.flow_at_bound.any() or s.grade_at_bound.any())


def reconciled(circuit: Circuit, survey: Survey) -> Reconciled:
    """Balance a survey, without looking for gross errors."""
    problem = balance_problem(circuit, survey)
    solution = solve(problem)
    assert solution.converged, solution.status
    assert solution.max_imbalance < 1e-10
    rows, _ = balanced_values(BalanceModel(circuit, survey), propagate(problem, solution), 0.05)
    return Reconciled(solution, {(r.stream, r.quantity): r for r in rows})


def compare(
    plant: Plant, measurements: Sequence[Measurement], runs: Sequence[Run] = ()
) -> Reconciled:
    """Assert that our balance is the independent minimum: objective, values, sd; return ours."""
    ours = reconciled(plant.circuit, plant.survey(measurements, runs))
    oracle = Oracle(plant, measurements, runs)
    with one_thread():
        value, z = oracle.minimum()
        classes, freedom = oracle.classes()
        values, sds = oracle.values(z), oracle.sds(z)
    assert ours.solution.objective == pytest.approx(value, rel=1e-7, abs=1e-9)
    assert ours.solution.classes.degrees_of_freedom == freedom
    for name, row in ours.rows.items():
        absent = ours.meets_bounds and row.value_class == "absent"  # a class that stands still
        vague = (  # given by the balances, but not by these numbers: the sd is beyond all there is
            (row.value_class, classes[name]) == ("unobservable", "observable")
            and not sds[name] < max(abs(v) for n, v in values.items() if n[1] == name[1])
        )
        assert absent or vague or row.value_class == classes[name], name
        if row.adjusted is not None:
            assert row.adjusted == pytest.approx(values[name], rel=1e-5, abs=1e-7), name
        if row.adjusted_sd is not None and not ours.meets_bounds:
            assert row.adjusted_sd == pytest.approx(sds[name], rel=1e-5, abs=1e-9), name
    return ours


def same_classes(
    plant: Plant, measurements: Sequence[Measurement], runs: Sequence[Run] = ()
) -> int:
    """Assert that every value has the class that null spaces give it; return how many have."""
    survey = plant.survey(measurements, runs)
    places = positions(plant.circuit, survey)
    problem = balance_problem(plant.circuit, survey)
    ours = classify(problem)
    with one_thread():
        expected, freedom = Oracle(plant, measurements, runs).classes()
    assert ours.degrees_of_freedom == freedom
    for row in places.rows:
        found = class_of(problem, ours, row.place, at=places.measured_at(row.place))
        assert found == expected[row.stream, row.quantity], (row.stream, row.quantity)
    return len(places.rows)
