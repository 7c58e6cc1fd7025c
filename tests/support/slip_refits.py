"""Surveys balanced again for the study of slips: without some readings, or with a loss."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from slip_evidence import Read

from oretally.flowsheet import BalanceProblem, NotBalanceable, Position
from oretally.recon.solution import Solution
from oretally.recon.solver import propagate, solve

__all__ = ["Left", "Refits", "changed", "same", "with_loss"]

Floats = NDArray[np.float64]

_ALONG = 1e-3  # variance in stated errors of what lies on the surface; elsewhere it is 0
_SMALL = 0.1  # share of a reading below which differences count, not factors
SAME, ALIKE = 1e-6, 1e-5  # of objectives, relative; of what is said, in stated errors: one group


@dataclass(frozen=True, eq=False)
class Left:
    """A survey balanced again without some readings: what that leaves, what it says of all."""

    problem: BalanceProblem
    solution: Solution
    reads: Sequence[Read]

    @property
    def objective(self) -> float:
        """What is left of it."""
        return self.solution.objective

    @cached_property
    def said(self) -> Floats:
        """The value of each reading, NaN where it is not known."""
        flow, grade = self.solution.flow, self.solution.grade
        return np.array([
            (flow[j] if k is None else grade[k, j]) if self.knows(r.place) else np.nan
            for r in self.reads for k, j in [r.place]
        ])  # fmt: skip

    @cached_property
    def sd(self) -> Floats:
        """The standard deviations of ``said``."""
        covariance = propagate(self.problem, self.solution)
        flow, grade = covariance.flow_sd, covariance.grade_sd
        places = (r.place for r in self.reads)
        return np.array([flow[j] if k is None else grade[k, j] for k, j in places])

    @cached_property
    def log_volume(self) -> tuple[float, int]:
        """What one unit of all that is said is in logarithms of the values, and its dimensions.

        What fits the readings is a surface in the space of the readings. Its pieces are compared
        where everything is measured in stated errors; but before looking, any factor of a value
        is as likely as any other, not any difference. The first is the logarithm of the volume in
        logarithms of one unit of volume in stated errors, on the surface where the balance is.
        """
        sd = np.array([r.sd for r in self.reads])
        scaled = self.cov(range(sd.size)) / np.outer(sd, sd)
        if not np.isfinite(scaled).all():
            return 0.0, 0
        size, axes = np.linalg.eigh(scaled)
        along = axes[:, size > _ALONG]
        value = np.array([r.value for r in self.reads])
        factor = sd / np.hypot(self.said, _SMALL * value)
        volume = along.T @ (factor[:, None] ** 2 * along)
        return 0.5 * float(np.linalg.slogdet(volume)[1]), along.shape[1]

    def cov(self, numbers: Sequence[int]) -> Floats:
        """Return the covariance of ``said`` of some readings."""
        places = [self.reads[i].place for i in numbers]
        return propagate(self.problem, self.solution).joint(places)

    def knows(self, place: Position) -> bool:
        """Tell whether a value is measured, or follows from others."""
        k, j = place
        classes = self.solution.classes
        return bool(classes.flow_determined[j] if k is None else classes.grade_determined[k, j])


@dataclass(eq=False)
class Refits:
    """Balances one survey again and again, from flows that are near.

    Attributes
    ----------
    problem : BalanceProblem
    reads : sequence of Read
    near : ndarray or None
        First flows.
    solved, failed : int
        Balances tried, and those among them that did not end well.
    """

    problem: BalanceProblem
    reads: Sequence[Read]
    near: Floats | None = None
    solved: int = 0
    failed: int = 0

    def balanced(self, problem: BalanceProblem) -> Left | None:
        """Balance a survey; None if that does not end well."""
        self.solved += 1
        near = self.near
        if near is not None and near.size < problem.n_carriers:
            near = None
        try:
            found = solve(problem, near=near)
        except NotBalanceable:
            found = None
        if found is None or not found.converged:
            self.failed += 1
            return None
        return Left(problem, found, self.reads)

    def without(
        self, numbers: Sequence[int], mended: Mapping[int, tuple[float, float]] | None = None
    ) -> Left | None:
        """Balance without some readings; None if the others say nothing of one of them.

        ``mended`` has other values and sds of some readings.
        """
        values = {self.reads[i].place: (np.nan, np.nan) for i in numbers}
        values |= {self.reads[i].place: both for i, both in (mended or {}).items()}
        left = self.balanced(changed(self.problem, values))
        return left if left is not None and np.isfinite(left.said[list(numbers)]).all() else None

    def lossy(self, node: int) -> Left | None:
        """Balance with a loss at a node, or a gain, of the make of what passes there."""
        row = self.problem.flow_balance[[node]].toarray()[0]
        like = [np.flatnonzero(row == sign) for sign in (1.0, -1.0)]
        single = [ends[0] for ends in like if ends.size == 1]
        if not single:
            return None
        for sign in (1.0, -1.0):
            found = self.balanced(with_loss(self.problem, node, int(single[0]), sign))
            if found is None:
                return None
            if found.solution.flow[-1] > 0.0:
                return found if found.solution.classes.flow_determined[-1] else None
        return None


def changed(
    problem: BalanceProblem, values: Mapping[Position, tuple[float, float]]
) -> BalanceProblem:
    """Return a problem with other values and sds of some readings; NaN if not measured."""
    found: dict[str, Any] = {n: getattr(problem, n).copy()
                             for n in ("flow", "flow_sd", "grade", "grade_sd")}  # fmt: skip
    for (k, j), both in values.items():
        for suffix, number in zip(("", "_sd"), both, strict=True):
            if k is None:
                found["flow" + suffix][j] = number
            else:
                found["grade" + suffix][k, j] = number
    return replace(problem, **found)


def with_loss(problem: BalanceProblem, node: int, like: int, sign: float) -> BalanceProblem:
    """Return a problem with one more carrier, like another: from a node out (+), or into it (-)."""

    def wider(B: Any) -> Any:
        ends = np.zeros((B.shape[0], 1))
        ends[node] = -sign
        return sparse.csr_array(sparse.hstack([B, sparse.csr_array(ends)]))

    made = {id(B): wider(B) for B in (problem.flow_balance, *problem.analyte_balance)}
    unknown = np.full((problem.n_analytes, 1), np.nan)
    return replace(
        problem,
        flow_balance=made[id(problem.flow_balance)],
        analyte_balance=tuple(made[id(B)] for B in problem.analyte_balance),
        tie=np.append(problem.tie, problem.tie[like]),
        flow=np.append(problem.flow, np.nan),
        flow_sd=np.append(problem.flow_sd, np.nan),
        flow_lower=np.append(problem.flow_lower, 0.0),
        grade=np.hstack([problem.grade, unknown]),
        grade_sd=np.hstack([problem.grade_sd, unknown]),
        grade_lower=np.hstack([problem.grade_lower, problem.grade_lower[:, [like]]]),
        grade_upper=np.hstack([problem.grade_upper, problem.grade_upper[:, [like]]]),
    )


def same(one: Left, other: Left, but: Sequence[int]) -> bool:
    """Tell whether two explanations leave the same, and say the same of all but some readings."""
    if abs(one.objective - other.objective) > SAME * one.objective + 1e-9:
        return False
    apart = np.abs(one.said - other.said) / np.array([r.sd for r in one.reads])
    apart[list(but)] = 0.0
    return bool(np.nan_to_num(apart).max() <= ALIKE)
