"""Linear problems: flows alone, or the parameters of a line, by orthogonal factors.

With the measured flows F = Fm + s e and the unmeasured ones u, in units in which their columns of
the balances have length 1::

    minimise  e'e      subject to      A_m s e + A_u u = c,    c = b - A_m Fm

Q = [Q1 Q2] from A_u = Q R: what Q2 sees holds no u, so that e is the shortest solution of
Q2'A_m s e = Q2'c, and R u = Q1'(c - A_m s e). No squares are formed, and units do not matter.

References
----------
G.H. Golub and C.F. Van Loan, Matrix Computations, 4th ed. (2013), sections 5.5 and 6.1. Cited from
memory.
"""

from __future__ import annotations

import numpy as np
import scipy.linalg

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import presolve
from oretally.recon.solution import BalanceCheck, Solution, StopReason, certify, sum_of_squares

__all__ = ["solve_linear"]


_RANK = 1e-14  # of the largest pivot: columns that depend on others


def solve_linear(problem: BalanceProblem) -> Solution | None:
    """Solve a problem without analytes; None if it has any, or if a bound is met.

    Parameters
    ----------
    problem : BalanceProblem

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    if problem.n_analytes or len(problem.proportion):
        return None
    with one_thread():
        reduced = presolve(problem)
        basis = reduced.basis
        A = basis.A[basis.rows].toarray()
        flow = _nearest(A, basis.b[basis.rows], reduced.flow, reduced.flow_weight)
        if (flow <= reduced.flow_lower).any():
            return None
        exact = problem.flow_sd == 0.0
        flow = np.where(exact, problem.flow, flow * reduced.flow_scale)
        grade = np.zeros((0, flow.size))
        certificate = certify(problem, flow, grade)
        imbalance = BalanceCheck(problem).largest(flow[:, None], grade.T[:, :, None])
    return Solution(
        flow=flow, grade=grade, objective=sum_of_squares(problem, flow, grade), iterations=1,
        converged=certificate.holds,
        status=StopReason.OPTIMUM if certificate.holds else StopReason.NO_STEP,
        stationarity=certificate.fall, max_imbalance=float(imbalance[0]),
        flow_at_bound=np.zeros(flow.size, dtype=bool),
        grade_at_bound=np.zeros(grade.shape, dtype=bool), reduce=lambda: reduced,
        certificate=certificate,
    )  # fmt: skip


def _nearest(A: Floats, b: Floats, measured: Floats, weight: Floats) -> Floats:
    """Return the flows, shape (n,); those that nothing determines are as small as can be."""
    soft = weight > 0.0
    sd = weight[soft] ** -0.5
    unmeasured = A[:, ~soft]
    size = np.sqrt((unmeasured**2).sum(axis=0))
    size = np.where(size > 0.0, size, 1.0)
    known, open_ = A[:, soft] * sd, unmeasured / size
    rows = np.sqrt((known**2).sum(axis=1) + (open_**2).sum(axis=1))
    rows = np.where(rows > 0.0, rows, 1.0)
    known, open_ = known / rows[:, None], open_ / rows[:, None]
    right = (b - A[:, soft] @ measured[soft]) / rows
    flow = np.zeros(weight.size)
    if not open_.size:
        flow[soft] = measured[soft] + sd * np.linalg.lstsq(known, right, rcond=None)[0]
        return flow
    again = np.sqrt((open_**2).sum(axis=0))  # rows have new units: columns once more
    again = np.where(again > 0.0, again, 1.0)
    Q, R, order = scipy.linalg.qr(open_ / again, pivoting=True)
    pivots = np.abs(np.diag(R))
    rank = int((pivots > _RANK * pivots.max(initial=0.0)).sum())
    seen = Q[:, rank:].T
    e = np.linalg.lstsq(seen @ known, seen @ right, rcond=None)[0]
    rest = Q[:, :rank].T @ (right - known @ e)
    u = np.zeros(order.size)
    u[order[:rank]] = scipy.linalg.solve_triangular(R[:rank, :rank], rest)
    flow[soft], flow[~soft] = measured[soft] + sd * e, u / (again * size)
    return flow
