"""First flows: put the measured grades into the balances and solve for the flows."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics import left_null_space, quadratic_minimum
from oretally.recon.reduction import AnalyteProblem, ReducedProblem

__all__ = ["starting_flows"]


_PULL = 1e-5  # weight of the pull on flows that nothing else decides, in 1/size^2
_ROUNDS = 3  # the error of a balance depends on the flows: solved, then reweighted twice
_LEAST = 1e-9  # smallest starting flow, as a share of the largest: a stream at 0 has no grade


def starting_flows(problem: ReducedProblem) -> Floats:
    """Return flows, shape (n_carriers,), inside their bounds and in balance.

    Notes
    -----
    Equation-error least squares, the two-product formula made general: each analyte balance whose
    grades are all measured is a linear equation in the flows, weighted by the error that the
    grades give it. Common practice, no source.
    """
    n = problem.flow.size
    equations = [_equations(analyte) for analyte in problem.analytes]
    flow = _solve(problem, problem.basis.offset, np.zeros((n, n)), np.zeros(n), np.ones(n))
    for _ in range(_ROUNDS):
        H, g = np.zeros((n, n)), np.zeros(n)
        for rows, right, variance in equations:
            spread = variance @ flow**2
            weight = np.where(spread > 0.0, 1.0 / np.where(spread > 0.0, spread, 1.0), 0.0)
            H += (rows.T * weight) @ rows
            g -= rows.T @ (weight * right)
        flow = _solve(problem, flow, H, g, np.maximum(np.abs(flow), 1e-6 * np.abs(flow).max()))
    return flow


def _equations(analyte: AnalyteProblem) -> tuple[Floats, Floats, Floats]:
    """Return rows r and variances v of the balances on measured grades: r F = 0 +- sqrt(v F^2)."""
    unmeasured = (analyte.weight == 0.0) & ~analyte.fixed
    N = left_null_space(analyte.B[:, unmeasured[analyte.group]])
    rows = N.T @ analyte.B
    variance = np.where(analyte.measured, 1.0 / np.where(analyte.weight > 0, analyte.weight, 1), 0)
    return (
        rows * analyte.target[analyte.group],
        N.T @ analyte.source,
        rows**2 * variance[analyte.group],
    )


def _solve(problem: ReducedProblem, around: Floats, H: Floats, g: Floats, size: Floats) -> Floats:
    """Minimise the flow misfit, the balances' misfit and a weak pull to ``around``."""
    Z, offset = problem.basis.Z, problem.basis.offset
    pull = _PULL / size**2
    W = H + np.diag(problem.flow_weight + pull)
    misfit = W @ offset + g - problem.flow_weight * problem.flow - pull * around
    Hu, gu = Z.T @ W @ Z, Z.T @ misfit
    u = _equilibrated_solve(Hu, -gu)
    flow = offset + Z @ u
    floor = _LEAST * max(float(np.abs(flow).max(initial=0.0)), 1e-300)
    bounded = np.isfinite(problem.flow_lower)
    if (flow[bounded] > problem.flow_lower[bounded] + floor).all():
        return flow
    rows = np.flatnonzero(bounded)
    size_H = max(float(np.abs(Hu).max(initial=0.0)), 1e-300)
    least = problem.flow_lower[rows] - offset[rows]
    for distance in (floor, 0.0):  # a stream that the balances stop stays at 0
        found = quadratic_minimum(Hu / size_H, gu / size_H, (Z[rows], least + distance))
        if found is not None:
            return np.asarray(offset + Z @ found.x)
    return flow


def _equilibrated_solve(H: Floats, right: Floats) -> Floats:
    d = np.where(np.diag(H) > 0.0, np.diag(H), 1.0) ** -0.5
    return np.asarray(d * np.linalg.lstsq(H * d[:, None] * d, d * right, rcond=1e-14)[0])
