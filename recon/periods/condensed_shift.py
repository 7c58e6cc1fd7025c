"""One shift condensed to what it says of the stocks and errors that it shares with others.

With v = (z, u), the stocks z that are handed on and the sources of error u, and phi(v) half the
least sum of squares of the shift when they are given. Sources are given: L u is taken off what was
measured. Stocks are taken as measured at c with sd S. That is a survey of the usual kind; with the
covariance Cov of its adjusted values y, C = Cov(z, z) and W the weights of the readings::

    gradient    d phi/dz = S^-2 (c - z)          d phi/du = -L'W (measured - L u - y)
    curvature   zz: C^-1 - S^-2                  zu: C^-1 Cov(z, y) W L
                uu: L'(W - W Cov(y, y) W) L + L'W Cov(y, z) C^-1 Cov(z, y) W L

To first order, as the covariance of any survey. S only says how freely the shift moves from c.

References
----------
Elimination of what only one block holds, by its Schur complement: C.D. Ghilani and P.R. Wolf,
Adjustment Computations (Wiley), Helmert blocking of normal equations. Cited from memory. Taking
what is shared as measured or given, to have every shift balanced in the way of any survey: our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.linalg

from oretally.flowsheet import BalanceProblem, NotBalanceable, Position
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.numerics import one_thread
from oretally.recon.periods.shifts import Shift
from oretally.recon.solution import Solution
from oretally.recon.solver import (
    Covariance,
    Prepared,
    prepare,
    propagate,
    solve,
    solve_certified,
)

__all__ = ["NotCondensable", "ShiftLinear", "ShiftPart", "ShiftState", "columns"]


_SHARPENED = 4  # steps: each leaves some tenth


class NotCondensable(NotBalanceable):
    """The shifts cannot be balanced in this way: a stock comes to nothing, or a bound holds it."""


@dataclass(frozen=True)
class ShiftPart:
    """One shift, and what it shares.

    Attributes
    ----------
    problem : BalanceProblem
        As measured, without shared sources: errors are what a number shares with no other.
    stocks : tuple of Position
        Where the stocks that are handed on stand.
    index : ndarray of int, shape (n_stocks + n_sources,)
        Number of each stock, then of each source, among all that is shared.
    readings : tuple of Position
        Where the measured numbers stand.
    own_sd : ndarray, shape (n_readings,)
    L : ndarray, shape (n_readings, n_sources)
        What one sd of each source adds to each reading.
    """

    shift: Shift
    problem: BalanceProblem
    stocks: tuple[Position, ...]
    index: Ints
    readings: tuple[Position, ...]
    own_sd: Floats
    L: Floats

    @property
    def n_stocks(self) -> int:
        """Number of stocks that are handed on."""
        return len(self.stocks)

    @cached_property
    def measured(self) -> Floats:
        """The measured numbers, shape (n_readings,)."""
        return np.array([_at(self.problem.flow, self.problem.grade, p) for p in self.readings])

    def given(self, u: Floats, center: Floats, sd: Floats) -> BalanceProblem:
        """Return the problem without what sources add, its stocks taken as measured too."""
        p = self.problem
        flow, flow_sd, grade, grade_sd = (
            a.copy() for a in (p.flow, p.flow_sd, p.grade, p.grade_sd)
        )
        for (k, j), value in zip(self.readings, self.measured - self.L @ u, strict=True):
            (flow if k is None else grade[k])[j] = value
        for (k, j), value, loose in zip(self.stocks, center, sd, strict=True):
            values, sds = (flow, flow_sd) if k is None else (grade[k], grade_sd[k])
            if np.isnan(values[j]):
                values[j], sds[j] = value, loose
                continue
            weight, own = loose**-2.0, sds[j] ** -2.0
            values[j] = (weight * value + own * values[j]) / (weight + own)
            sds[j] = (weight + own) ** -0.5
        return replace(p, flow=flow, flow_sd=flow_sd, grade=grade, grade_sd=grade_sd)


@dataclass(frozen=True)
class ShiftLinear:
    """What a shift says to first order, with its sources given and its stocks taken as measured.

    Attributes
    ----------
    sd : ndarray, shape (n_stocks,)
        S.
    prepared : Prepared
        The problem, for other values of what is shared.
    covariance : Covariance
        Of its adjusted values.
    """

    part: ShiftPart
    sd: Floats
    prepared: Prepared
    covariance: Covariance

    @cached_property
    def functions(self) -> list[dict[Position, float]]:
        """The stocks z, then L'W y for each source: what meets the shared unknowns."""
        weights = self.part.L.T / self.part.own_sd**2
        return [
            *({p: 1.0} for p in self.part.stocks),
            *(dict(zip(self.part.readings, row.tolist(), strict=True)) for row in weights),
        ]

    @cached_property
    def _joint(self) -> tuple[Floats, Floats]:
        """Covariance of ``functions`` with the readings, and with the stocks."""
        with one_thread():
            flows, grades = self.covariance.many_with_all(self.functions)
        return (
            columns(flows, grades, self.part.readings),
            columns(flows, grades, self.part.stocks),
        )

    @property
    def with_readings(self) -> Floats:
        """Covariance of ``functions`` with the readings, shape (n_shared, n_readings)."""
        return self._joint[0]

    @property
    def q_with_stocks(self) -> Floats:
        """Cov(L'W y, z), shape (n_sources, n_stocks)."""
        return self._joint[1][self.part.n_stocks :]

    @cached_property
    def C(self) -> Floats:
        """Cov(z), shape (n_stocks, n_stocks)."""
        C = self._joint[1][: self.part.n_stocks]
        return np.asarray(0.5 * (C + C.T))

    @cached_property
    def C_inverse(self) -> Floats:
        """C^-1."""
        size = np.outer(self.sd, self.sd)
        inverse = scipy.linalg.inv(self.C / size) if len(size) else self.C
        return np.asarray(0.5 * (inverse + inverse.T) / size)

    @cached_property
    def curvature(self) -> Floats:
        """Of phi, shape (n_shared, n_shared)."""
        n, L, W = self.part.n_stocks, self.part.L, self.part.own_sd**-2.0
        by_z = self.C_inverse @ self.q_with_stocks.T  # C^-1 Cov(z, y) W L
        zz = self.C_inverse - np.diag(self.sd**-2.0)
        uu = L.T @ (W[:, None] * L) - self.with_readings[n:] @ (W[:, None] * L)
        H = np.block([[zz, by_z], [by_z.T, uu + by_z.T @ self.C @ by_z]])
        return np.asarray(0.5 * (H + H.T))


