"""The inner problem of many analytes and many surveys at once: best grades for given flows.

Arrays end in two axes, analytes and surveys: a lane is one analyte of one survey. Over the
carriers of a lane, with a = B'lam and V = 1/w (0 where a grade is held)::

    C = B diag(F) G    S = C V C'    S lam = C p - c    x = p - V C'lam

p is the measured grade. An unmeasured grade has a wide V and the grade found last as p, which
makes it a method of multipliers: C_U'lam goes to 0 as p settles, and the balances hold at once.

The value of the inner problem as a function of the flows, for analytes k::

    gradient    sum_k a * x
    R = B diag(x) - C V diag(a)
    Hessian     sum_k R'S^-1 R - diag(a) V diag(a)

Pairs (c, d) of carriers of one grade group stand for the products in C V C' and diag(a) V diag(a).

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), section 17.3: method of
multipliers. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import Enum
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.batch.elimination import Elimination
from oretally.recon.batch.lane_grades import Factor, GradeData, HeldGrades, LanePoint
from oretally.recon.numerics import (
    LaneFactor,
    LaneMatrix,
    LanePattern,
    LevelFactor,
    StackFactor,
    dense_if_small,
    lane_pattern,
    level_pattern,
    times_lanes,
)
from oretally.recon.reduction import AnalyteRows

__all__ = ["Lanes", "Layout"]

_WIDE = 1e5  # what an unmeasured grade adds to S, over what the measured ones add: more of it
# makes each pass gain more digits, and rounding cost more
_PASSES = 8  # of unmeasured grades, and of held ones
_SETTLED = 1e-9  # last change of unmeasured grades, which are of the order of 1
_SIGN = 1e-9  # of its terms: a pull below this has no sign
_BOUND = 1e-12  # grades this far outside their bounds are rounding


class Layout(Enum):
    """How the matrices of the lanes are factored: the same numbers, in different order."""

    STACK = "dense matrices: few lanes of few rows"
    TAPE = "row by row: many lanes"
    LEVELS = "level by level: many rows"


class Lanes:
    """Balances that all lanes share, and what follows from them alone.

    Parameters
    ----------
    rows : AnalyteRows
    layout : Layout
        How the matrices of the lanes are factored.
    elimination : Elimination, optional
        Of unmeasured grades: the balances are those that it leaves.
    """

    def __init__(
        self, rows: AnalyteRows, layout: Layout, elimination: Elimination | None = None
    ) -> None:
        self.rows = rows
        self.layout = layout
        self.elimination = elimination
        self.n_rows, self.n_carriers = rows.sparse.shape
        self.n_groups = rows.n_groups
        self.balances = (
            (rows.sparse,)
            if elimination is None
            else tuple(sparse.csr_array(T @ rows.sparse) for T in elimination.steps)
        )
        self.B = self.each(self.balances)
        self.Bt = self.each([B.T.tocsr() for B in self.balances])
        self.size = self.each([abs(B) for B in self.balances])
        self.size_t = self.each([abs(B).T.tocsr() for B in self.balances])
        single = self.n_groups == self.n_carriers
        self.group: Ints | None = None if single else rows.group
        self.G = None if single else sparse.csr_array(rows.G.T)
        self.first, self.second = _pairs(rows.group, rows.n_groups)
        self.pattern, self._to_entries = self._entries()
        self._levels = (
            level_pattern(self.pattern) if layout is Layout.LEVELS and self.pattern else None
        )

    def each(self, matrices: Sequence[Floats | sparse.csr_array]) -> LaneMatrix:
        """Return what is multiplied with lanes: a matrix for all, or one of each analyte."""
        found = tuple(dense_if_small(matrix) for matrix in matrices)
        return found[0] if self.elimination is None else found

    def _entries(self) -> tuple[LanePattern | None, LaneMatrix]:
        """Return the pattern of S, and what turns F_c F_d V of the pairs into its entries."""
        terms = [self._terms(B) for B in self.balances]
        m = self.n_rows
        if self.layout is Layout.STACK:
            return None, self.each([
                sparse.csr_array((value, (i * m + j, pair)), shape=(m * m, self.first.size))
                for i, j, pair, value in terms
            ])  # fmt: skip
        ends = [zip(i.tolist(), j.tolist(), strict=True) for i, j, _, _ in terms]
        pattern = lane_pattern(m, chain(*ends), wide=self.layout is Layout.LEVELS)
        rank, found = np.array(pattern.rank, dtype=np.intp), []
        for i, j, pair, value in terms:
            keep = rank[i] >= rank[j]  # of two equal entries of a symmetric matrix one is stored
            pairs = zip(i[keep].tolist(), j[keep].tolist(), strict=True)
            at = np.array([pattern.at(a, b) for a, b in pairs], dtype=np.intp)
            shape = (pattern.n_entries, self.first.size)
            found.append(sparse.csr_array((value[keep], (at, pair[keep])), shape=shape))
        return pattern, self.each(found)

    def _terms(self, B: Rows) -> tuple[Ints, Ints, Ints, Floats]:
        """Return rows i and j, pair of carriers and factor of each term of S."""
        column = B.tocsc()
        ends = column.indptr
        touched = [
            (column.indices[a:b].tolist(), column.data[a:b].tolist())
            for a, b in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)
        ]
        found = [
            (row, other, p, one * two)
            for p, (c, d) in enumerate(zip(self.first.tolist(), self.second.tolist(), strict=True))
            for row, one in zip(*touched[c], strict=True)
            for other, two in zip(*touched[d], strict=True)
        ]
        i, j, pair, value = zip(*found, strict=True) if found else ((), (), (), ())
        ends = np.array([i, j, pair], dtype=np.intp)
        return ends[0], ends[1], ends[2], np.array(value, dtype=float)

    def on_carriers(self, x: NDArray[Any]) -> NDArray[Any]:
        """Return values of groups, axis 0, for each carrier."""
        return x if self.group is None else x[self.group]

    def on_groups(self, y: Floats) -> Floats:
        """Return sums over groups, shape (n_groups, ...), of values, shape (n_carriers, ...)."""
        return y if self.G is None else times_lanes(self.G, y)

    def balance(self, F: Floats, x: Floats, data: GradeData) -> Floats:
        """Return B diag(F) G x - c, shape (n_rows, n_analytes, n_surveys)."""
        amount = times_lanes(self.B, F * self.on_carriers(x))
        return amount - self._source(data) if data.any_source else amount

    def _source(self, data: GradeData) -> Floats:
        """Return the right-hand side of the balances that are left."""
        if self.elimination is None:
            return data.source
        return times_lanes(self.elimination.steps, data.source)

    def without_eliminated(self, data: GradeData) -> GradeData:
        """Return what was measured with only those grades free that are not eliminated."""
        if self.elimination is None:
            return data
        return replace(data, free=data.free & ~self.elimination.groups[:, :, None])

    def completed(self, data: GradeData, flow: Floats, x: Floats) -> Floats:
        """Return the grades with those that were eliminated, from all balances.

        Flows have shape (n_carriers, n_surveys). What the balances put outside the bounds is left
        there.
        """
        if self.elimination is None:
            return x
        found = x.copy()
        seen = data.weight > 0.0
        typical = (data.target * seen).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        for k, some in enumerate(self.elimination.carriers):
            gone = self.elimination.groups[:, k]
            found[gone, k] = typical[k]
            if not some.size:
                continue
            groups, F = self.rows.group[some], flow[some]
            amount = flow * found[self.rows.group, k]
            gap = self.rows.sparse @ amount - data.source[:, k]
            with np.errstate(invalid="ignore", divide="ignore"):  # a stream that carries nothing
                ends = F * data.lower[groups, k], F * data.upper[groups, k]
                room = np.minimum(*ends), np.maximum(*ends)
                back = self.elimination.completed(k, gap, room, amount[some]) / F
            found[groups, k] = np.where(F != 0.0, back, typical[k])
        return found

    def sum_rows(self, amounts: Floats) -> Floats:
        """Return B y of amounts, shape (n_carriers, n_analytes, n_surveys)."""
        return times_lanes(self.B, amounts)

    def pull(self, lam: Floats) -> Floats:
        """Return a = B'lam, shape (n_carriers, n_analytes, n_surveys)."""
        return times_lanes(self.Bt, lam)

    def factor(self, F: Floats, V: Floats, *, wide: bool = False) -> Factor:
        """Return the factor of C V C' for flows, shape (n_carriers, 1, n_surveys).

        ``wide`` says whether V stands for no measurement anywhere.
        """
        squares = F * F if self.group is None else F[self.first] * F[self.second]
        terms = squares * self.on_carriers(V)[self.first] if self.group is not None else squares * V
        entries = times_lanes(self._to_entries, terms)
        if self.pattern is None:
            return StackFactor(entries, self.n_rows, spread=wide)
        if self._levels is not None:
            return LevelFactor(self._levels, entries)
        return LaneFactor(self.pattern, entries)

    def evaluate(
        self, data: GradeData, flow: Floats, near: LanePoint | None = None, *, passes: int = _PASSES
    ) -> LanePoint:
        """Find the best grades for flows.

        Parameters
        ----------
        data : GradeData
        flow : ndarray, shape (n_carriers, n_surveys)
        near : LanePoint, optional
            A point whose held and unmeasured grades are a first guess.
        passes : int
            At most, of unmeasured grades: few are enough along a way of many steps.
        """
        F = flow[:, None, :]
        wide = near.wide if near is not None else self.wide(data, F)
        V = data.variance if wide is None else data.variance + wide
        centre = (
            self.first_grades(data)
            if near is None or not data.any_free
            else np.where(data.free, near.x, data.target)
        )
        held = near.held if near is not None else None
        for _ in range(_PASSES):
            point = self._with_held(data, F, V, wide, centre, held, passes)
            outside = self._moved(data, point)
            if outside is None:
                return point
            held = outside
        return _unsettled(point)

    def closed(self, data: GradeData, point: LanePoint) -> Floats:
        """Return the grades of a point after one step of refinement of its balances."""
        F = point.flow[:, None, :]
        extra = self.pull(point.factor.solve(self.balance(F, point.x, data)))
        return np.asarray(point.x - point.V * self.on_groups(F * extra))

    def first_grades(self, data: GradeData) -> Floats:
        """Return measured grades; where there is none, the mean of what is measured."""
        if not data.any_free:
            return data.target
        seen = data.weight > 0.0
        count = np.maximum(seen.sum(axis=0), 1)
        return np.where(data.free, (data.target * seen).sum(axis=0) / count, data.target)

    def wide(self, data: GradeData, F: Floats) -> Floats | None:
        """Return the variance of unmeasured grades, so that each outweighs its balances.

        F has shape (n_carriers, 1, n_surveys), the variance (n_groups, n_analytes, n_surveys).
        """
        if not data.any_free:
            return None
        rows = times_lanes(self.size, F * F * self.on_carriers(data.variance))
        typical = np.median(rows, axis=0) if self.n_rows else 1.0
        seen = self.on_groups(times_lanes(self.size_t, np.maximum(rows, typical)))
        carried = self.on_groups(F * F)
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = np.minimum(_WIDE * seen / carried, 1e20)
        return np.where(data.free & (carried > 0.0), variance, 0.0)

    def _with_held(
        self, data: GradeData, F: Floats, V: Floats, wide: Floats | None, p: Floats,
        held: HeldGrades | None, passes: int,
    ) -> LanePoint:  # fmt: skip
        if held is not None:
            V = np.where(held[0] | held[1], 0.0, V)
            p = np.where(held[0], data.lower, np.where(held[1], data.upper, p))
        factor = self.factor(F, V, wide=wide is not None)
        settled = np.ones(F.shape[2], dtype=bool)
        lam = factor.solve(self.balance(F, p, data))
        pull = self.pull(lam)
        x = p - V * self.on_groups(F * pull)
        if wide is not None:
            for _ in range(passes):
                before = x
                # unmeasured grades start from where they came; the measured ones from their target
                p = np.where(data.free & (V > 0.0), before, p)
                lam = factor.solve(self.balance(F, p, data))
                pull = self.pull(lam)
                x = p - V * self.on_groups(F * pull)
                change = np.abs(np.where(data.free, x - before, 0.0)).max(axis=(0, 1))
                settled = change <= _SETTLED
                if settled.all():
                    break
        misfit = x - data.target
        value = 0.5 * np.einsum("gks,gks->s", data.weight * misfit, misfit)
        return LanePoint(
            F[:, 0, :], x, V, wide, lam, pull, value, held, settled,
            factor,
        )  # fmt: skip

    def _moved(self, data: GradeData, point: LanePoint) -> HeldGrades | None:
        """Return the groups to hold instead, or None if bounds and signs agree."""
        x, held = point.x, point.held
        below, above = x < data.lower - _BOUND, x > data.upper + _BOUND
        if held is None and not (below.any() or above.any()):
            return None
        moving = point.V > 0.0
        below, above = below & moving, above & moving
        if held is None:
            return (below, above) if below.any() or above.any() else None
        misfit = data.weight * (x - data.target)
        F = point.flow[:, None, :]
        push = misfit + self.on_groups(F * point.pull)
        # rounding of the sum, judged by its terms
        terms = self.on_groups(np.abs(F) * times_lanes(self.size_t, np.abs(point.lam)))
        size = _SIGN * (np.abs(misfit) + terms)
        pulled, pushed = held[0] & (push < -size), held[1] & (push > size)
        if not any(part.any() for part in (below, above, pulled, pushed)):
            return None
        return (held[0] & ~pulled) | below, (held[1] & ~pushed) | above

    def gradient(self, point: LanePoint) -> Floats:
        """Return the derivative of the value, shape (n_carriers, n_surveys)."""
        return np.asarray(np.einsum("cks,cks->cs", point.pull, self.on_carriers(point.x)))


def _unsettled(point: LanePoint) -> LanePoint:
    return LanePoint(**{**vars(point), "settled": np.zeros_like(point.settled)})


def _pairs(group: Ints, n_groups: int) -> tuple[Ints, Ints]:
    """Return pairs of carriers of one group: each with itself first, then ordered pairs."""
    n = group.size
    first, second = [np.arange(n)], [np.arange(n)]
    if n_groups < n:
        order = np.argsort(group, kind="stable")
        for members in np.split(order, np.cumsum(np.bincount(group, minlength=n_groups))[:-1]):
            if members.size > 1:
                a, b = np.meshgrid(members, members, indexing="ij")
                apart = a != b
                first.append(a[apart])
                second.append(b[apart])
    return np.concatenate(first).astype(np.intp), np.concatenate(second).astype(np.intp)
