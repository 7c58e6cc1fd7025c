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
from oretally.recon.solver.prepared import Prepared
from oretally.recon.solver.survey_blocks import FEW, SurveyBlocks

__all__ = ["solve_changed"]


def solve_changed(
    ready: Prepared, problems: Sequence[BalanceProblem], near: Floats | None = None
) -> ManySolutions:
    """Solve problems that differ from a prepared one in values, errors and what is measured.

    Exact values are the same in all. In the fast ways for bulk grades alone: what needs care has
    not converged, nothing has if the circuit is no case for them. ``near`` are flows in balance to
    begin with, shape (n_carriers,); by default each problem has its own.
    """
    blocks = ready.blocks
    if not problems or not blocks.alike or blocks.is_large:
        return unsolved(len(problems), blocks.problem)
    size = blocks.size()
    size = 1 if size < FEW else size
    parts = [problems[i : i + size] for i in range(0, len(problems), size)]
    # what overflows has not converged, and is told so
    with one_thread(), np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return joined([_block(blocks, part, near) for part in parts])


def _block(
    blocks: SurveyBlocks, problems: Sequence[BalanceProblem], near: Floats | None
) -> ManySolutions:
    flow, sd, grade = (
        np.array([getattr(p, name) for p in problems]) for name in ("flow", "flow_sd", "grade")
    )
    soft = np.isfinite(flow) & (sd > 0.0)
    scaled = np.where(soft, sd, 1.0) / blocks.reduced.flow_scale
    weight = np.ascontiguousarray(np.where(soft, scaled**-2.0, 0.0).T)
    engine = blocks.single if len(problems) == 1 else blocks.many
    engine = replace(
        engine,
        flows=replace(engine.flows, weight=weight),
        curvature=engine.curvature.weighted(weight),
    )
    try:
        return blocks.solved(
            engine, flow, grade, weight=carrier_weight(problems, blocks.scale), near=near
        )[0]
    except np.linalg.LinAlgError:  # balances that depend on one another
        return unsolved(len(problems), blocks.problem)
