"""Surveys of one circuit side by side: all that is the same for them is worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats
from oretally.recon.batch import (
    MAX_ITERATIONS,
    Curvature,
    Elimination,
    Engine,
    GradeData,
    LaneFlows,
    LaneMinimum,
    Lanes,
    Layout,
    carrier_weight,
    eliminated,
    folded,
    grade_data,
    grade_scale,
    minimise_lanes,
    reweighted,
    starting_lanes,
)
from oretally.recon.reduction import ReducedProblem
from oretally.recon.result import CLOSED
from oretally.recon.solution import BalanceCheck, ManySolutions, StopReason, replaced

__all__ = ["FEW", "SurveyBlocks"]


_NUMBERS = 480_000  # that the curvature of a block may take: with fewer, calls cost more than what
# leaves a core's cache
_MOST = 2_048  # surveys of a block, however small
_LARGE = 100  # free flows beyond which no matrix of second derivatives is formed
_REFINE = 0.01  # of the residual that counts as closed: beyond it one more step is taken
_STATUS = np.array([StopReason.LIMIT, StopReason.OPEN, StopReason.OPTIMUM], dtype=object)
FEW = 16  # blocks of fewer surveys are not worth their overhead


@dataclass(frozen=True, eq=False)
class SurveyBlocks:
    """What surveys with values in the same places have in common.

    Attributes
    ----------
    problem : BalanceProblem
    reduced : ReducedProblem
        Of the same problem.
    """

    problem: BalanceProblem
    reduced: ReducedProblem

    @cached_property
    def alike(self) -> bool:
        """Whether all analytes have the same balances and groups: what it takes to do so."""
        analytes = self.reduced.analytes
        return (
            len(analytes) > 0
            and analytes[0].rows.sparse.shape[0] > 0
            and self.reduced.basis.free.size > 0
            and all(a.rows is analytes[0].rows for a in analytes)
        )

    @cached_property
    def single(self) -> Engine:
        """What one survey by itself needs."""
        return _engine(self.reduced, Layout.STACK)

    @cached_property
    def large(self) -> tuple[Lanes, LaneFlows]:
        """What `minimise_large` needs."""
        flows = LaneFlows(self.reduced.basis, self.reduced.flow_weight, self.reduced.flow_lower)
        return Lanes(self.reduced.analytes[0].rows, Layout.LEVELS), flows

    @property
    def is_large(self) -> bool:
        """Whether the circuit is solved without matrices of second derivatives."""
        return self.alike and self.reduced.basis.free.size > _LARGE

    @cached_property
    def many(self) -> Engine:
        """What many surveys side by side need."""
        return _engine(self.reduced, Layout.TAPE)

    @cached_property
    def alike_places(self) -> Engine:
        """The same for surveys with values just where the problem has them."""
        elimination = eliminated(self.reduced.analytes)
        return self.many if elimination is None else _engine(self.reduced, Layout.TAPE, elimination)

    @cached_property
    def scale(self) -> Floats:
        """Unit of each analyte's grades, shape (n_analytes,)."""
        return grade_scale(self.reduced)

    @cached_property
    def _data(self) -> GradeData:
        return grade_data(self.reduced)

    def size(self) -> int:
        """Return how many surveys are solved side by side at most."""
        reduced = self.reduced
        if not self.alike:
            return FEW
        rows = reduced.analytes[0].rows.sparse.shape[0]
        size = rows * reduced.basis.free.size * len(reduced.analytes)
        return int(np.clip(_NUMBERS // max(size, 1), 1, _MOST))

    @cached_property
    def _weight(self) -> Floats:
        return carrier_weight(self.problem.grade[None], self.problem.grade_sd[None], self.scale)

    def folded(
        self, lanes: Lanes, grades: Floats, weight: Floats | None = None
    ) -> tuple[GradeData, Floats | float]:
        """Return the grades of surveys on groups, and the part of the objective set aside.

        Grades have shape (n_surveys, n_analytes, n_carriers), weights as `reweighted` takes them
        shape (n_carriers, n_analytes, n_surveys).
        """
        value = np.ascontiguousarray((grades / self.scale[:, None]).transpose(2, 1, 0))
        if np.isnan(value).any():
            value = np.where(np.isfinite(value), value, 0.0)
        data = self._data if weight is None else reweighted(lanes, self._data, weight)
        exact = self.problem.grade_sd == 0.0
        return folded(
            lanes, data, value, weight=self._weight if weight is None else weight, exact=exact
        )

    @cached_property
    def _check(self) -> BalanceCheck:
        return BalanceCheck(self.problem)

    def solved(
        self,
        engine: Engine,
        flows: Floats,
        grades: Floats,
        *,
        weight: Floats | None = None,
        near: Floats | None = None,
    ) -> tuple[ManySolutions, int]:
        """Solve surveys side by side; those that need care are not converged.

        ``weight`` has those of the grades of each survey, where they differ; the engine has those
        of the flows. ``near`` are flows to begin with, in balance, of the shape of ``flows``.
        """
        reduced, lanes = self.reduced, engine.lanes
        seen = engine.flows.seen
        measured = np.ascontiguousarray(
            np.where(seen if seen.ndim == 1 else seen.T, flows, 0.0).T / reduced.flow_scale
        )
        data, aside = self.folded(lanes, grades, weight)
        if near is None:
            start = starting_lanes(engine, lanes.without_eliminated(data), measured)
        else:
            start = reduced.basis.closed(near.T / reduced.flow_scale)
        return self._minimised(engine, data, measured, aside=aside, start=start)

    def _minimised(
        self, engine: Engine, data: GradeData, measured: Floats, *, aside: Floats | float,
        start: Floats, spent: int = 0,
    ) -> tuple[ManySolutions, int]:  # fmt: skip
        """Minimise from first flows, the last few surveys without those that have ended."""
        left = engine.lanes.without_eliminated(data)
        found = minimise_lanes(engine, left, measured, start=start, most=MAX_ITERATIONS - spent)
        many = self.finished(engine.lanes, found, data, aside=aside)
        rest, spent = found.running, spent + found.iterations
        if not rest.size:
            return many, spent
        alone, spent = self._minimised(
            engine.of(rest), data.of(rest), measured[:, rest],
            aside=np.broadcast_to(aside, measured.shape[1])[rest],
            start=found.point.flow[:, rest], spent=spent + 1,
        )  # fmt: skip
        return replaced(many, rest, alone), spent

    def finished(
        self, lanes: Lanes, found: LaneMinimum, data: GradeData, *, aside: Floats | float
    ) -> ManySolutions:
        """Return what was found in the units of the balance problem.

        ``aside`` has shape (n_surveys,), as `folded` returns it.
        """
        point = found.point
        flow = point.flow * self.reduced.flow_scale
        exact = self.problem.flow_sd == 0.0
        flow[exact] = self.problem.flow[exact, None]  # to the last digit
        grade, imbalance = self._graded(lanes, data, flow, point.x)
        if (found.done & (imbalance > _REFINE * CLOSED)).any():
            grade, imbalance = self._graded(lanes, data, flow, lanes.closed(data, point))
        flow, grade = flow.T, grade.transpose(2, 1, 0)
        converged = found.done & (imbalance <= CLOSED)
        at_bound = np.zeros(grade.shape, dtype=bool)
        if point.held is not None:
            at_bound = lanes.on_carriers(point.held[0] | point.held[1]).transpose(2, 1, 0)
        stopped = flow == 0.0
        if stopped.any():
            grade = np.where(stopped[:, None, :], np.nan, grade)
        return ManySolutions(
            flow=flow,
            grade=grade,
            objective=2.0 * (found.value + aside),
            stationarity=2.0 * found.gain,
            max_imbalance=imbalance,
            status=_STATUS[converged.astype(np.intp) + found.done],
            converged=converged,
            grade_at_bound=at_bound,
            alone=~converged,
        )

    def _graded(
        self, lanes: Lanes, data: GradeData, flow: Floats, x: Floats
    ) -> tuple[Floats, Floats]:
        """Return grades on carriers inside their bounds, and how far the balances are open."""
        x = lanes.completed(data, flow / self.reduced.flow_scale, x)
        grade = lanes.on_carriers(np.clip(x, data.lower, data.upper)) * self.scale[:, None]
        return grade, self._check.largest(flow, grade)


def _engine(
    reduced: ReducedProblem, layout: Layout, elimination: Elimination | None = None
) -> Engine:
    lanes = Lanes(reduced.analytes[0].rows, layout, elimination)
    flows = LaneFlows(reduced.basis, reduced.flow_weight, reduced.flow_lower)
    return Engine(lanes, Curvature(lanes, flows.Z, flows.columns), flows)
