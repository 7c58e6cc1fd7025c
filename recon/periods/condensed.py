"""All shifts balanced together, each condensed to what it says of what they share.

With v what shifts share (stocks handed on, sources of error u) and phi_t as in `condensed_shift`,
the balance of all shifts is the minimum of ``sum_t phi_t(v) + u'u / 2``. From the gradients g_t and
curvatures H_t of the shifts at their points v_t, round by round::

    (sum H_t + prior) v = sum (H_t v_t - g_t)        c_t = z + S_t^2 [g_t + H_t (v - v_t)]_z

Where v_t = v for all shifts the conditions of a minimum of the whole hold, whatever the S_t are,
and the covariance is that of the whole as well: given v shifts are independent, and Cov(v) =
(sum H_t + prior)^-1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.periods.condensed_shift import (
    NotCondensable,
    ShiftPart,
    ShiftState,
    columns,
)
from oretally.recon.periods.first_guess import first_guess
from oretally.recon.periods.joint import Effects, Jointly, ShiftPlace, ShiftReading, readings_of
from oretally.recon.periods.normal_equations import NormalEquations
from oretally.recon.periods.shifts import Coupled, Shift, Source, StockLink
from oretally.recon.solver import Covariance

__all__ = ["CondensedBalance", "condensed_balance"]

_MOST = 60  # rounds
_NEAR = 0.05  # of the first sd: from there on what shifts say to first order is not found anew
_AT = 1e-7  # ... until the last digits, which what is found elsewhere does not give
_CLOSE = 1e-10  # of the first sd: how near the shifts must agree on what they share
_ENOUGH = 1e-8  # where they come no nearer, how near they must have come
_LOOSE = 1.0  # times its sd by all shifts: how freely a shift sees a stock
_TIGHT = 1e-5  # of the first sd: no nearer than that
_KEPT = 0.1  # share of a stock that a round leaves at least

_Shared: TypeAlias = tuple[int, str] | Source
"""An unknown that shifts share: number of a link and quantity, or a source of error."""


@dataclass(frozen=True)
class CondensedBalance:
    """Shifts balanced together, each by itself; see `oretally.recon.periods.joint.JointBalance`.

    Attributes
    ----------
    shared : tuple of (int, str) or Source
        What shifts share: number of a link and quantity, or a source of error.
    """

    coupled: Coupled
    shared: tuple[_Shared, ...]
    states: tuple[ShiftState, ...]

    @cached_property
    def _index(self) -> list[Ints]:
        return [s.part.index for s in self.states]

    @cached_property
    def _equations(self) -> NormalEquations:
        return _equations(self.states, self._index, self.shared)

    @property
    def objective(self) -> float:
        """Sum of the squared adjustments in sd, sources included."""
        u = np.zeros(len(self.shared))
        for s in self.states:
            u[s.part.index[s.part.n_stocks :]] = s.u
        return float(sum(s.objective for s in self.states) + (u**2).sum())

    @property
    def dof(self) -> int:
        """Number of independent checks.

        Numbers less unknowns that they tell: those of each shift when the stocks are given, and
        those that are shared. A stock that was taken as measured is no number of a shift.
        """
        checks = sum(isinstance(s, Source) for s in self.shared) - self._equations.rank
        for s in self.states:
            problem = s.part.problem
            taken = [k is None and np.isnan(problem.flow[j])
                     or k is not None and np.isnan(problem.grade[k, j])
                     for k, j in s.part.stocks]  # fmt: skip
            checks += s.solution.classes.degrees_of_freedom + s.part.n_stocks - sum(taken)
        return int(checks)

    def value(self, place: ShiftPlace) -> float:
        """Return an adjusted value, in base units; NaN where there is none."""
        return self.states[place.shift].value(place.at)

    def determined(self, functions: Sequence[Jointly]) -> Bools:
        """Return which functions of the adjusted values the measurements determine."""
        reached = [_Reach.of(state, t, functions) for t, state in enumerate(self.states)]
        return self._followed(reached, self._equations, self._index, functions)[1]

    def effects(self, functions: Sequence[Jointly], *, apart: bool = False) -> Effects:
        """Return what every error does to functions of the adjusted values."""
        equations, index, shared = self._equations, self._index, self.shared
        if apart:
            index, shared = self._apart()
            equations = _equations(self.states, index, shared)
        n = len(functions)
        reached = [_Reach.of(state, t, functions) for t, state in enumerate(self.states)]
        with_shared, known = self._followed(reached, equations, index, functions)
        moved = [r.moved(with_shared[at], n) for r, at in zip(reached, index, strict=True)]
        errors: list[ShiftReading | Source] = [*readings_of(self.coupled.shifts)]
        for i, key in enumerate(shared):
            if isinstance(key, Source):
                errors.append(key)
                moved.append(with_shared[i][:, None])
        whole = np.hstack(moved) if moved else np.zeros((n, 0))
        return Effects(tuple(errors), whole, known)

    def _followed(
        self, reached: Sequence[_Reach], equations: NormalEquations, index: Sequence[Ints],
        functions: Sequence[Jointly],
    ) -> tuple[Floats, Bools]:  # fmt: skip
        """Return Cov(v, R) of what is shared with functions R, and which are determined."""
        along = np.zeros((equations.size, len(functions)))
        known = np.array([bool(np.isfinite(f.value)) for f in functions], dtype=bool)
        for r, at in zip(reached, index, strict=True):
            known[r.own] &= r.determined
            np.add.at(along, (at[:, None], r.own), r.slopes)
        with_shared, seen = equations.solve(along)
        return with_shared, known & seen

    def _apart(self) -> tuple[list[Ints], tuple[_Shared, ...]]:
        """Return what is shared if every shift has its sources of error for itself."""
        shared: list[_Shared] = [s for s in self.shared if not isinstance(s, Source)]
        kept = {s: i for i, s in enumerate(shared)}
        index = []
        for state in self.states:
            own = list[int]()
            for i in state.part.index:
                key = self.shared[i]
                if isinstance(key, Source):
                    own.append(len(shared))
                    shared.append(replace(key, span=state.part.shift.label))
                else:
                    own.append(kept[key])
            index.append(np.array(own, dtype=np.intp))
        return index, tuple(shared)


def _equations(
    states: Sequence[ShiftState], index: Sequence[Ints], shared: Sequence[_Shared]
) -> NormalEquations:
    """Return sum H_t + prior, over what is shared."""
    prior = np.array([float(isinstance(s, Source)) for s in shared])
    return NormalEquations.of([s.linear.curvature for s in states], index, prior)


@dataclass(frozen=True)
class _Reach:
    """What functions R of adjusted values have of one shift.

    Attributes
    ----------
    own : ndarray of int, shape (n_own,)
        Numbers of the functions that have values of it.
    determined : ndarray of bool, shape (n_own,)
    slopes : ndarray, shape (n_shared, n_own)
        How they follow what is shared.
    given : ndarray, shape (n_own, n_readings)
        What one sd of each reading does to them when what is shared is given.
    back : ndarray, shape (n_shared, n_readings)
        What it adds to the right of the equations of what is shared.
    """

    own: Ints
    determined: Bools
    slopes: Floats
    given: Floats
    back: Floats

    @classmethod
    def of(cls, state: ShiftState, t: int, functions: Sequence[Jointly]) -> _Reach:
        """Return it for shift number t.

        With a the part of R in this shift, q = L'W y and i a reading of sd s::

            slopes   z: C^-1 Cov(z, a)         u: -(Cov(q, a) - Cov(q, z) C^-1 Cov(z, a))
            given    (Cov(a, i) - Cov(a, z) C^-1 Cov(z, i)) / s
            back     z: C^-1 Cov(z, i) / s     u: (L_i - Cov(q, i) + Cov(q, z) C^-1 Cov(z, i)) / s
        """
        linear, part, n = state.linear, state.part, state.part.n_stocks
        covariance = linear.covariance
        own = [i for i, f in enumerate(functions) if any(p.shift == t for p in f.slopes)]
        of = [
            {p.at: slope for p, slope in functions[i].slopes.items() if p.shift == t and slope}
            for i in own
        ]
        known = [all(_determined(covariance, p) for p in slopes) for slopes in of]
        flows, grades = covariance.many_with_all(of)
        a_i = columns(flows, grades, part.readings) / part.own_sd
        a_z = columns(flows, grades, part.stocks)
        a_q = columns(flows, grades, part.readings) @ (part.L / part.own_sd[:, None] ** 2)
        s_i = linear.with_readings / part.own_sd
        by_z, q_z = linear.C_inverse @ a_z.T, linear.q_with_stocks
        back_z = linear.C_inverse @ s_i[:n]
        return cls(
            np.array(own, dtype=np.intp), np.array(known, dtype=bool),
            np.vstack([by_z, q_z @ by_z - a_q.T]),
            a_i - by_z.T @ s_i[:n],
            np.vstack([back_z, part.L.T / part.own_sd - s_i[n:] + q_z @ back_z]),
        )  # fmt: skip

    def moved(self, with_shared: Floats, n: int) -> Floats:
        """Return what one sd of each reading does to each of n functions.

        ``with_shared`` is their covariance with what this shift shares, shape (n_shared, n).
        """
        found = with_shared.T @ self.back
        found[self.own] += self.given
        return np.asarray(found)


def _determined(covariance: Covariance, place: Position) -> bool:
    k, j = place
    return bool(covariance.flow_determined[j] if k is None else covariance.grade_determined[k, j])


def condensed_balance(coupled: Coupled) -> CondensedBalance:
    """Balance all shifts together, each by itself.

    Raises
    ------
    NotCondensable
        If a shift has no balance together with the others, or a stock comes to nothing.
    """
    shared, parts = _parts(coupled)
    v, first = first_guess(coupled, shared)
    states = [
        ShiftState.of(p, v[p.index[p.n_stocks :]], v[p.index[: p.n_stocks]],
                      first[p.index[: p.n_stocks]])
        for p in parts
    ]  # fmt: skip
    index, before, near = [p.index for p in parts], np.inf, False
    equations = _equations(states, index, shared)
    for _ in range(_MOST):
        right = [s.linear.curvature @ s.point - s.gradient for s in states]
        v = _no_stock_below(equations.minimum(right, index), v, shared)
        apart = max(
            float(np.max(np.abs(s.point - v[i]) / first[i], initial=0.0))
            for s, i in zip(states, index, strict=True)
        )
        if apart <= _CLOSE or 0.5 * before <= apart <= _ENOUGH:
            last = [
                ShiftState.of(s.part, s.u, s.center, s.linear.sd, sharp=True, last=True)
                for s in states
            ]
            return CondensedBalance(coupled, shared, tuple(last))
        before = apart
        near = near or apart <= _AT
        if apart <= _NEAR and not near:
            states = [s.elsewhere(v[i]) for s, i in zip(states, index, strict=True)]
            continue
        sd = np.clip(_LOOSE * equations.sd, _TIGHT * first, first)
        states = [s.anew(v[i], sd[i], sharp=near) for s, i in zip(states, index, strict=True)]
        equations = _equations(states, index, shared)
    raise NotCondensable(
        "The surveys do not come to one balance.",
        "Take a shorter period to find the survey that does not fit.",
    )


def _no_stock_below(v: Floats, before: Floats, shared: Sequence[_Shared]) -> Floats:
    """Return a step that is cut where a stock would lose too much of what it had."""
    share = 1.0
    for i, key in enumerate(shared):
        if not isinstance(key, Source) and v[i] < _KEPT * before[i]:
            share = min(share, (1.0 - _KEPT) * before[i] / (before[i] - v[i]))
    return np.asarray(before + share * (v - before))


def _parts(coupled: Coupled) -> tuple[tuple[_Shared, ...], list[ShiftPart]]:
    """Return what shifts share, and each shift with what it has of that."""
    shared = list[_Shared]()
    stocks: list[list[tuple[Position, int]]] = [[] for _ in coupled.shifts]
    for number, link in enumerate(coupled.links):
        ends = [_stock_places(coupled.shifts[t], link, opening=t == link.after)
                for t in (link.before, link.after)]  # fmt: skip
        for quantity in link.quantities:
            if all(quantity in end for end in ends):
                for t, end in zip((link.before, link.after), ends, strict=True):
                    stocks[t].append((end[quantity], len(shared)))
                shared.append((number, quantity))
    sources: list[list[tuple[Mapping[tuple[str, str], float], int]]] = [[] for _ in coupled.shifts]
    for key, own in coupled.sources.items():
        for t, s in own:
            adds = {(stream, s.quantity): size for stream, size in s.loadings.items()}
            sources[t].append((adds, len(shared)))
        shared.append(key)
    rows = zip(coupled.shifts, stocks, sources, strict=True)
    return tuple(shared), [_part(*row) for row in rows]


def _part(
    shift: Shift, stocks: Sequence[tuple[Position, int]],
    sources: Sequence[tuple[Mapping[tuple[str, str], float], int]],
) -> ShiftPart:  # fmt: skip
    """Return a shift without its sources in the problem, and what it shares."""
    survey = shift.survey
    own_sd = [survey.own_variance(m) ** 0.5 for m in survey.measurements]
    measurements = tuple(
        replace(m, sd=m.unit.from_base(sd))
        for m, sd in zip(survey.measurements, own_sd, strict=True)
    )
    plain = BalanceModel(shift.circuit, replace(survey, measurements=measurements, shared=()))
    at = plain.positions.readings
    L = [
        [adds.get((m.stream, m.quantity), 0.0) for adds, _ in sources] for m in measurements
    ]  # fmt: skip
    return ShiftPart(
        shift, plain.problem, tuple(place for place, _ in stocks),
        np.array([i for _, i in (*stocks, *sources)], dtype=np.intp),
        tuple(at[m.stream, m.quantity] for m in measurements), np.array(own_sd),
        np.array(L, dtype=float).reshape(len(measurements), len(sources)),
    )  # fmt: skip


def _stock_places(shift: Shift, link: StockLink, *, opening: bool) -> Mapping[str, Position]:
    """Return where each quantity of a stock stands, of those that it can have."""
    stock = shift.stock(link.node, opening=opening)
    if stock is None:
        return {}
    j, model = shift.circuit.stream_names.index(stock.name), shift.model
    found = ((q, model.carriers.place(j, m)) for q, m in model.meanings.items())
    return {q: Position(*place) for q, place in found if place is not None}
