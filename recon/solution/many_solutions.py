"""The minima of many surveys of one circuit, side by side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.reduction import ReducedProblem
from oretally.recon.solution.solution import Solution, StopReason

__all__ = ["ManySolutions", "gathered", "joined", "none_of", "replaced", "unsolved"]


@dataclass(frozen=True, eq=False)
class ManySolutions:
    """The minima of many surveys of one circuit, in the units of the balance problem.

    Attributes
    ----------
    flow : ndarray, shape (n_surveys, n_carriers)
    grade : ndarray, shape (n_surveys, n_analytes, n_carriers)
        NaN for a stream that carries nothing.
    objective, stationarity, max_imbalance : ndarray, shape (n_surveys,)
    status : ndarray of StopReason, shape (n_surveys,)
    converged : ndarray of bool, shape (n_surveys,)
    grade_at_bound : ndarray of bool, shape (n_surveys, n_analytes, n_carriers)
    alone : ndarray of bool, shape (n_surveys,)
        Surveys that needed care: a bound on a flow, bad data.
    """

    flow: Floats
    grade: Floats
    objective: Floats
    stationarity: Floats
    max_imbalance: Floats
    status: np.ndarray[Any, np.dtype[np.object_]]
    converged: Bools
    grade_at_bound: Bools
    alone: Bools

    def one(
        self, at: int, reduce: Callable[[], ReducedProblem], *, iterations: int = 0
    ) -> Solution:
        """Return the solution of one survey, with what returns its reduced problem."""
        return Solution(
            flow=self.flow[at],
            grade=self.grade[at],
            objective=float(self.objective[at]),
            iterations=iterations,
            converged=bool(self.converged[at]),
            status=self.status[at],
            stationarity=float(self.stationarity[at]),
            max_imbalance=float(self.max_imbalance[at]),
            flow_at_bound=np.zeros(self.flow.shape[1], dtype=bool),
            grade_at_bound=self.grade_at_bound[at],
            reduce=reduce,
        )


_FIELDS = tuple(field.name for field in fields(ManySolutions))


def joined(parts: list[ManySolutions]) -> ManySolutions:
    """Return the surveys of all parts, in order."""
    if len(parts) == 1:
        return parts[0]
    return ManySolutions(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in _FIELDS}
    )


def none_of(n_carriers: int, n_analytes: int) -> ManySolutions:
    """Return no survey at all."""
    flow, grade = np.zeros((0, n_carriers)), np.zeros((0, n_analytes, n_carriers))
    numbers, marks = np.zeros(0), np.zeros(0, dtype=bool)
    return ManySolutions(
        flow, grade, numbers, numbers, numbers, np.zeros(0, dtype=object), marks,
        np.zeros(grade.shape, dtype=bool), marks,
    )  # fmt: skip


def unsolved(n: int, problem: BalanceProblem) -> ManySolutions:
    """Return so many surveys of which nothing is known."""
    flow = np.full((n, problem.n_carriers), np.nan)
    grade = np.full((n, problem.n_analytes, problem.n_carriers), np.nan)
    numbers, none = np.full(n, np.nan), np.zeros(n, dtype=bool)
    return ManySolutions(
        flow, grade, numbers, numbers, numbers, np.full(n, StopReason.LIMIT, dtype=object), none,
        np.zeros(grade.shape, dtype=bool), ~none,
    )  # fmt: skip


def gathered(alone: list[Solution]) -> ManySolutions:
    """Return surveys that were solved one by one."""
    return ManySolutions(
        **{name: np.array([getattr(each, name) for each in alone],
                          dtype=object if name == "status" else None)
           for name in _FIELDS if name != "alone"},
        alone=np.ones(len(alone), dtype=bool),
    )  # fmt: skip


def replaced(whole: ManySolutions, rows: Ints, part: ManySolutions) -> ManySolutions:
    """Return the whole with the surveys ``rows``, shape (n,), taken from a part."""
    values = {name: getattr(whole, name).copy("K") for name in _FIELDS}
    for name, every in values.items():
        every[rows] = getattr(part, name)
    return ManySolutions(**values)
