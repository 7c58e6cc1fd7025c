"""Bring a balance problem to the form that the solver works on; exact, undone by the caller.

Four steps, none of which changes the minimum: merge grades that are equal whatever the flows,
fold the measurements of one merged grade into their weighted mean, turn balances that hold exact
grades only into flow balances, and choose units in which flows and grades are of the order of 1.
With w = 1/sd^2 the mean of one group is sum w x / sum w: common practice, no source.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from oretally.flowsheet import BalanceProblem, ContradictoryValues, Rows
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.reduction.analyte_problem import AnalyteProblem, AnalyteRows
from oretally.recon.reduction.exact_values import ExactRows
from oretally.recon.reduction.flow_basis import flow_basis
from oretally.recon.reduction.reduced_problem import ReducedProblem

__all__ = ["presolve"]


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
    balances = ExactRows(problem.n_carriers)
    balances.add(problem.flow_balance, problem.flow_source / flow_scale)
    exact = np.flatnonzero(measured & (problem.flow_sd == 0.0))
    if exact.size:
        unit = sparse.csr_array(sparse.eye_array(problem.n_carriers))[exact]
        balances.add(unit, problem.flow[exact] / flow_scale, flows=[(int(j),) for j in exact])
    soft = measured & (problem.flow_sd > 0.0)
    analytes = []
    merged: dict[tuple[int, bytes], tuple[AnalyteRows, Bools]] = {}
    for k in range(problem.n_analytes):
        B, c = problem.analyte_balance[k], problem.analyte_source[k]
        key = (id(B), (c != 0.0).tobytes())
        if key not in merged:
            group, kept = _merge_grades(problem, B, c)
            origin = np.flatnonzero(kept)
            rows = AnalyteRows(B[origin], group, int(group.max(initial=-1)) + 1, origin)
            merged[key] = rows, kept
        rows, kept = merged[key]
        analytes.append(
            _fold(problem, k, rows, source=c[kept], flow_scale=flow_scale, balances=balances)
        )
    A, b = balances.stacked()
    balances.refuse(A, b)
    flow = np.where(measured, problem.flow, 0.0) / flow_scale
    with np.errstate(invalid="ignore"):
        sd = np.where(soft, problem.flow_sd, 1.0) / flow_scale
        weight = np.where(soft, sd**-2.0, 0.0)
    with np.errstate(invalid="ignore"):
        # a flow known far better than its size must be free, or its weight drowns its neighbours
        expected = np.where(soft, np.minimum(np.abs(flow), 50.0 * sd), np.abs(flow))
    typical = float(np.median(sizes)) / flow_scale if measured.any() else 1.0
    if (np.abs(A.data) == 1.0).all():
        expected = np.where(measured, expected, typical)
    else:  # an unmeasured number in units of its own is as large as its column is small
        column = np.asarray(abs(A).max(axis=0).toarray()).ravel()
        expected = np.where(measured, expected, typical / np.where(column > 0.0, column, 1.0))
    return ReducedProblem(
        basis=flow_basis(A, b, expected),
        flow=flow,
        flow_weight=weight,
        flow_lower=problem.flow_lower / flow_scale,
        flow_scale=flow_scale,
        analytes=tuple(analytes),
    )


def _merge_grades(problem: BalanceProblem, B: Rows, c: Floats) -> tuple[Ints, Bools]:
    """Return the grade group of each carrier, and the analyte balances that remain.

    A node whose inlets share one grade and whose outlets share one grade makes the two equal,
    if its flow balance closes too: one inlet and one outlet, a splitter with one inlet. Its
    analyte balance then says nothing more. Repeated until nothing changes, since one merge can
    allow the next.
    """
    label = problem.tie.copy()
    members: dict[int, list[int]] = {}
    for j, name in enumerate(label.tolist()):
        members.setdefault(name, []).append(j)
    closes = {
        row
        for row, b in zip(_row_entries(problem.flow_balance), problem.flow_source, strict=True)
        if b == 0.0
    }
    kept = np.ones(B.shape[0], dtype=bool)
    waiting = {r: row for r, row in enumerate(_row_entries(B)) if c[r] == 0.0 and row in closes}
    changed = True
    while changed:
        changed = False
        for r, row in list(waiting.items()):
            into = {int(label[j]) for j, value in row if value > 0.0}
            out = {int(label[j]) for j, value in row if value < 0.0}
            if len(into) == 1 and len(out) == 1:
                first, last = sorted((*into, *out))
                if first != last:
                    moved = members.pop(last)
                    label[moved] = first
                    members[first] += moved
                kept[r] = False
                del waiting[r]
                changed = True
    return np.unique(label, return_inverse=True)[1].astype(np.intp), kept


def _row_entries(rows: Rows) -> list[tuple[tuple[int, float], ...]]:
    """Return the entries (column, value) of each row, by column."""
    ordered = rows.sorted_indices()
    columns, values = ordered.indices.tolist(), ordered.data.tolist()
    ends = ordered.indptr.tolist()
    return [
        tuple(zip(columns[a:b], values[a:b], strict=True))
        for a, b in zip(ends[:-1], ends[1:], strict=True)
    ]


def _fold(
    problem: BalanceProblem, k: int, rows: AnalyteRows, *, source: Floats, flow_scale: float,
    balances: ExactRows,
) -> AnalyteProblem:  # fmt: skip
    """Return analyte k on groups; add those of its balances that became flow balances."""
    group, n_groups = rows.group, rows.n_groups
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
    unequal = exact & (np.abs(value - target[group]) > 1e-12 * np.abs(value))
    if unequal.any():
        alike = exact & np.isin(group, group[unequal])
        raise ContradictoryValues((), [(k, int(j)) for j in np.flatnonzero(alike)])
    lower, upper = np.full(n_groups, -np.inf), np.full(n_groups, np.inf)
    np.maximum.at(lower, group, problem.grade_lower[k] / scale)
    np.minimum.at(upper, group, problem.grade_upper[k] / scale)
    source = source / (flow_scale * scale)
    if exact.any():
        unknown = abs(rows.sparse) @ (~fixed[group]).astype(float)
        if (unknown == 0.0).any():
            given, others = np.flatnonzero(unknown == 0.0), np.flatnonzero(unknown > 0.0)
            turned = sparse.csr_array(rows.sparse[given] @ sparse.diags_array(target[group]))
            touched = [np.isin(group, group[rows.sparse[[r]].indices]) & exact for r in given]
            balances.add(turned, source[given], grades=[
                tuple((k, int(j)) for j in np.flatnonzero(part)) for part in touched
            ])  # fmt: skip
            rows = AnalyteRows(rows.sparse[others], group, n_groups, rows.origin[others])
            source = source[others]
    return AnalyteProblem(
        rows=rows,
        source=source,
        target=target,
        weight=weight,
        fixed=fixed,
        lower=lower,
        upper=upper,
        spread=np.bincount(group, 0.5 * w * (value - target[group]) ** 2, n_groups).astype(float),
        members=np.bincount(group, soft, n_groups).astype(np.intp),
        scale=scale,
    )
