"""Variants of one survey: other values and stated errors, less that is measured, losses besides.

They are balanced side by side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import sparse

from oretally.flowsheet import BalanceProblem, Position, Rows
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.batch import carrier_weight
from oretally.recon.numerics import one_thread
from oretally.recon.solution import ManySolutions, joined, unsolved
from oretally.recon.solver.prepared import Prepared
from oretally.recon.solver.survey_blocks import SurveyBlocks

__all__ = [
    "ChangedSurvey", "corrected", "solve_changed", "solve_weighted", "with_losses",
    "without_readings",
]  # fmt: skip

_Reading = tuple[float, float]

_TOGETHER = 32  # variants at least, where there are so many: fewer cost as much


@dataclass(frozen=True, eq=False)
class ChangedSurvey:
    """A survey with other readings, and with streams of losses.

    Attributes
    ----------
    survey : BalanceProblem
        As it was.
    readings : mapping of Position to (float, float)
        Value and sd in place of those of the survey; NaN as if not measured.
    losses : mapping of int to (ndarray, float)
        As `with_losses` takes them.
    """

    survey: BalanceProblem
    readings: Mapping[Position, _Reading]
    losses: Mapping[int, tuple[Floats, float]] = field(default_factory=dict)

    @property
    def n_carriers(self) -> int:
        """Number of carriers, those of the losses with them."""
        return self.survey.n_carriers + len(self.losses)

    @cached_property
    def problem(self) -> BalanceProblem:
        """The balance problem; made when asked for."""
        return corrected(self.wide, self.readings)

    @cached_property
    def wide(self) -> BalanceProblem:
        """The survey as it was, with the streams of losses."""
        return with_losses(self.survey, self.losses)

    @property
    def flow(self) -> Floats:
        """Measured flows, those of the losses not among them; NaN where there is none."""
        flow = self.survey.flow.copy()
        for (k, j), (value, _) in self.readings.items():
            if k is None:
                flow[j] = value
        return flow

    def and_readings(self, readings: Mapping[Position, _Reading]) -> ChangedSurvey:
        """Return it with more readings changed."""
        return replace(self, readings={**self.readings, **readings})


def without_readings(problem: BalanceProblem, readings: Sequence[Position]) -> BalanceProblem:
    """Return the problem as if some values had not been measured."""
    return corrected(problem, {place: (np.nan, np.nan) for place in readings})


def corrected(problem: BalanceProblem, readings: Mapping[Position, _Reading]) -> BalanceProblem:
    """Return the problem with other (value, sd) for some readings."""
    if not readings:
        return problem
    flow, flow_sd = problem.flow.copy(), problem.flow_sd.copy()
    grade, grade_sd = problem.grade.copy(), problem.grade_sd.copy()
    for (k, j), (value, sd) in readings.items():
        if k is None:
            flow[j], flow_sd[j] = value, sd
        else:
            grade[k, j], grade_sd[k, j] = value, sd
    return replace(problem, flow=flow, flow_sd=flow_sd, grade=grade, grade_sd=grade_sd)


def with_losses(
    problem: BalanceProblem, losses: Mapping[int, tuple[Floats, float]]
) -> BalanceProblem:
    """Return the problem with one more stream for each loss, of unknown flow and known grades.

    Parameters
    ----------
    problem : BalanceProblem
    losses : mapping of int to (ndarray, float)
        Flow balance to the grades of what is lost, shape (n_analytes,), and a number whose sign
        says whether material leaves (+) or comes (-).
    """
    if not losses:
        return problem
    n_more = len(losses)
    lost = np.array([grades for grades, _ in losses.values()]).T.reshape(problem.n_analytes, n_more)
    unknown = np.full(n_more, np.nan)

    def wider(B: Rows) -> Rows:
        ends = np.zeros((B.shape[0], n_more))
        for i, (node, (_, size)) in enumerate(losses.items()):
            ends[node, i] = -1.0 if size >= 0.0 else 1.0
        return sparse.csr_array(sparse.hstack([B, sparse.csr_array(ends)]))

    flow_balance, analyte_balance = problem.each_balance(wider)

    def beside(rows: Floats, more: Floats) -> Floats:
        return np.concatenate([rows, more], axis=-1)

    return replace(
        problem,
        flow_balance=flow_balance,
        analyte_balance=analyte_balance,
        tie=np.concatenate([problem.tie, problem.tie.max(initial=-1) + 1 + np.arange(n_more)]),
        flow=beside(problem.flow, unknown),
        flow_sd=beside(problem.flow_sd, unknown),
        flow_lower=beside(problem.flow_lower, np.zeros(n_more)),
        grade=beside(problem.grade, lost),
        grade_sd=beside(problem.grade_sd, np.zeros_like(lost)),
        grade_lower=beside(problem.grade_lower, np.zeros_like(lost)),
        grade_upper=beside(problem.grade_upper, np.maximum(lost, 1.0)),
    )


def solve_changed(
    ready: Prepared,
    variants: Sequence[ChangedSurvey],
    near: Floats | None = None,
    stopped: Bools | None = None,
) -> ManySolutions:
    """Solve variants of prepared surveys in the fast ways for bulk grades.

    The surveys may be several of one circuit; losses are at the same nodes as in what is prepared.
    Exact flows are the same in all. What needs care has not converged, nothing has if the circuit
    is no case for these ways. ``near`` are flows in
    balance to begin with, shape (n_variants, n_carriers); by default each variant has its own.
    Without the carriers that are ``stopped``, shape (n_carriers,), if the problem was prepared
    without them.
    """
    blocks = ready.blocks
    if not variants or not blocks.alike or blocks.is_large:
        return unsolved(len(variants), blocks.problem)
    size = max(blocks.size(), _TOGETHER)
    parts = [slice(i, i + size) for i in range(0, len(variants), size)]
    # what overflows has not converged, and is told so
    with one_thread(), np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return joined([
            _block(blocks, variants[part], None if near is None else near[part], stopped)
            for part in parts
        ])  # fmt: skip


def _block(
    blocks: SurveyBlocks,
    variants: Sequence[ChangedSurvey],
    near: Floats | None,
    stopped: Bools | None,
) -> ManySolutions:
    flow, sd, grade, grade_sd = _readings(variants)
    if stopped is not None:
        flow, sd, grade, grade_sd = (x[..., ~stopped] for x in (flow, sd, grade, grade_sd))
    return solve_weighted(blocks, (flow, sd), (grade, grade_sd), near)


def solve_weighted(
    blocks: SurveyBlocks, flows: tuple[Floats, Floats], grades: tuple[Floats, Floats],
    near: Floats | None = None,
) -> ManySolutions:  # fmt: skip
    """Solve surveys side by side, each with stated errors of its own, in the fast ways.

    Parameters
    ----------
    blocks : SurveyBlocks
        Of a problem with the same exact values.
    flows : pair of ndarray, shape (n_surveys, n_carriers)
        Measured values and their sd, NaN where nothing was measured.
    grades : pair of ndarray, shape (n_surveys, n_analytes, n_carriers)
    near : ndarray, shape (n_surveys, n_carriers), optional
        Flows in balance to begin with.

    Returns
    -------
    ManySolutions
        What needs care has not converged.
    """
    (flow, sd), (grade, grade_sd) = flows, grades
    soft = np.isfinite(flow) & (sd > 0.0)
    scaled = np.where(soft, sd, 1.0) / blocks.reduced.flow_scale
    weight = np.ascontiguousarray(np.where(soft, scaled**-2.0, 0.0).T)
    engine = (blocks.single if len(flow) == 1 else blocks.many).weighted(weight)
    try:
        return blocks.solved(
            engine, flow, grade, weight=carrier_weight(grade, grade_sd, blocks.scale), near=near
        )[0]
    except np.linalg.LinAlgError:  # balances that depend on one another
        return unsolved(len(flow), blocks.problem)


def _readings(variants: Sequence[ChangedSurvey]) -> tuple[Floats, Floats, Floats, Floats]:
    """Return flows and their sd, shape (n, n_carriers), and grades, (n, n_analytes, n_carriers)."""
    flow, flow_sd, grade, grade_sd = (
        np.array([getattr(variant.wide, name) for variant in variants])
        for name in ("flow", "flow_sd", "grade", "grade_sd")
    )
    for i, variant in enumerate(variants):
        for (k, j), (value, sd) in variant.readings.items():
            if k is None:
                flow[i, j], flow_sd[i, j] = value, sd
            else:
                grade[i, k, j], grade_sd[i, k, j] = value, sd
    return flow, flow_sd, grade, grade_sd