@dataclass(frozen=True)
class ShiftState:
    """One shift balanced with its sources u given, and its stocks taken as measured at c.

    Attributes
    ----------
    linear : ShiftLinear
        Found here, or nearby.
    u : ndarray, shape (n_sources,)
    center : ndarray, shape (n_stocks,)
        c.
    problem : BalanceProblem
    solution : Solution
    sharp : bool
        Whether the last digits count; ``linear`` was found here then.
    """

    linear: ShiftLinear
    u: Floats
    center: Floats
    problem: BalanceProblem
    solution: Solution
    sharp: bool = False

    @classmethod
    def of(
        cls,
        part: ShiftPart,
        u: Floats,
        center: Floats,
        sd: Floats,
        *,
        sharp: bool = False,
        last: bool = False,
    ) -> ShiftState:
        """Balance a shift; at the ``last``, with its certificate."""
        problem = part.given(u, center, sd)
        prepared = prepare(problem)
        found = solve_certified(problem) if last else solve(problem)
        _require(found, part)
        linear = ShiftLinear(part, sd, prepared, propagate(problem, found).held)
        state = cls(linear, u, center, problem, found, sharp)
        if not (np.isfinite(state.z).all() and (np.diag(linear.C) > 0.0).all()):
            raise NotCondensable(
                f"A stock of the survey '{part.shift.label}' comes to nothing, or to a limit.",
                "Take a period that ends there.",
            )
        return state

    def elsewhere(self, v: Floats) -> ShiftState:
        """Balance where all shifts together lead, with what is known of it to first order."""
        part, linear = self.part, self.linear
        u, center = v[part.n_stocks :], self.next_center(v, linear.sd)
        problem = part.given(u, center, linear.sd)
        found = linear.prepared.solve(problem.flow, problem.grade)
        _require(found, part)
        return ShiftState(linear, u, center, problem, found)

    def anew(self, v: Floats, sd: Floats, *, sharp: bool) -> ShiftState:
        """Balance there, and find what it says to first order there."""
        n = self.part.n_stocks
        return ShiftState.of(self.part, v[n:], self.next_center(v, sd[:n]), sd[:n], sharp=sharp)

    def next_center(self, v: Floats, sd: Floats) -> Floats:
        """Return where stocks are to be taken as measured so that they are adjusted to v."""
        n = self.part.n_stocks
        slope = self.gradient + self.linear.curvature @ (v - self.point)
        return np.asarray(v[:n] + sd**2 * slope[:n])

    @property
    def part(self) -> ShiftPart:
        """The shift."""
        return self.linear.part

    @property
    def point(self) -> Floats:
        """Stocks and sources, in one."""
        return np.concatenate([self.z, self.u])

    def value(self, place: Position) -> float:
        """Return an adjusted value, in base units; NaN where there is none."""
        found = _at(self.solution.flow, self.solution.grade, place)
        step = _at(*self._step, place) if self.sharp else 0.0
        return found + step if np.isfinite(step) else found

    @cached_property
    def _step(self) -> tuple[Floats, Floats]:
        """Steps of Gauss and Newton, Cov W (measured - adjusted): what the solver left.

        The fast ways end when nothing is to be gained, some 1e-7 sd from the minimum.
        """
        problem, found = self.problem, self.solution
        flows, grades = np.zeros(found.flow.shape), np.zeros(found.grade.shape)
        for _ in range(_SHARPENED):
            flow = (problem.flow - found.flow - flows) / problem.flow_sd**2
            grade = (problem.grade - found.grade - grades) / problem.grade_sd**2
            left = {Position(None, j): flow[j] for j in np.flatnonzero(np.isfinite(flow)).tolist()}
            left |= {
                Position(k, j): grade[k, j] for k, j in np.argwhere(np.isfinite(grade)).tolist()
            }
            with one_thread():
                more = self.linear.covariance.with_all(left)
            flows, grades = flows + more[0], grades + more[1]
        return flows, grades

    @cached_property
    def z(self) -> Floats:
        """Adjusted stocks, shape (n_stocks,)."""
        return np.array([self.value(p) for p in self.part.stocks])

    @cached_property
    def residual(self) -> Floats:
        """Measured less adjusted, without what sources add, shape (n_readings,)."""
        adjusted = np.array([self.value(p) for p in self.part.readings])
        return np.asarray(self.part.measured - self.part.L @ self.u - adjusted)

    @cached_property
    def gradient(self) -> Floats:
        """Of phi at z and u, shape (n_shared,)."""
        of_u = -self.part.L.T @ (self.residual / self.part.own_sd**2)
        return np.concatenate([(self.center - self.z) / self.linear.sd**2, of_u])

    @property
    def objective(self) -> float:
        """Sum of squared adjustments of its readings."""
        return float(((self.residual / self.part.own_sd) ** 2).sum())


def _require(found: Solution, part: ShiftPart) -> None:
    """Raise NotCondensable unless a shift was balanced."""
    if not found.converged:
        raise NotCondensable(
            f"The survey '{part.shift.label}' has no balance together with the others.",
            "Balance it by itself to see what does not fit.",
        )


def _at(flow: Floats, grade: Floats, place: Position) -> float:
    k, j = place
    return float(flow[j] if k is None else grade[k, j])


def columns(flows: Floats, grades: Floats, places: Sequence[Position]) -> Floats:
    """Return covariances with the values at some places, 0 where one is not determined."""
    found = np.empty((len(flows), len(places)))
    for i, (k, j) in enumerate(places):
        found[:, i] = flows[:, j] if k is None else grades[:, k, j]
    return np.where(np.isfinite(found), found, 0.0)
