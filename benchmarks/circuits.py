"""Seeded circuits of any size, as arrays, for the benchmarks."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import BalanceProblem

__all__ = ["chain"]


def chain(
    n_streams: int,
    n_analytes: int,
    *,
    flows_missing: float = 0.0,
    grades_missing: float = 0.0,
    seed: int = 1,
) -> BalanceProblem:
    """Return a line of separators, each with one product; errors of 2 %, a share not measured.

    The number of streams is rounded down to an odd one.
    """
    rng = np.random.default_rng(seed)
    n_nodes = (n_streams - 1) // 2
    n = 2 * n_nodes + 1
    A = np.zeros((n_nodes, n))
    flow, grade = np.zeros(n), np.zeros((n_analytes, n))
    flow[0], grade[:, 0] = 100.0, rng.uniform(0.01, 0.05, n_analytes)
    for i in range(n_nodes):
        inlet, product, rest = 2 * i, 2 * i + 1, 2 * i + 2
        A[i, [inlet, product, rest]] = 1.0, -1.0, -1.0
        share = rng.uniform(0.05, 0.3)
        flow[product], flow[rest] = share * flow[inlet], (1.0 - share) * flow[inlet]
        pull = np.minimum(share * rng.uniform(0.7, 1.5, n_analytes), 0.95)
        grade[:, product] = pull * grade[:, inlet] / share
        grade[:, rest] = (1.0 - pull) * grade[:, inlet] / (1.0 - share)
    noise = 0.02
    flow_sd, grade_sd = noise * flow, noise * grade
    flow = flow + flow_sd * rng.standard_normal(n)
    grade = grade + grade_sd * rng.standard_normal(grade.shape)
    lost = rng.random(n) < flows_missing
    lost[0] = False  # the feed keeps the scale
    flow[lost], flow_sd[lost] = np.nan, np.nan
    gone = rng.random(grade.shape) < grades_missing
    grade[gone], grade_sd[gone] = np.nan, np.nan
    return BalanceProblem(
        flow_balance=A,
        flow_source=np.zeros(n_nodes),
        analyte_balance=(A,) * n_analytes,
        analyte_source=(np.zeros(n_nodes),) * n_analytes,
        tie=np.arange(n),
        flow=flow,
        flow_sd=flow_sd,
        flow_lower=np.zeros(n),
        grade=grade,
        grade_sd=grade_sd,
        grade_lower=np.zeros_like(grade),
        grade_upper=np.ones_like(grade),
    )
