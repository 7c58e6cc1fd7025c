"""The same survey balanced again: without some measurements, with losses, with corrected readings.

Nothing of this changes the balance that is reported; it says what an explanation would make of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceProblem, NotBalanceable
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.reduction import presolve
from oretally.recon.solution import ManySolutions, Solution
from oretally.recon.solver.changed_surveys import ChangedSurvey, solve_changed
from oretally.recon.solver.like_surveys import LikeSurveys, made_ready
from oretally.recon.solver.prepared import Prepared, prepare
from oretally.recon.solver.stopped_streams import embedded, without
from oretally.recon.solver.ways import solve
from oretally.recon.solver.work import WORK, Work

__all__ = ["Refits", "Refitter", "only_streams", "refit", "refits_together"]


_OPEN = 1e-9  # imbalance, relative, up to which a survey balanced side by side counts as closed
_GAIN = 1e-6  # of the objective, that one more step of it may gain
_RESCALED = 1e3  # times the largest flow, from which a variant is made ready by itself
_CAREFUL = 5  # variants of one survey that need care and get it, where others do not


def refit(
    problem: BalanceProblem, near: Floats | None = None, starts: int | None = None
) -> Solution | None:
    """Solve; None if it cannot be balanced or did not converge.

    ``near`` has the flows, shape (n_carriers,), of the survey as it was, where a large problem
    begins: from scratch it takes three times as long. ``starts`` as in
    `oretally.recon.solver.ways.solve`.
    """
    found = _solved(problem, near, starts)
    return found if found is not None and found.converged else None


def _solved(
    problem: BalanceProblem, near: Floats | None, starts: int | None = None
) -> Solution | None:
    try:
        return solve(problem, starts=starts, near=near)
    except NotBalanceable:
        return None


@dataclass(frozen=True, eq=False, slots=True)
class Refits:
    """What is asked of a `Refitter`.

    Attributes
    ----------
    variants : sequence of ChangedSurvey
        Of its survey.
    spare : bool
        Whether no care is given.
    near : sequence of ndarray, shape (n_carriers,) each
        Flows to begin with as well, each in balance.
    """

    variants: Sequence[ChangedSurvey]
    spare: bool = False
    near: Sequence[Floats] = ()


@dataclass(frozen=True, eq=False, slots=True)
class _Way:
    """How a variant is balanced: streams left out, what is ready, first flows if not its own."""

    stopped: Bools | None
    ready: Prepared
    near: Floats | None


class Refitter:
    """Balances variants of one survey: side by side where that can be done, else one by one.

    Parameters
    ----------
    problem : BalanceProblem
    solution : Solution
        Its balance.
    work : Work
        What may be spent; the variant with which it runs out is the last that gets care.
    like : LikeSurveys, optional
        Surveys with values in the same places, none of them exact, made ready for the fast ways;
        no stream stands still in ``solution``.
    """

    def __init__(
        self, problem: BalanceProblem, solution: Solution, *, work: Work = WORK,
        like: LikeSurveys | None = None,
    ) -> None:  # fmt: skip
        self.problem, self.solution, self.work, self.like = problem, solution, work, like
        self.measured = int(np.isfinite(problem.flow).sum() + np.isfinite(problem.grade).sum())
        self.spent, self.careful = 0, self._most_careful

    @property
    def _most_careful(self) -> int:
        alone = self.work.alone(self.measured)
        return min(_CAREFUL, alone) if self.quick else alone

    @cached_property
    def ready(self) -> list[tuple[Bools | None, LikeSurveys]]:
        """The problem made ready, with all streams and with those that stand still left out."""
        stopped = self.solution.flow == 0.0
        if self.like is not None:
            return [(None, self.like)]
        found = self._prepared(None)
        return found + (self._prepared(stopped) if stopped.any() and found else [])

    def _prepared(self, stopped: Bools | None) -> list[tuple[Bools | None, LikeSurveys]]:
        """Make the problem ready with some streams at a standstill, if that has a fast way."""
        try:
            ready = made_ready(self.problem if stopped is None else without(self.problem, stopped))
        except NotBalanceable:
            return []
        return [] if ready is None else [(stopped, LikeSurveys(ready))]

    @property
    def quick(self) -> bool:
        """Whether variants are balanced side by side."""
        return bool(self.ready)

    def afresh(self) -> Refitter:
        """Return one that has spent nothing yet."""
        other = copy(self)
        other.spent, other.careful = 0, self._most_careful
        return other

    def by_itself(
        self, problem: BalanceProblem, near: Floats | None, starts: int | None = None
    ) -> Solution | None:
        """Balance one variant with all care, as `refit`; None too where the work is done."""
        found = self.ended(problem, near, starts)
        return found if found is not None and found.converged else None

    def ended(
        self, problem: BalanceProblem, near: Floats | None, starts: int | None = None
    ) -> Solution | None:
        """Return where the search ended, as `by_itself`, whether that is a balance or not."""
        if self.spent >= self.work.units:
            return None
        found = _solved(problem, near, starts)
        iterations = 0 if found is None else found.general_iterations
        self.spent += self.work.of_one(self.measured, iterations)
        return found

    def refits(
        self,
        variants: Sequence[ChangedSurvey],
        spare: bool = False,
        near: Sequence[Floats] = (),
    ) -> dict[int, Solution | None]:
        """Return the balance of each variant by its number; None where there is none.

        Those whose flows are of another scale are balanced by themselves. So is what needs care, up
        to a number in all; the rest is missing. With ``spare`` no care is
        given, and losses are missing. ``near`` are flows to begin with as well, each in balance: of
        several minima that are reached the least counts.
        """
        return refits_together([(self, Refits(variants, spare, near))])[0]

    def with_care(
        self, asked: Refits, side_by_side: Mapping[int, Solution]
    ) -> dict[int, Solution | None]:
        """Return what was balanced side by side, and what is balanced by itself."""
        found: dict[int, Solution | None] = dict(side_by_side)
        for i, variant in enumerate(asked.variants):
            far = i not in found and self.quick and self._of_another_scale(variant)
            if i in found or (asked.spare and not far):
                continue
            if far or (variant.losses and self.quick):
                alone = _at_once(variant.problem)
                if alone is not None:
                    found[i] = alone
                    continue
            if self.careful > 0 and not asked.spare:
                self.careful -= 1
                found[i] = self.by_itself(variant.problem, self.solution.flow)
        return found

    def _of_another_scale(self, variant: ChangedSurvey) -> bool:
        """Whether the survey was made ready in units in which a variant has no digits left."""
        ready = self.problem if self.like is None else self.like.ready.problem
        own, its = (
            float(np.nanmax(np.abs(flow), initial=0.0)) for flow in (ready.flow, variant.flow)
        )
        return not own < _RESCALED * its or not its < _RESCALED * own

    def ways(self, asked: Refits) -> Iterator[tuple[int, list[_Way]]]:
        """Yield each variant that can be balanced side by side, in which ways."""
        plain = [_Way(stopped, like.ready, None) for stopped, like in self.ready]
        plain += [_Way(None, self.ready[0][1].ready, flow) for flow in asked.near if self.ready]
        for i, variant in enumerate(asked.variants):
            if not variant.losses:
                yield i, plain
            elif self.ready and not asked.spare:
                ready = self.ready[0][1].with_losses(variant)
                yield i, [_Way(None, ready, None)] if ready is not None else []

    def one_of(
        self, variant: ChangedSurvey, stopped: Bools | None, many: ManySolutions, at: int
    ) -> Solution:
        """Return one of many solutions, which is that of a variant."""
        part = replace(
            self.solution,
            flow=many.flow[at],
            grade=many.grade[at],
            objective=float(many.objective[at]),
            stationarity=float(many.stationarity[at]),
            max_imbalance=float(many.max_imbalance[at]),
            converged=True,
            flow_at_bound=np.zeros(many.flow.shape[1], dtype=bool),
            grade_at_bound=many.grade_at_bound[at],
            reduce=lambda: presolve(variant.problem),
            best_grades=None,
            certificate=None,
        )
        return part if stopped is None else embedded(variant.problem, stopped, part)


def refits_together(asked: Sequence[tuple[Refitter, Refits]]) -> list[dict[int, Solution | None]]:
    """Return what `Refitter.refits` does, of several surveys.

    Those that were made ready alike are balanced side by side.
    """
    found: list[dict[int, Solution]] = [{} for _ in asked]
    rounds = defaultdict[tuple[int, int, bool], list[tuple[int, int, _Way]]](list)
    for s, (refitter, each) in enumerate(asked):
        for i, ways in refitter.ways(each):
            for n, way in enumerate(ways):
                rounds[n, id(way.ready), way.near is None].append((s, i, way))
    for _, alike in sorted(rounds.items(), key=lambda each: each[0][0]):
        variants, first = [asked[s][1].variants[i] for s, i, _ in alike], alike[0][2]
        near = None if first.near is None else np.array([way.near for _, _, way in alike])
        many = solve_changed(first.ready, variants, near, first.stopped)
        # unmeasured grades that have not come to rest do not matter here
        closed = many.max_imbalance <= _OPEN
        closed &= many.stationarity <= _GAIN * (1.0 + many.objective)
        for at in np.flatnonzero(closed).tolist():
            s, i, way = alike[at]
            best = found[s].get(i)
            # readings of streams that stand still can only add to it
            if best and many.objective[at] >= best.objective:
                continue
            one = asked[s][0].one_of(variants[at], way.stopped, many, at)
            if not best or one.objective < best.objective:
                found[s][i] = one
    return [refitter.with_care(each, part)
            for (refitter, each), part in zip(asked, found, strict=True)]  # fmt: skip


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
