"""Variants of one survey side by side: values, stated errors and what is measured may differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.batch import carrier_weight
from oretally.recon.numerics import one_thread
from oretally.recon.solution import ManySolutions, joined, unsolved
from oretally.recon.solver.prepared import FEW, Prepared

__all__ = ["solve_changed"]


def solve_changed(
    ready: Prepared, problems: Sequence[BalanceProblem], near: Floats | None = None
) -> ManySolutions:
    """Solve problems that differ from a prepared one in values, errors and what is measured.

    Exact values are the same in all. In the fast ways for bulk grades alone: what needs care has
    not converged, nothing has if the circuit is no case for them. ``near`` are flows in balance to
    begin with, shape (n_carriers,); by default each problem has its own.
    """
    if not problems or not ready.alike or ready.is_large:
        return unsolved(len(problems), ready.problem)
    size = ready.block_size()
    size = 1 if size < FEW else size
    parts = [problems[i : i + size] for i in range(0, len(problems), size)]
    # what overflows has not converged, and is told so
    with one_thread(), np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return joined([_block(ready, part, near) for part in parts])


def _block(
    ready: Prepared, problems: Sequence[BalanceProblem], near: Floats | None
) -> ManySolutions:
    flow, sd, grade = (
        np.array([getattr(p, name) for p in problems]) for name in ("flow", "flow_sd", "grade")
    )
    soft = np.isfinite(flow) & (sd > 0.0)
    scaled = np.where(soft, sd, 1.0) / ready.reduced.flow_scale
    weight = np.ascontiguousarray(np.where(soft, scaled**-2.0, 0.0).T)
    engine = ready.single if len(problems) == 1 else ready.many
    engine = replace(
        engine,
        flows=replace(engine.flows, weight=weight),
        curvature=engine.curvature.weighted(weight),
    )
    try:
        return ready.block(engine, flow, grade, carrier_weight(problems, ready.scale), near)[0]
    except np.linalg.LinAlgError:  # balances that depend on one another
        return unsolved(len(problems), ready.problem)
