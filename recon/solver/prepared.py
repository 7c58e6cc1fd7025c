"""A circuit made ready once, for one survey or many: what does not depend on measured values.

Presolve, the basis of the flows and the order of elimination depend on the circuit, on what is
measured and on the stated errors; measured values come in afterwards.
"""

from __future__ import annotations

import operator
from dataclasses import replace
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.batch import (
    Curvature,
    Engine,
    GradeData,
    LaneFlows,
    LaneMinimum,
    Lanes,
    Layout,
    carrier_weight,
    folded,
    grade_data,
    grade_scale,
    minimise_lanes,
    minimise_large,
    reweighted,
    starting_lanes,
)
from oretally.recon.careful import best_of_starts
from oretally.recon.natural import solve_general
from oretally.recon.numerics import one_thread, shared
from oretally.recon.reduction import presolve
from oretally.recon.result import CLOSED
from oretally.recon.solution import (
    BalanceCheck,
    ManySolutions,
    Solution,
    StopReason,
    gathered,
    joined,
    none_of,
    replaced,
)
from oretally.recon.solver.stopped_streams import best_with_stops, embedded, without

__all__ = ["Prepared", "prepare"]


_CACHED = 60_000  # numbers that the curvature of a block may take: about what a core's cache holds
_STARTS = 4  # first flows of a survey that needs care
_LARGE = 100  # free flows beyond which no matrix of second derivatives is formed
_AFFORDABLE = 300  # free flows up to which a survey that needs care gets it
_REFINE = 0.01  # of the residual that counts as closed: beyond it one more step is taken
_PARTS = 4  # that each worker gets of a batch
FEW = 16  # blocks of fewer surveys are not worth their overhead


