"""The relaxed problem of a plan as one of second-order cones, for Clarabel through cvxpy.

An answer's variance is that of its best linear unbiased estimate, so that the best design is the
least, over weights Y and shares z of the levels, of a sum of squares over linear functions::

    minimise    sum_i |W^1/2 Y_i|^2 / q_i(z) + |W^1/2 Y_0|^2     subject to  T'Y + P'Y_0 = G'

with q_i(z) the information of measurement i, linear in the shares of its levels; costs are linear
in them. One cone a measurement. It needs no start and no inverse, but hundreds of times the work of
`oretally.recon.plan.relaxation`.

References
----------
G. Sagnol, Computing optimal designs of multiresponse experiments reduces to second-order cone
programming, Journal of Statistical Planning and Inference 141 (2011) 1684-1708. Cited from memory.
"""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.plan.design import Design
from oretally.recon.plan.levels import Levels

__all__ = ["least_by_cones"]


def least_by_cones(design: Design, budget: float) -> tuple[float, Floats] | None:
    """Return the least criterion within a budget and the shares, shape (n_levels,).

    None if no plan within the budget determines every answer, or the solver fails.

    Parameters
    ----------
    design : Design
        Its weights must not all be 0.
    budget : float
    """
    import cvxpy

    cp: Any = cvxpy
    o, rules = design.offers, Levels.of_design(design)
    counts = design.weights > 0.0
    wanted = design.wanted[counts].T * np.sqrt(design.weights[counts])  # one column an answer
    top = np.maximum(o.information(o.most), 1e-300)
    z = cp.Variable(len(rules.of), nonneg=True)
    share = rules.base / top + (rules.gain / top[:, None]) @ z
    Y = cp.Variable((o.n, wanted.shape[1]))
    left = (design.rows * np.sqrt(top)[:, None]).T @ Y
    total: Any = sum(cp.quad_over_lin(Y[i], share[i]) for i in range(o.n))
    if len(design.prior):
        Y0 = cp.Variable((len(design.prior), wanted.shape[1]))
        left = left + design.prior.T @ Y0
        total = total + cp.sum_squares(Y0)
    charge = cp.Variable(len(o.least_charge), nonneg=True)
    taken = cp.Variable(len(o.sample_price), nonneg=True)
    cost = cp.sum(charge) + np.where(o.open_samples, o.sample_price, 0.0) @ taken
    limits = [
        left == wanted,
        rules.chosen @ z <= 1.0,
        rules.charge @ z <= charge,
        rules.least @ z <= charge[rules.least_batch],
        cost <= budget,
    ]
    if len(rules.drawn):
        limits.append(rules.drawn @ z <= taken[rules.drawn_sample])
    problem: Any = cp.Problem(cp.Minimize(total), limits)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # an inaccurate result is told by its status
        try:
            problem.solve(solver=cp.CLARABEL)
        except cp.error.SolverError:
            return None
    if problem.status not in (cp.OPTIMAL, cp.OPTIMAL_INACCURATE):
        return None
    return float(problem.value), np.clip(np.asarray(z.value, dtype=float), 0.0, 1.0)
