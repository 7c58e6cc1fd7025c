"""Bring a balance problem to the form that the solver works on; exact, undone by the caller.

Four steps, none of which changes the minimum: merge grades that are equal whatever the flows,
fold the measurements of one merged grade into their weighted mean, turn balances that hold exact
grades only into flow balances, and choose units in which flows and grades are of the order of 1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.recon.flow_basis import FlowBasis, flow_basis

__all__ = ["AnalyteProblem", "ReducedProblem", "merge_grades", "presolve"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class AnalyteProblem:
    """One analyte: minimise 1/2 sum weight (x - target)^2, subject to B diag(F) G x = source.

    Attributes
    ----------
    B : ndarray, shape (n_rows, n_carriers)
    source : ndarray, shape (n_rows,)
    group : ndarray of int, shape (n_carriers,)
        Grade group of each carrier; G is its indicator matrix.
    target, weight : ndarray, shape (n_groups,)
        Folded measurement and the sum of 1/sd^2; weight 0 where nothing was measured.
    fixed : ndarray of bool, shape (n_groups,)
        Exact grades, kept at their target.
    lower, upper : ndarray, shape (n_groups,)
        Bounds of the grades.
    remainder : float
        Part of 1/2 the objective that folding set aside: the spread inside groups.
    members : ndarray of int, shape (n_groups,)
        Measurements folded into each group; each beyond the first is a degree of freedom.
    scale : float
        Grades here times scale are grades of the balance problem.
    null_spaces : dict
        Left null spaces already computed, by the set of unmeasured groups: they do not depend on
        the flows.
    """

    B: Floats
    source: Floats
    group: Ints
    target: Floats
    weight: Floats
    fixed: Bools
    lower: Floats
    upper: Floats
    remainder: float
    members: Ints
    scale: float
    null_spaces: dict[bytes, Floats] = field(default_factory=dict)

    @property
    def measured(self) -> Bools:
        """Groups with a measurement that is not exact."""
        return (self.weight > 0.0) & ~self.fixed

    @property
    def extra_measurements(self) -> int:
        """Measurements that another one of the same grade checks: as many degrees of freedom."""
        return int(self.members.sum()) - int(self.measured.sum())

    @cached_property
    def G(self) -> Floats:
        """Indicator matrix of the groups, shape (n_carriers, n_groups)."""
        G = np.zeros((self.group.size, self.weight.size))
        G[np.arange(self.group.size), self.group] = 1.0
        return G


@dataclass(frozen=True, eq=False)
class ReducedProblem:
    """A balance problem after presolve.

    Attributes
    ----------
    basis : FlowBasis
        All flows that satisfy the flow balances: F = offset + Z u.
    flow, flow_weight : ndarray, shape (n_carriers,)
        Measured flows (0 where not measured) and 1/sd^2 (0 where not measured).
    flow_lower : ndarray, shape (n_carriers,)
    flow_scale : float
        Flows here times flow_scale are flows of the balance problem.
    analytes : tuple of AnalyteProblem
    """

    basis: FlowBasis
    flow: Floats
    flow_weight: Floats
    flow_lower: Floats
    flow_scale: float
    analytes: tuple[AnalyteProblem, ...]

    @property
    def flow_measured(self) -> Bools:
        """Carriers whose flow was measured."""
        return self.flow_weight > 0.0


def presolve(problem: BalanceProblem) -> ReducedProblem:
    """Return the reduced form of a balance problem.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    measured = np.isfinite(problem.flow)
    sizes = np.abs(problem.flow[measured])
    flow_scale = float(sizes.max(initial=0.0)) or 1.0
    balances = [(problem.flow_balance, problem.flow_source / flow_scale)]
    analytes = []
    merged: dict[tuple[int, bool], tuple[Ints, Bools]] = {}
    for k in range(problem.n_analytes):
        B, c = problem.analyte_balance[k], problem.analyte_source[k]
        key = (id(B), bool(np.any(c)))
        if key not in merged:
            merged[key] = merge_grades(problem, B, c)
        group, kept = merged[key]
        analyte, exact = _fold(problem, k, group, kept, flow_scale)
        analytes.append(analyte)
        balances.extend(exact)
    A = np.vstack([rows for rows, _ in balances])
    b = np.concatenate([right for _, right in balances])
    flow = np.where(measured, problem.flow, 0.0) / flow_scale
    with np.errstate(invalid="ignore"):
        weight = np.where(measured, (problem.flow_sd / flow_scale) ** -2.0, 0.0)
    with np.errstate(invalid="ignore"):
        # a flow known far better than its size must be free, or its weight drowns its neighbours
        expected = np.minimum(np.abs(flow), 50.0 * problem.flow_sd / flow_scale)
    typical = float(np.median(sizes)) / flow_scale if measured.any() else 1.0
    expected = np.where(measured, expected, typical)
    return ReducedProblem(
        basis=flow_basis(A, b, expected),
        flow=flow,
        flow_weight=weight,
        flow_lower=problem.flow_lower / flow_scale,
        flow_scale=flow_scale,
        analytes=tuple(analytes),
    )