class Prepared:
    """A balance problem made ready for other measured values in the same places.

    Parameters
    ----------
    problem : BalanceProblem
        Its values count as the usual ones: they choose units and the basis of the flows.

    Raises
    ------
    NotBalanceable
        If the exact balances contradict each other.
    """

    def __init__(self, problem: BalanceProblem) -> None:
        self.problem = problem
        with one_thread():
            self.reduced = presolve(problem)
        first = self.reduced.analytes[0].rows if self.reduced.analytes else None
        self.alike = (
            first is not None
            and first.sparse.shape[0] > 0
            and self.reduced.basis.free.size > 0
            and all(a.rows is first for a in self.reduced.analytes)
        )

    @cached_property
    def single(self) -> Engine:
        """What one survey by itself needs."""
        return self._engine(Layout.STACK)

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
        return self._engine(Layout.TAPE)

    def _engine(self, layout: Layout) -> Engine:
        reduced = self.reduced
        lanes = Lanes(reduced.analytes[0].rows, layout)
        flows = LaneFlows(reduced.basis, reduced.flow_weight, reduced.flow_lower)
        return Engine(lanes, Curvature(lanes, flows.Z, flows.columns), flows)

    @cached_property
    def scale(self) -> Floats:
        """Unit of each analyte's grades, shape (n_analytes,)."""
        return grade_scale(self.reduced)

    @cached_property
    def _data(self) -> GradeData:
        return grade_data(self.reduced)

    def solve(
        self, flow: Floats | None = None, grade: Floats | None = None, starts: int | None = None,
        near: Floats | None = None,
    ) -> Solution:  # fmt: skip
        """Find the flows and grades nearest to the measured ones that balance exactly.

        Parameters
        ----------
        flow : ndarray, shape (n_carriers,), optional
        grade : ndarray, shape (n_analytes, n_carriers), optional
            Measured values, NaN in the same places as in the prepared problem; those of the
            prepared problem unless given.
        starts : int, optional
            First flows to try for other minima, stops too; one, or a few, if None.
        near : ndarray, shape (n_carriers,), optional
            Flows of much the same problem: the first ones to try in general.

        Raises
        ------
        ValueError
            If values are missing elsewhere than in the prepared problem, or ``starts`` is below 1.
        NotBalanceable
            If other exact values than the prepared ones contradict each other.
        """
        if starts is not None and operator.index(starts) < 1:
            raise ValueError(f"{starts} first flows: one at least is needed")
        if flow is None and grade is None:
            return self._solve(starts, near=near)
        flow = self.problem.flow if flow is None else np.asarray(flow, dtype=float)
        grade = self.problem.grade if grade is None else np.asarray(grade, dtype=float)
        self._same_places(flow[None], grade[None])
        if starts is None:
            with one_thread():
                found = self._at_once(flow, grade)
            if found is not None:
                return found
        return self._other(flow, grade)._solve(starts)

    def at_once(self) -> Solution | None:
        """Solve for the prepared values in the fast ways alone; None if they do not end well."""
        with one_thread():
            found = self._at_once(self.problem.flow, self.problem.grade)
        return found if found is not None and found.converged else None

    def _other(self, flow: Floats, grade: Floats) -> Prepared:
        return Prepared(replace(self.problem, flow=flow, grade=grade))

    def _solve(
        self, starts: int | None, *, stops: bool = True, near: Floats | None = None
    ) -> Solution:
        """Solve for the prepared values; with ``starts``, try streams at a standstill if told."""
        problem, reduced = self.problem, self.reduced
        if reduced.basis.free.size > _AFFORDABLE:
            starts = None
        with one_thread():
            if starts is None:
                found = self._at_once(problem.flow, problem.grade)
                if found is not None:
                    return found
            searched = self.alike and np.isfinite(reduced.flow_lower).all()
            if not searched or reduced.basis.free.size > _AFFORDABLE:
                return solve_general(problem, starts, near)
            data, _ = self._folded(self.many.lanes, problem.grade[None])
            found = best_of_starts(
                problem, reduced, self.many, data, starts or _STARTS, thorough=starts is not None
            )
        if starts is None or not stops:
            return found
        few = min(starts, _STARTS)
        return best_with_stops(problem, found, lambda rest: Prepared(rest)._solve(few, stops=False))

    def _at_once(self, flow: Floats, grade: Floats) -> Solution | None:
        """Solve one survey in lanes; None if it needs care."""
        if not self.alike or not self._same_exact(flow[None], grade[None]).all():
            return None
        if self.is_large:
            return self._at_large(flow, grade)
        try:
            found, iterations = self.block(self.single, flow[None], grade[None])
        except np.linalg.LinAlgError:  # balances that depend on one another
            return None
        return self._one(found, iterations, flow, grade) if found.converged[0] else None

    def _at_large(self, flow: Floats, grade: Floats) -> Solution | None:
        """Solve one survey of a large circuit; None if it needs care that can be afforded."""
        lanes, flows = self.large
        data, aside = self._folded(lanes, grade[None])
        measured = np.where(flows.seen, flow, 0.0) / self.reduced.flow_scale
        try:
            least, stopping = minimise_large(lanes, flows, data, measured)
        except (RuntimeError, np.linalg.LinAlgError):  # a singular preconditioner
            return None
        found = self._finished(lanes, least, data, aside)
        whole = self._one(found, least.iterations, flow, grade)
        if whole.converged:
            return whole
        if stopping.any():
            problem = replace(self.problem, flow=flow, grade=grade)
            part = Prepared(without(problem, stopping))._solve(None)
            return replace(embedded(problem, stopping, part), reduce=whole.reduce)
        return None if self.reduced.basis.free.size <= _AFFORDABLE else whole

    def solve_many(self, flows: Floats, grades: Floats, workers: int = 1) -> ManySolutions:
        """Solve many surveys.

        Parameters
        ----------
        flows : ndarray, shape (n_surveys, n_carriers)
        grades : ndarray, shape (n_surveys, n_analytes, n_carriers)
            Measured values, NaN in the same places as in the prepared problem.
        workers : int
            Processes to share the work; a script that asks for more than one needs the guard
            ``if __name__ == "__main__"``.
        """
        flows, grades = np.asarray(flows, dtype=float), np.asarray(grades, dtype=float)
        self._same_places(flows, grades)
        if not len(flows):
            return none_of(self.problem.n_carriers, self.problem.n_analytes)
        size = self.block_size()
        if workers > 1 and len(flows) > 2 * size:
            # a few large parts for each worker: sending one costs as much as solving a block
            size *= max(1, len(flows) // (_PARTS * workers * size))
        tasks = [(flows[i : i + size], grades[i : i + size]) for i in range(0, len(flows), size)]
        if workers > 1 and len(tasks) > 1:
            return joined(list(shared(self.solve_many, tasks, workers)))
        return joined([self.solve_block(*task) for task in tasks])

    def solve_block(self, flows: Floats, grades: Floats) -> ManySolutions:
        """Solve surveys side by side, then one by one those that need care."""
        if not self.alike or self.block_size() < FEW:
            alone = [self.solve(flow, grade) for flow, grade in zip(flows, grades, strict=True)]
            return gathered(alone)
        try:
            with one_thread():
                found, _ = self.block(self.many, flows, grades)
        except np.linalg.LinAlgError:  # balances that depend on one another
            return gathered(
                [self.solve(flow, grade) for flow, grade in zip(flows, grades, strict=True)]
            )
        rest = np.flatnonzero(~(found.converged & self._same_exact(flows, grades)))
        if not rest.size:
            return found
        return replaced(
            found, rest, gathered([self._other(flows[i], grades[i])._solve(None) for i in rest])
        )

    def block_size(self) -> int:
        """Return how many surveys are solved side by side at most."""
        reduced = self.reduced
        if not self.alike:
            return FEW
        rows = reduced.analytes[0].rows.sparse.shape[0]
        size = rows * reduced.basis.free.size * len(reduced.analytes)
        return int(np.clip(_CACHED // max(size, 1), 1, 512))

    @cached_property
    def _weight(self) -> Floats:
        return carrier_weight([self.problem], self.scale)

    def _folded(
        self, lanes: Lanes, grades: Floats, weight: Floats | None = None
    ) -> tuple[GradeData, Floats | float]:
        """Return the grades of surveys on groups, and the part of the objective set aside."""
        value = np.ascontiguousarray((grades / self.scale[:, None]).transpose(2, 1, 0))
        if np.isnan(value).any():
            value = np.where(np.isfinite(value), value, 0.0)
        data = self._data if weight is None else reweighted(lanes, self._data, weight)
        exact = self.problem.grade_sd == 0.0
        return folded(lanes, data, value, self._weight if weight is None else weight, exact)

    @cached_property
    def _check(self) -> BalanceCheck:
        return BalanceCheck(self.problem)

    def block(
        self,
        engine: Engine,
        flows: Floats,
        grades: Floats,
        weight: Floats | None = None,
        near: Floats | None = None,
    ) -> tuple[ManySolutions, int]:
        """Solve surveys side by side; those that need care are not converged.

        ``weight`` has those of the grades of each survey, where they differ; the engine has those
        of the flows. ``near`` are flows to begin with, in balance, shape (n_carriers,).
        """
        reduced, lanes = self.reduced, engine.lanes
        seen = engine.flows.seen
        measured = np.ascontiguousarray(
            np.where(seen if seen.ndim == 1 else seen.T, flows, 0.0).T / reduced.flow_scale
        )
        data, aside = self._folded(lanes, grades, weight)
        if near is None:
            start = starting_lanes(engine, data, measured)
        else:
            start = np.repeat(
                reduced.basis.closed(near / reduced.flow_scale)[:, None], len(flows), 1
            )
        found = minimise_lanes(engine, data, measured, start)
        return self._finished(lanes, found, data, aside), found.iterations

    def _finished(
        self, lanes: Lanes, found: LaneMinimum, data: GradeData, aside: Floats | float
    ) -> ManySolutions:
        """Return what was found in the units of the balance problem."""
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
            status=tuple(
                StopReason.OPTIMUM if good else StopReason.OPEN if done else StopReason.LIMIT
                for good, done in zip(converged, found.done, strict=True)
            ),
            converged=converged,
            grade_at_bound=at_bound,
            alone=~converged,
        )

    def _graded(
        self, lanes: Lanes, data: GradeData, flow: Floats, x: Floats
    ) -> tuple[Floats, Floats]:
        """Return grades on carriers inside their bounds, and how far the balances are open."""
        grade = lanes.on_carriers(np.clip(x, data.lower, data.upper)) * self.scale[:, None]
        return grade, self._check.largest(flow, grade)

    def _one(self, found: ManySolutions, iterations: int, flow: Floats, grade: Floats) -> Solution:
        """Return the only one of the surveys."""
        problem, reduced = self.problem, self.reduced
        same = flow is problem.flow and grade is problem.grade
        return Solution(
            flow=found.flow[0],
            grade=found.grade[0],
            objective=float(found.objective[0]),
            iterations=iterations,
            converged=bool(found.converged[0]),
            status=found.status[0],
            stationarity=float(found.stationarity[0]),
            max_imbalance=float(found.max_imbalance[0]),
            flow_at_bound=np.zeros(flow.size, dtype=bool),
            grade_at_bound=found.grade_at_bound[0],
            reduce=lambda: reduced if same else presolve(replace(problem, flow=flow, grade=grade)),
        )

    def _same_exact(self, flows: Floats, grades: Floats) -> Bools:
        """Tell which surveys have the exact values of the prepared problem: they are built in."""
        flow, grade = self.problem.flow_sd == 0.0, self.problem.grade_sd == 0.0
        same = (flows[:, flow] == self.problem.flow[flow]).all(axis=1)
        return np.asarray(same & (grades[:, grade] == self.problem.grade[grade]).all(axis=1))

    def _same_places(self, flows: Floats, grades: Floats) -> None:
        """Raise ValueError unless values are missing where they are in the prepared problem."""
        for name, values, known in (("flow", flows, self.problem.flow),
                                    ("grade", grades, self.problem.grade)):  # fmt: skip
            if values.shape[1:] != known.shape:
                raise ValueError(
                    f"each survey's {name}: shape {values.shape[1:]}, not {known.shape}"
                )
            if (np.isfinite(values) != np.isfinite(known)).any():
                raise ValueError(
                    f"a {name} is missing in one survey and not in the prepared problem: "
                    "prepare one problem for each set of missing values"
                )


def prepare(problem: BalanceProblem) -> Prepared:
    """Make a balance problem ready for measured values."""
    return Prepared(problem)
