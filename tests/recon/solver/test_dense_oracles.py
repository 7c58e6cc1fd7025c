"""Classes and covariances against dense computations on all flows and grades at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.linalg
from dense_balances import jacobian
from numpy.typing import NDArray
from often import often

from oretally.recon.reduction import classify
from oretally.recon.solver import propagate, solve

Floats = NDArray[np.float64]


def _moves(J: Floats, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which of the kept variables can move while the others stand still."""
    N = scipy.linalg.null_space(J[:, keep], rcond=1e-10)
    moving = np.zeros(keep.size, dtype=bool)
    moving[keep] = np.abs(N).max(axis=1, initial=0.0) > 1e-7
    return moving


@pytest.mark.parametrize("block", range(often(20)))
def test_classes(block: int, random_circuit: Callable[..., Any]) -> None:
    """Random incomplete problems, 50 a block: what null spaces say, value by value."""
    for seed in range(50 * block, 50 * (block + 1)):
        made = random_circuit(1000 + seed, n_nodes=2 + seed % 5, n_analytes=1 + seed % 3)
        problem = made.problem(0.03, (0.3, 0.6, 0.9)[seed % 3], (0.1, 0.4, 0.6)[seed // 3 % 3])
        if seed % 7 == 0:  # nothing fixes the scale
            none = np.full(problem.n_carriers, np.nan)
            problem = replace(problem, flow=none, flow_sd=none)
        ours = classify(problem)
        # the true balance is a generic point: shares are drawn from continuous distributions
        J = jacobian(problem, made.flow / 100.0, made.grade * 10.0)
        J = J / np.abs(J).max(axis=1, keepdims=True)
        measured = np.concatenate([np.isfinite(problem.flow), np.isfinite(problem.grade).ravel()])
        determined = ~_moves(J, ~measured)
        said = np.concatenate([ours.flow_determined, ours.grade_determined.ravel()])
        assert (said == determined).all(), seed
        said = np.concatenate([ours.flow_checked, ours.grade_checked.ravel()])
        for i in np.flatnonzero(measured):
            without = ~measured
            without[i] = True
            assert said[i] == (not _moves(J, without)[i]), (seed, i)
        free = ~measured
        constraints = np.linalg.matrix_rank(J, tol=1e-8)
        explained = np.linalg.matrix_rank(J[:, free], tol=1e-8) if free.any() else 0
        assert ours.degrees_of_freedom == constraints - explained, seed


@pytest.mark.parametrize("seed", range(25))
def test_covariance(seed: int, random_circuit: Callable[..., Any]) -> None:
    """Cov = N (N'WN)^-1 N' on the null space N of all balances, where everything is determined."""
    made = random_circuit(2000 + seed, n_nodes=2 + seed % 5, n_analytes=1 + seed % 3)
    problem = made.problem(0.02, 0.3 * (seed % 2), 0.1 * (seed % 3))
    solution = solve(problem)
    assert solution.converged
    if solution.flow_at_bound.any() or solution.grade_at_bound.any():
        pytest.skip("of values at a bound there is more to know: test_inside_bounds")
    ours = propagate(problem, solution)
    n, K = problem.n_carriers, problem.n_analytes
    # scaled by the size of each value, so that ranks are clear
    size = np.concatenate([made.flow, made.grade.ravel()])
    J = jacobian(problem, solution.flow, solution.grade) * size
    J = J / np.abs(J).max(axis=1, keepdims=True)
    N = scipy.linalg.null_space(J, rcond=1e-11)
    sd = np.concatenate([problem.flow_sd, problem.grade_sd.ravel()]) / size
    measured = np.isfinite(sd)
    root = N[measured] / sd[measured, None]
    dense = N @ np.linalg.pinv(root, rcond=1e-11)
    whole = (dense @ dense.T) * np.outer(size, size)
    known = np.concatenate([solution.classes.flow_determined,
                            solution.classes.grade_determined.ravel()])  # fmt: skip
    with_flows = [ours.grade_root(k)[0] @ ours.flow_root.T for k in range(K)]
    blocks = [[ours.flow_flow(), *(block.T for block in with_flows)]]
    for k in range(K):
        alone = [ours.grade_grade(k) if k == other
                 else ours.grade_root(k)[0] @ ours.grade_root(other)[0].T
                 for other in range(K)]  # fmt: skip
        blocks.append([with_flows[k], *alone])
    together = np.block(blocks)
    deviation = np.sqrt(np.diag(whole))
    scale = np.outer(deviation, deviation) + 1e-300
    both = known[:, None] & known
    assert together.shape == ((1 + K) * n,) * 2
    assert np.abs((together - whole) / scale)[both].max() < 1e-10
    assert np.isnan(together[~known]).all()
    said = np.concatenate([ours.flow_sd, ours.grade_sd.ravel()])
    assert said[known] == pytest.approx(deviation[known], rel=1e-10, abs=1e-13)
