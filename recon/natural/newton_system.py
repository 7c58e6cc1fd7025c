"""The linear system of one interior point step: sparse, symmetric, factored as L D L'.

With H the Hessian of the Lagrangian, S the curvature of the barrier and J the derivative of the
balances::

    [ H + S + d_w    J'  ] [ dy ]
    [ J             -d_c ] [ dl ]

H + S is diagonal in grades and amounts, which are eliminated one by one: every one of them leaves a
small full block on the flows and balances that it touches. The pattern is made once; numbers are
added up by their places. The factor has as many positive pivots as unknowns if and only if the
matrix is positive definite along the balances.

References
----------
R.J. Vanderbei, Symmetric quasidefinite matrices, SIAM Journal on Optimization 5 (1995) 100-113;
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), section 19.3. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.natural.natural_form import NaturalForm, Point, summed_at

__all__ = ["Hessian", "NewtonSystem", "Step"]


_REFINED = 1e-13  # of the right side: a remainder that is small enough
_ROUNDS = 3  # of iterative refinement, at most
_LEAST = 1e-14  # curvature of a cell that has none, in units of its size


@dataclass(frozen=True, eq=False)
class Hessian:
    """What stands on the diagonals besides the measurements.

    Attributes
    ----------
    flow : ndarray, shape (n_flows,)
    low, high : ndarray, shape (n_cells,)
        Of the slacks of the lower and upper bounds of the cells.
    damping : float
        d_w, in units of the sizes.
    whole : bool
        Whether the curvature of the balances counts; False leaves the semidefinite part.
    """

    flow: Floats
    low: Floats
    high: Floats
    damping: float = 0.0
    whole: bool = True


@dataclass(frozen=True, eq=False)
class Step:
    """Change of flows, cells and multipliers."""

    flow: Floats
    cell: Floats
    multiplier: Floats


class NewtonSystem:
    """The system of one form at varying points.

    Parameters
    ----------
    form : NaturalForm
    flow_size, cell_size : ndarray, shape (n_flows,), (n_cells,)
        In units of which damping counts.
    row_size : ndarray, shape (n_rows,)
    dual_damping : float
        d_c, in units of the row sizes.
    """

    def __init__(
        self, form: NaturalForm, flow_size: Floats, cell_size: Floats, row_size: Floats,
        dual_damping: float = 1e-10,
    ) -> None:  # fmt: skip
        self.form = form
        self.flow_size, self.cell_size, self.row_size = flow_size, cell_size, row_size
        self.dual_damping = dual_damping
        self.unknown = np.flatnonzero(~form.known)
        self.n_unknown = self.unknown.size
        self.size = self.n_unknown + form.n_rows
        self._at = np.full(form.n_flows, -1, dtype=np.intp)
        self._at[self.unknown] = np.arange(self.n_unknown)
        self._pattern()
        self._solver: Any = None

    def _pattern(self) -> None:
        form, c, at, first = self.form, self.form.cells, self._at, self.n_unknown
        rows, columns, values = form.linear
        kept = at[columns] >= 0
        self._linear = values[kept]
        graded = np.flatnonzero(~c.link_amount[c.link] & (at[c.link_carrier[c.link]] >= 0))
        self._graded = graded
        pairs = [
            (np.arange(first), np.arange(first)),
            (at[columns[kept]], first + rows[kept]),
            (at[c.link_carrier[c.link[graded]]], first + c.row[graded]),
            (first + np.arange(form.n_rows),) * 2,
            self._of_cells(),
        ]
        i = np.concatenate([np.minimum(a, b) for a, b in pairs])
        j = np.concatenate([np.maximum(a, b) for a, b in pairs])
        place, self._to = np.unique(j * self.size + i, return_inverse=True)
        self._to = self._to.ravel()
        self._n_places = place.size
        columns_of = place // self.size
        ends = np.searchsorted(columns_of, np.arange(self.size + 1))
        self._matrix = sparse.csc_matrix(
            (np.ones(place.size), place % self.size, ends), shape=(self.size, self.size)
        )

    def _of_cells(self) -> tuple[Ints, Ints]:
        """Places that the eliminated cells fill, every two flows or balances that one touches."""
        c, at, first = self.form.cells, self._at, self.n_unknown
        links = np.flatnonzero(at[c.link_carrier] >= 0)
        self._cell_links = links
        key = c.link_cell[c.link] * self.size + first + c.row
        unique, self._entry_to = np.unique(key, return_inverse=True)
        self._entry_to, self._n_entries = self._entry_to.ravel(), unique.size
        cell = np.concatenate([c.link_cell[links], unique // self.size])
        place = np.concatenate([at[c.link_carrier[links]], unique % self.size])
        order = np.argsort(cell, kind="stable")
        self._touch_order, self._touch_cell = order, cell[order]
        self._touch_place = place[order]
        count = np.bincount(cell, minlength=c.amount.size)
        end = np.repeat(np.cumsum(count), count)
        left = end - np.arange(cell.size)  # entries from this one to the last of its cell
        self._pair_one = np.repeat(np.arange(cell.size), left)
        start = np.repeat(np.cumsum(left) - left, left)
        self._pair_other = self._pair_one + np.arange(self._pair_one.size) - start
        self._pair_cell = self._touch_cell[self._pair_one]
        return self._touch_place[self._pair_one], self._touch_place[self._pair_other]

    def factor(self, point: Point, multiplier: Floats, curvature: Hessian) -> bool:
        """Factor the matrix at a point; return whether it has the right number of positive pivots.

        Parameters
        ----------
        point : Point
        multiplier : ndarray, shape (n_rows,)
        curvature : Hessian
        """
        import qdldl

        form, c = self.form, self.form.cells
        damping = curvature.damping
        self.point, self.curvature = point, curvature
        self.multiplier = multiplier if curvature.whole else np.zeros(form.n_rows)
        weight = c.weight + curvature.low + curvature.high
        cell_size, flow_size = self.sizes_at(point)
        self.diagonal = np.maximum(weight + damping / cell_size**2, _LEAST / cell_size**2)
        flow = form.flow_weight + curvature.flow + damping / flow_size**2
        bent = np.where(c.amount, c.lower_finite**2 * curvature.low
                        + c.upper_finite**2 * curvature.high, 0.0)  # fmt: skip
        self.flow_diagonal = flow + summed_at(c.carrier, bent, form.n_flows)
        self.touch = self._touches(point, self.multiplier, curvature)
        filled = -self.touch[self._pair_one] * self.touch[self._pair_other]
        parts = [
            self.flow_diagonal[self.unknown],
            self._linear,
            c.value[self._graded] * point.cell[c.link_cell[c.link[self._graded]]],
            -self.dual_damping * self.row_size**2,
            filled / self.diagonal[self._pair_cell],
        ]
        self._matrix.data[:] = summed_at(self._to, np.concatenate(parts), self._n_places)
        if not np.isfinite(self._matrix.data).all():
            return False
        try:
            if self._solver is None:
                self._solver = qdldl.Solver(self._matrix, upper=True)
            else:
                self._solver.update(self._matrix, upper=True)
        except RuntimeError:  # a pivot that is exactly 0
            self._solver = None
            return False
        pivots = self._solver.factors()[1]
        return int((pivots > 0.0).sum()) == self.n_unknown

    def sizes_at(self, point: Point) -> tuple[Floats, Floats]:
        """Return the sizes of cells and flows, where they have grown those that they have."""
        return (
            np.maximum(self.cell_size, np.abs(point.cell)),
            np.maximum(self.flow_size, np.abs(point.flow)),
        )

    def _touches(self, point: Point, multiplier: Floats, curvature: Hessian) -> Floats:
        """Return the entries of the eliminated columns, in the order of their cells."""
        c, links = self.form.cells, self._cell_links
        cell = c.link_cell[links]
        bent = -c.lower_finite * curvature.low - c.upper_finite * curvature.high
        pull = self.form.pulls(multiplier)[links]
        on_flows = np.where(c.link_amount[links], c.link_bound[links] * bent[cell], pull)
        reach = np.where(c.link_amount, 1.0, point.flow[c.link_carrier])
        on_rows = summed_at(self._entry_to, c.value * reach[c.link], self._n_entries)
        return np.concatenate([on_flows, on_rows])[self._touch_order]

    def _eliminated(self, cell: Floats) -> Floats:
        """Return what the right side of the cells adds to that of flows and balances."""
        part = self.touch * (cell / self.diagonal)[self._touch_cell]
        return summed_at(self._touch_place, part, self.size)

    def solve(self, flow: Floats, cell: Floats, gap: Floats) -> Step:
        """Solve for a right side, refined without the damping of the balances.

        Parameters
        ----------
        flow, cell, gap : ndarray, shape (n_flows,), (n_cells,), (n_rows,)
        """
        flow = np.where(self.form.known, 0.0, flow)
        step = self._once(flow, cell, gap)
        scale = self._size_of(flow, cell, gap)
        last = np.inf
        for _ in range(_ROUNDS):
            rest = self._rest(step, flow, cell, gap)
            size = self._size_of(*rest)
            if size <= _REFINED * scale or not size < 0.5 * last:
                break
            last = size
            more = self._once(*rest)
            step = Step(step.flow + more.flow, step.cell + more.cell,
                        step.multiplier + more.multiplier)  # fmt: skip
        return step

    def _size_of(self, flow: Floats, cell: Floats, gap: Floats) -> float:
        return max(
            float(np.abs(flow * self.flow_size).max(initial=0.0)),
            float(np.abs(cell * self.cell_size).max(initial=0.0)),
            float(np.abs(gap / self.row_size).max(initial=0.0)),
        )

    def _once(self, flow: Floats, cell: Floats, gap: Floats) -> Step:
        right = np.concatenate([flow[self.unknown], gap]) - self._eliminated(cell)
        found = self._solver.solve(right)
        moved = np.zeros(self.form.n_flows)
        moved[self.unknown] = found[: self.n_unknown]
        touched = summed_at(self._touch_cell, self.touch * found[self._touch_place], cell.size)
        return Step(moved, (cell - touched) / self.diagonal, found[self.n_unknown :])

    def _rest(self, step: Step, flow: Floats, cell: Floats, gap: Floats) -> tuple[Floats, ...]:
        """Return what a step leaves of the right side."""
        form, point = self.form, self.point
        by_flow, by_cell = form.through_rows(point, step.multiplier)
        curved_flow, curved_cell = self._curved(step.flow, step.cell)
        rest = flow - by_flow - self.flow_diagonal * step.flow - curved_flow
        return (
            np.where(form.known, 0.0, rest),
            cell - by_cell - self.diagonal * step.cell - curved_cell,
            gap - form.along(point, step.flow, step.cell),
        )

    def _curved(self, flow: Floats, cell: Floats) -> tuple[Floats, Floats]:
        """Return the mixed second derivatives times a step."""
        form, c = self.form, self.form.cells
        pull = form.pulls(self.multiplier)
        bent = -c.lower_finite * self.curvature.low - c.upper_finite * self.curvature.high
        mixed = np.where(c.link_amount, c.link_bound * bent[c.link_cell], pull)
        by_flow = summed_at(c.link_carrier, mixed * cell[c.link_cell], form.n_flows)
        by_cell = summed_at(c.link_cell, mixed * flow[c.link_carrier], c.amount.size)
        return by_flow, by_cell