def merge_grades(problem: BalanceProblem, B: Floats, c: Floats) -> tuple[Ints, Bools]:
    """Return the grade group of each carrier, and the analyte balances that remain.

    A node whose inlets share one grade and whose outlets share one grade makes the two equal,
    if its flow balance closes too: one inlet and one outlet, a splitter with one inlet. Its
    analyte balance then says nothing more. Repeated until nothing changes, since one merge can
    allow the next.
    """
    label = problem.tie.copy()
    closes = {tuple(row) for row, b in zip(problem.flow_balance, problem.flow_source, strict=True)
              if b == 0.0}  # fmt: skip
    open_rows = [r for r in range(len(B)) if c[r] == 0.0 and tuple(B[r]) in closes]
    kept = np.ones(len(B), dtype=bool)
    changed = True
    while changed:
        changed = False
        for r in open_rows:
            if not kept[r]:
                continue
            into, out = np.unique(label[B[r] > 0.0]), np.unique(label[B[r] < 0.0])
            if into.size == 1 and out.size == 1:
                label[label == max(into[0], out[0])] = min(into[0], out[0])
                kept[r] = False
                changed = True
    return np.unique(label, return_inverse=True)[1].astype(np.intp), kept


def _fold(
    problem: BalanceProblem, k: int, group: Ints, kept: Bools, flow_scale: float
) -> tuple[AnalyteProblem, list[tuple[Floats, Floats]]]:
    """Return analyte k on groups, and those of its balances that became flow balances."""
    n_groups = int(group.max(initial=-1)) + 1
    measured = np.isfinite(problem.grade[k])
    exact = measured & (problem.grade_sd[k] == 0.0)
    soft = measured & ~exact
    scale = float(np.abs(problem.grade[k][measured]).max(initial=0.0)) or 1.0
    value = np.where(measured, problem.grade[k], 0.0) / scale
    w = np.zeros(problem.n_carriers)
    w[soft] = (problem.grade_sd[k][soft] / scale) ** -2.0
    weight = np.bincount(group, w, n_groups).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        target = np.where(weight > 0.0, np.bincount(group, w * value, n_groups) / weight, 0.0)
    fixed = np.zeros(n_groups, dtype=bool)
    fixed[group[exact]] = True
    target[group[exact]] = value[exact]
    lower, upper = np.full(n_groups, -np.inf), np.full(n_groups, np.inf)
    np.maximum.at(lower, group, problem.grade_lower[k] / scale)
    np.minimum.at(upper, group, problem.grade_upper[k] / scale)
    B, source = problem.analyte_balance[k][kept], problem.analyte_source[k][kept]
    source = source / (flow_scale * scale)
    bound_only = np.array([fixed[group[row != 0.0]].all() for row in B], dtype=bool)
    analyte = AnalyteProblem(
        B=B[~bound_only],
        source=source[~bound_only],
        group=group,
        target=target,
        weight=weight,
        fixed=fixed,
        lower=lower,
        upper=upper,
        remainder=0.5 * float(np.sum(w * (value - target[group]) ** 2)),
        members=np.bincount(group, soft, n_groups).astype(np.intp),
        scale=scale,
    )
    return analyte, [
        (B[bound_only] * target[group], source[bound_only])
    ] if bound_only.any() else []
