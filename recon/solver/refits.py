"""The same survey balanced again: without some measurements, with losses, with corrected readings.

Nothing of this changes the balance that is reported; it says what an explanation would make of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy import sparse

from oretally.flowsheet import BalanceProblem, NotBalanceable, Position, Rows
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.reduction import presolve
from oretally.recon.solution import ManySolutions, Solution
from oretally.recon.solver.changed_surveys import solve_changed
from oretally.recon.solver.prepared import Prepared, prepare
from oretally.recon.solver.stopped_streams import embedded, without
from oretally.recon.solver.ways import solve

__all__ = ["Refitter", "corrected", "only_streams", "refit", "with_losses", "without_readings"]


_OPEN = 1e-9  # imbalance, relative, up to which a survey balanced side by side counts as closed
_GAIN = 1e-6  # of the objective, that one more step of it may gain
_CAREFUL = 5  # variants of one survey that need care and get it, where others do not
_GENERAL = 40  # variants that are balanced, where all are solved one by one


def without_readings(problem: BalanceProblem, readings: Sequence[Position]) -> BalanceProblem:
    """Return the problem as if some values had not been measured."""
    return corrected(problem, {place: (np.nan, np.nan) for place in readings})


def corrected(
    problem: BalanceProblem, readings: Mapping[Position, tuple[float, float]]
) -> BalanceProblem:
    """Return the problem with other (value, sd) for some readings."""
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


def refit(
    problem: BalanceProblem, near: Floats | None = None, starts: int | None = None
) -> Solution | None:
    """Solve; None if it cannot be balanced or did not converge.

    ``near`` has the flows, shape (n_carriers,), of the survey as it was, where a large problem
    begins: from scratch it takes three times as long. ``starts`` as in
    `oretally.recon.solver.ways.solve`.
    """
    try:
        found = solve(problem, starts=starts, near=near)
    except NotBalanceable:
        return None
    return found if found.converged else None


class Refitter:
    """Balances variants of one survey: side by side where that can be done, else one by one.

    Parameters
    ----------
    problem : BalanceProblem
    solution : Solution
        Its balance.
    """

    def __init__(self, problem: BalanceProblem, solution: Solution) -> None:
        self.problem, self.solution = problem, solution
        self.ready: list[tuple[Bools, Prepared]] = []
        stopped = solution.flow == 0.0
        if not len(problem.proportion):
            self._add(np.zeros_like(stopped))
            if stopped.any() and self.ready:
                self._add(stopped)
        self.careful = _CAREFUL if self.ready else _GENERAL

    def _add(self, stopped: Bools) -> None:
        """Make the problem ready with some streams at a standstill, if that has a fast way."""
        try:
            ready = prepare(without(self.problem, stopped) if stopped.any() else self.problem)
        except NotBalanceable:
            return
        if ready.blocks.alike and not ready.blocks.is_large:
            self.ready.append((stopped, ready))

    @property
    def quick(self) -> bool:
        """Whether variants are balanced side by side."""
        return bool(self.ready)

    def refits(
        self,
        variants: Sequence[BalanceProblem],
        spare: bool = False,
        near: Sequence[Floats] = (),
    ) -> dict[int, Solution | None]:
        """Return the balance of each variant by its number; None where there is none.

        A variant differs in measured values, stated errors and what is measured; where it has more
        streams, it is balanced by itself. So is what needs care, up to a number in all; the rest is
        missing. With ``spare`` none of that is done. ``near`` are flows to begin with as well, each
        in balance: of several minima that are reached the least counts.
        """
        found: dict[int, Solution | None] = {}
        same = [i for i, v in enumerate(variants) if v.n_carriers == self.problem.n_carriers]
        ways: list[tuple[Bools, Prepared, Floats | None]]
        ways = [(*ready, None) for ready in self.ready]
        ways += [(*self.ready[0], flow) for flow in near if self.ready]
        for stopped, ready, start in ways:
            parts = [without(variants[i], stopped) if stopped.any() else variants[i] for i in same]
            many = solve_changed(ready, parts, start)
            for at, i in enumerate(same):
                # unmeasured grades that have not come to rest do not matter here
                closed = many.max_imbalance[at] <= _OPEN
                if closed and many.stationarity[at] <= _GAIN * (1.0 + many.objective[at]):
                    one, other = self._one(variants[i], stopped, many, at), found.get(i)
                    found[i] = one if other is None or one.objective < other.objective else other
        for i, variant in enumerate(variants):
            if i in found or spare:
                continue
            if variant.n_carriers != self.problem.n_carriers and self.quick:
                alone = _at_once(variant)
                if alone is not None:
                    found[i] = alone
                    continue
            if self.careful > 0:
                self.careful -= 1
                # a variant that needs care gets one start: it is one of many
                found[i] = refit(variant, self.solution.flow, 1 if self.quick else None)
        return found

    def _one(
        self, variant: BalanceProblem, stopped: Bools, many: ManySolutions, at: int
    ) -> Solution:
        n = int((~stopped).sum())
        part = replace(
            self.solution,
            flow=many.flow[at],
            grade=many.grade[at],
            objective=float(many.objective[at]),
            stationarity=float(many.stationarity[at]),
            max_imbalance=float(many.max_imbalance[at]),
            converged=True,
            flow_at_bound=np.zeros(n, dtype=bool),
            grade_at_bound=many.grade_at_bound[at],
            reduce=lambda: presolve(variant),
            best_grades=None,
            certificate=None,
        )
        return embedded(variant, stopped, part) if stopped.any() else part


def _at_once(problem: BalanceProblem) -> Solution | None:
    """Solve in the fast ways alone."""
    try:
        return prepare(problem).at_once()
    except NotBalanceable:
        return None


def only_streams(solution: Solution, n: int) -> Solution:
    """Return the flows and grades of the first n carriers: without the streams of losses."""
    return replace(
        solution,
        flow=solution.flow[:n],
        grade=solution.grade[:, :n],
        flow_at_bound=solution.flow_at_bound[:n],
        grade_at_bound=solution.grade_at_bound[:, :n],
    )
