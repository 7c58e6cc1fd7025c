"""Surveys of one circuit that leave out different values: their balances side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from oretally.flowsheet import BalanceProblem, NotBalanceable
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import presolve
from oretally.recon.solution import Solution
from oretally.recon.solver.changed_surveys import solve_weighted
from oretally.recon.solver.prepared import prepare

__all__ = ["solve_one_circuit"]

_TOGETHER = 32  # surveys at least: fewer cost as much
_RESCALED = 1e3  # times the usual flows, from which the usual units keep too few digits


def solve_one_circuit(problems: Sequence[BalanceProblem]) -> list[Solution | None]:
    """Solve several problems, those of one circuit side by side, in the fast ways for bulk grades.

    They need not have the same values measured: what is missing has no weight.

    Returns
    -------
    list of Solution or None
        None for what needs care, is by itself in its circuit, or is no case for these ways.
    """
    found: list[Solution | None] = [None] * len(problems)
    groups: dict[bytes, list[int]] = {}
    for i, problem in enumerate(problems):
        groups.setdefault(_circuit(problem), []).append(i)
    for some in groups.values():
        if len(some) > 1:
            for i, one in zip(some, _solved([problems[i] for i in some]), strict=True):
                found[i] = one
    return found


def _circuit(problem: BalanceProblem) -> bytes:
    """Return what problems that can be solved side by side have in common."""
    exact = (np.where(sd == 0.0, value, np.nan) for value, sd in (
        (problem.flow, problem.flow_sd), (problem.grade, problem.grade_sd)))  # fmt: skip
    alike = [analytes for _, analytes in problem.alike]
    parts: list[np.ndarray | Ints] = [problem.tie, problem.proportion, *exact, problem.flow_source]
    for B in (problem.flow_balance, *(B for B, _ in problem.alike)):
        parts += [np.array(B.shape), B.indptr, B.indices, B.data]
    parts += [*problem.analyte_source, problem.flow_lower, problem.grade_lower, problem.grade_upper]
    return repr(alike).encode() + b"".join(np.ascontiguousarray(part).tobytes() for part in parts)


def _solved(problems: Sequence[BalanceProblem]) -> list[Solution | None]:
    """Solve problems of one circuit."""
    none: list[Solution | None] = [None] * len(problems)
    flow, flow_sd = (np.array([getattr(p, name) for p in problems]) for name in ("flow", "flow_sd"))
    grade, grade_sd = (
        np.array([getattr(p, name) for p in problems]) for name in ("grade", "grade_sd")
    )
    usual = replace(
        problems[0], flow=_middle(flow), flow_sd=_middle(flow_sd), grade=_middle(grade),
        grade_sd=_middle(grade_sd),
    )  # fmt: skip
    if len(usual.proportion):
        return none
    try:
        ready = prepare(usual)
    except NotBalanceable:
        return none
    blocks = ready.blocks
    if not blocks.alike or blocks.is_large:
        return none
    size, found = max(blocks.size(), _TOGETHER), list[Solution | None]()
    for i in range(0, len(problems), size):
        own = slice(i, i + size)
        # what overflows has not converged, and is told so
        with one_thread(), np.errstate(all="ignore"):
            many = solve_weighted(blocks, (flow[own], flow_sd[own]), (grade[own], grade_sd[own]))
            good = many.converged & ~many.grade_at_bound.any(axis=(1, 2))
            good &= (many.flow > usual.flow_lower).all(axis=1)
            largest = np.abs(many.flow).max(axis=1) / np.nanmax(np.abs(usual.flow))
            good &= (largest < _RESCALED) & (largest > 1.0 / _RESCALED)
        found += [many.one(at, partial(presolve, problems[i + at])) if fine else None
                  for at, fine in enumerate(good.tolist())]  # fmt: skip
    return found


def _middle(values: Floats) -> Floats:
    """Return the median of what was measured of each value, NaN where nothing was."""
    order = np.sort(values, axis=0)  # NaN last
    at = np.maximum(np.isfinite(values).sum(axis=0) - 1, 0) // 2
    return np.asarray(np.take_along_axis(order, at[None], axis=0)[0])
