"""What is known of each value of a balance problem, or of a circuit and its survey."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import sparse

from oretally.flowsheet import BalanceModel, BalanceProblem, ContradictoryValues
from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics import one_thread
from oretally.recon.reduction.exact_values import named
from oretally.recon.reduction.observability import (
    GENERIC_SEED,
    Classes,
    generic_classes,
    generic_flows,
    unseen_changes,
)
from oretally.recon.reduction.presolve import presolve
from oretally.recon.reduction.reduced_problem import ReducedProblem

__all__ = ["classes_of", "classify", "unseen"]


def classify(problem: BalanceProblem) -> Classes:
    """Classify every flow and grade of a balance problem.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    with one_thread():
        if not len(problem.proportion):
            return presolve(problem).classes
        reduced, flow = _generic(problem)
        return generic_classes(reduced.basis, reduced.flow_measured, reduced.analytes, flow=flow)


def unseen(problem: BalanceProblem) -> tuple[Floats, list[Floats]]:
    """Return all changes that no measurement of a balance problem sees, as `unseen_changes`.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """
    with one_thread():
        reduced, flow = _generic(problem)
        return unseen_changes(reduced.basis, reduced.flow_measured, reduced.analytes, flow=flow)


def _generic(problem: BalanceProblem) -> tuple[ReducedProblem, Floats | None]:
    """Return the reduced problem, and the flows at which its proportions hold, if it has any."""
    if not len(problem.proportion):
        return presolve(problem), None
    flow = _flows_in_proportion(problem)
    reduced = presolve(problem.linearised(flow))
    return reduced, flow / reduced.flow_scale


def classes_of(model: BalanceModel) -> Classes:
    """Classify the problem of a circuit and a survey.

    Raises
    ------
    NotBalanceable
        If exact values contradict each other, which are named.
    """
    try:
        return classify(model.problem)
    except ContradictoryValues as error:
        raise named(error, model) from None


def _flows_in_proportion(problem: BalanceProblem) -> Floats:
    """Return random flows in balance whose parts stand in proportion: that of random wholes."""
    rng = np.random.default_rng(GENERIC_SEED)
    a, b, c, d = problem.proportion.T
    pairs, which = np.unique(problem.proportion[:, [1, 3]], axis=0, return_inverse=True)
    p = rng.uniform(0.5, 2.0, len(pairs))
    left, right = np.concatenate([a, pairs[:, 0]]), np.concatenate([c, pairs[:, 1]])
    rows = np.arange(left.size)
    values = np.concatenate([np.ones(left.size), -p[which.ravel()], -p])
    more = sparse.csr_array(
        (values, (np.tile(rows, 2), np.concatenate([left, right]))),
        shape=(left.size, problem.n_carriers),
    )
    fixed = replace(
        problem,
        flow_balance=sparse.csr_array(sparse.vstack([problem.flow_balance, more])),
        flow_source=np.concatenate([problem.flow_source, np.zeros(left.size)]),
    )
    reduced = presolve(fixed)
    return generic_flows(reduced.basis, rng) * reduced.flow_scale
