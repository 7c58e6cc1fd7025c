"""First flows of a problem in natural variables: its assayed streams balanced by themselves.

What carries assays (the solids of a pulp) is mostly a problem of bulk grades, for which there are
ways that reach its minimum from afar. Beside it the rest, water and what is dissolved or tied to
it, is found from there in a few steps; from the measured values one bad assay can lead astray.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem, NotBalanceable
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.solver.prepared import prepare
from oretally.recon.solver.stopped_streams import without

__all__ = ["assayed_alone"]

_LEAST = 1e-6  # share of the largest flow: less is no first flow to come away from


def assayed_alone(problem: BalanceProblem) -> Floats | None:
    """Return first flows: those of what carries assays balanced alone, the others about as large.

    Shape (n_carriers,). None where all carriers have assays, or that part cannot be balanced alone
    in the ways for bulk grades.
    """
    exact = (problem.grade_sd == 0.0).any(axis=1)
    seen = (np.isfinite(problem.grade) & ~exact[:, None]).any(axis=1)
    assayed = np.zeros(problem.n_carriers, dtype=bool)
    for k in np.flatnonzero(seen):
        assayed[problem.analyte_balance[k].indices] = True
    if assayed.all() or not np.isfinite(problem.flow[assayed]).any():
        return None
    if (problem.grade_sd[exact][:, assayed] != 0.0).any():  # shares of it are balanced: sizes
        return None
    part = _only(problem, assayed, np.flatnonzero(seen))
    try:
        ready = prepare(part)
        if not ready.blocks.alike or not np.isfinite(part.flow_lower).all():
            return None
        found = ready.at_once() or ready.solve()
    except (NotBalanceable, np.linalg.LinAlgError):
        return None
    if not found.converged:
        return None
    least = _LEAST * float(found.flow.max())
    flow = np.full(problem.n_carriers, float(np.median(found.flow)))
    flow[assayed] = np.maximum(found.flow, least)
    others = ~assayed & np.isfinite(problem.flow)
    flow[others] = np.maximum(problem.flow[others], least)
    return flow


def _only(problem: BalanceProblem, carriers: Bools, analytes: Ints) -> BalanceProblem:
    """Return the problem of some carriers and analytes, with the balances that have no others."""
    part = without(replace(problem, proportion=np.zeros((0, 4), dtype=np.intp)), ~carriers)
    beyond = problem.flow_balance[:, np.flatnonzero(~carriers)]
    rows = np.flatnonzero(np.diff(beyond.indptr) == 0)
    own = {
        name: getattr(part, name)[analytes]
        for name in ("grade", "grade_sd", "grade_lower", "grade_upper")
    }
    return replace(
        part, flow_balance=part.flow_balance[rows], flow_source=part.flow_source[rows],
        analyte_balance=tuple(part.analyte_balance[k] for k in analytes),
        analyte_source=tuple(part.analyte_source[k] for k in analytes), **own,
    )  # fmt: skip
