"""A circuit made ready once, for one survey or many: what does not depend on measured values.

Presolve, the basis of the flows and the order of elimination depend on the circuit, on what is
measured and on the stated errors; measured values come in afterwards.
"""

from __future__ import annotations

import operator
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.batch import minimise_large
from oretally.recon.careful import best_of_starts
from oretally.recon.natural import solve_general
from oretally.recon.numerics import keep_freed_memory, one_thread, shared
from oretally.recon.reduction import presolve
from oretally.recon.solution import (
    ManySolutions,
    Solution,
    gathered,
    joined,
    none_of,
    replaced,
)
from oretally.recon.solver.stopped_streams import best_with_stops, embedded, without
from oretally.recon.solver.survey_blocks import FEW, SurveyBlocks

__all__ = ["Prepared", "prepare"]


_STARTS = 4  # first flows of a survey that needs care
_AFFORDABLE = 300  # free flows up to which a survey that needs care gets it
_PARTS = 4  # that each worker gets of a batch


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
        keep_freed_memory()
        self.problem = problem
        with one_thread():
            self.reduced = presolve(problem)
        self.blocks = SurveyBlocks(problem, self.reduced)

    def solve(
        self, flow: Floats | None = None, grade: Floats | None = None, *, starts: int | None = None,
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

    @property
    def searches(self) -> bool:
        """Whether many first flows are tried side by side; else each in the general way."""
        within = np.isfinite(self.reduced.flow_lower).all()
        few = self.reduced.basis.free.size <= _AFFORDABLE
        return bool(self.blocks.alike and few and within)

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
            if not self.searches:
                return solve_general(problem, starts, near, reduced=reduced)
            data, _ = self.blocks.folded(self.blocks.many.lanes, problem.grade[None])
            found = best_of_starts(
                problem,
                reduced,
                self.blocks.many,
                data=data,
                starts=starts or _STARTS,
                thorough=starts is not None,
            )
        if starts is None or not stops:
            return found
        few = min(starts, _STARTS)
        return best_with_stops(problem, found, lambda rest: Prepared(rest)._solve(few, stops=False))

    def _at_once(self, flow: Floats, grade: Floats) -> Solution | None:
        """Solve one survey in lanes; None if it needs care."""
        if not self.blocks.alike or not self._same_exact(flow[None], grade[None]).all():
            return None
        if self.blocks.is_large:
            return self._at_large(flow, grade)
        try:
            found, iterations = self.blocks.solved(self.blocks.single, flow[None], grade[None])
        except np.linalg.LinAlgError:  # balances that depend on one another
            return None
        return self._one(found, iterations, flow, grade) if found.converged[0] else None

    def _at_large(self, flow: Floats, grade: Floats) -> Solution | None:
        """Solve one survey of a large circuit; None if it needs care that can be afforded."""
        lanes, flows = self.blocks.large
        data, aside = self.blocks.folded(lanes, grade[None])
        measured = np.where(flows.seen, flow, 0.0) / self.reduced.flow_scale
        try:
            least, stopping = minimise_large(lanes, flows, data, measured=measured)
        except (RuntimeError, np.linalg.LinAlgError):  # a singular preconditioner
            return None
        found = self.blocks.finished(lanes, least, data, aside=aside)
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
        size = self.blocks.size()
        if workers > 1 and len(flows) > 2 * size:
            # a few large parts for each worker: sending one costs as much as solving a block
            size *= max(1, len(flows) // (_PARTS * workers * size))
        tasks = [(flows[i : i + size], grades[i : i + size]) for i in range(0, len(flows), size)]
        if workers > 1 and len(tasks) > 1:
            return joined(list(shared(self.solve_many, tasks, workers)))
        return joined([self.solve_block(*task) for task in tasks])

    def solve_block(self, flows: Floats, grades: Floats) -> ManySolutions:
        """Solve surveys side by side, then one by one those that need care.

        Flows have shape (n_surveys, n_carriers), grades (n_surveys, n_analytes, n_carriers).
        """
        if not self.blocks.alike or self.blocks.is_large or self.blocks.size() < FEW:
            alone = [self.solve(flow, grade) for flow, grade in zip(flows, grades, strict=True)]
            return gathered(alone)
        try:
            with one_thread():
                found, _ = self.blocks.solved(self.blocks.alike_places, flows, grades)
                left = np.flatnonzero(~found.converged)
                if left.size and self.blocks.alike_places is not self.blocks.many:
                    # a grade that is eliminated cannot stay at its bound
                    held, _ = self.blocks.solved(self.blocks.many, flows[left], grades[left])
                    found = replaced(found, left, held)
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

    def _one(self, found: ManySolutions, iterations: int, flow: Floats, grade: Floats) -> Solution:
        """Return the only one of the surveys."""
        problem, reduced = self.problem, self.reduced
        same = flow is problem.flow and grade is problem.grade
        return found.one(
            0,
            lambda: reduced if same else presolve(replace(problem, flow=flow, grade=grade)),
            iterations=iterations,
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
