"""Surveys drawn as they could have come out, each balanced: propagation of distributions.

First order takes a balance as a plane through its solution. Where two grades all but agree, or a
flow or a grade can go no lower than 0, it is none, and what the stated errors do to an answer shows
only when the survey is balanced again and again with other errors.

Where the draws are centred. JCGM 101 draws the inputs about their measured values: what is computed
from them is an explicit function of as many numbers as it needs. A balance of more numbers than
that is a least-squares estimate, and the measured values are off the balances already, by the
adjustments. Errors drawn about them would come on top: a draw would be twice as far from the
balances, in the mean squared, as the stated errors make a survey, and where a balance is bent that
makes the answers scatter too much (`tests/test_simulation.py`). It would also draw from beyond a
bound that holds the adjusted values, and find next to no error there. So errors are drawn about the
ADJUSTED values: the surveys that there could be, if the adjusted balance were true (the parametric
bootstrap). Without redundancy adjusted and measured values are the same, bounds apart, and it is
the method of JCGM 101; to first order it gives the sd of `oretally.recon.solver.covariance`.

What is drawn. Every measured number of the balance problem that is not exact, about its adjusted
value with its own sd. That includes the unknowns u ~ N(0, 1) of shared sources of error: a balance
is the same whether c loadings are added to all that share a source or c is taken off its reading,
so that a reading of u drawn once is the source drawn once for all of its measurements. Each mass of
a sieve stack is drawn by itself: the factor of its sample is free. Readings are normal; those of
which only bounds are known are rectangular, as wide as their bounds (JCGM 101, 6.4.2). The grade of
a stream that stands still is drawn about what was measured.

References
----------
JCGM 101:2008 (GUM Supplement 1), clauses 5.9 and 7. B. Efron and R.J. Tibshirani, An Introduction
to the Bootstrap (1993), section 6.5. Both cited from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from oretally.flowsheet import BalanceModel, BalanceProblem, Position
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.solution import ManySolutions, Solution, gathered
from oretally.recon.solver import prepare, solve

__all__ = ["DrawnSurveys", "balanced_draws", "rectangular_readings"]

_BLOCK, _ROOM = 500, 5_000_000  # draws balanced side by side, and the numbers these may have
_FEW = 25  # draws balanced one after another before something is said


@dataclass(frozen=True, eq=False)
class DrawnSurveys:
    """What surveys are drawn from.

    Attributes
    ----------
    problem : BalanceProblem
    solution : Solution
        Of the problem: the centre.
    rectangular : frozenset of Position
        Readings with a rectangular distribution; the others are normal.
    """

    problem: BalanceProblem
    solution: Solution
    rectangular: frozenset[Position] = frozenset()

    @property
    def n_readings(self) -> int:
        """Numbers that are drawn for each survey."""
        return int((self.problem.flow_sd > 0.0).sum() + (self.problem.grade_sd > 0.0).sum())

    def readings(self, normal: Floats) -> tuple[Floats, Floats]:
        """Return the readings of n surveys.

        Parameters
        ----------
        normal : ndarray, shape (n, n_readings)
            Draws of N(0, 1): errors of normal readings in sd, first flows and then grades.

        Returns
        -------
        ndarray, shape (n, n_carriers), and ndarray, shape (n, n_analytes, n_carriers)
            NaN where nothing is measured.
        """
        p, found = self.problem, self.solution
        soft, sharp = p.flow_sd > 0.0, p.grade_sd > 0.0  # false of NaN
        known = np.isfinite(found.grade)
        centre = np.concatenate([found.flow[soft], np.where(known, found.grade, p.grade)[sharp]])
        sd = np.concatenate([p.flow_sd[soft], p.grade_sd[sharp]])
        flat = np.concatenate([self._flat_flows()[soft], self._flat_grades()[sharp]])
        error = normal.copy()
        # the chance of a smaller error is uniform; half the width is sqrt(3) sd
        error[:, flat] = 3.0**0.5 * (2.0 * ndtr(normal[:, flat]) - 1.0)
        drawn = centre + sd * error
        flows = np.repeat(p.flow[None], len(normal), axis=0)
        grades = np.repeat(p.grade[None], len(normal), axis=0)
        n_flows = int(soft.sum())
        flows[:, soft], grades[:, sharp] = drawn[:, :n_flows], drawn[:, n_flows:]
        return flows, grades

    def _flat_flows(self) -> Bools:
        flat = np.zeros(self.problem.n_carriers, dtype=bool)
        flat[[j for k, j in self.rectangular if k is None]] = True
        return flat

    def _flat_grades(self) -> Bools:
        flat = np.zeros(self.problem.grade.shape, dtype=bool)
        for k, j in self.rectangular:
            if k is not None:
                flat[k, j] = True
        return flat


def rectangular_readings(model: BalanceModel) -> frozenset[Position]:
    """Return where the readings stand of which only bounds are known."""
    read = model.positions.readings
    return frozenset(read[m.stream, m.quantity] for m in model.survey.measurements if m.bounded)


def balanced_draws(
    drawing: DrawnSurveys, generator: np.random.Generator, draws: int
) -> Iterator[tuple[Floats, ManySolutions]]:
    """Yield so many drawn surveys balanced, a block at a time, with the normal draws behind them.

    Those that did not converge are among them, and say so. Surveys come out of the generator one
    by one: the first of many are the same as those of few.
    """
    problem, near = drawing.problem, drawing.solution.flow
    ready = None if len(problem.proportion) else prepare(problem)
    size = problem.n_carriers * (1 + problem.n_analytes)
    block = _FEW if ready is None else min(_BLOCK, max(_FEW, _ROOM // size))
    for first in range(0, draws, block):
        normal = generator.standard_normal((min(block, draws - first), drawing.n_readings))
        flows, grades = drawing.readings(normal)
        if ready is not None:
            yield normal, ready.solve_many(flows, grades)
            continue
        alone = [solve(replace(problem, flow=flow, grade=grade), near=near)
                 for flow, grade in zip(flows, grades, strict=True)]  # fmt: skip
        yield normal, gathered(alone)
