"""A balance problem in the variables in which it is nearly linear, with sparse derivatives.

Unknowns are the flows F, the grades x that were measured or that several carriers share, and,
where a grade was not measured and one flow alone has it, the amount m of the analyte in that
flow: so all that is left of products are flows times grades that were measured or are shared::

    minimise    1/2 sum w (F - Fm)^2 + 1/2 sum w (x - xm)^2
    subject to  A F = b
                sum B (F x  or  m  or  F times an exact grade) = c      row by row
                F_part = q F_whole      q the same in streams that are alike, like a grade
                F >= lower,   lower <= x <= upper,   lower F <= m <= upper F

A stream that stops so costs nothing and has no grade. The Hessian of the Lagrangian is diagonal in
x and m, which are eliminated entry by entry; what is left to factor are flows and balances.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.reduction import AnalyteProblem, ReducedProblem
from oretally.recon.solution import same_flow

__all__ = ["Cells", "NaturalForm", "Point", "natural_form", "summed_at"]


def summed_at(place: Ints, values: NDArray[Any], n: int) -> Floats:
    """Return the values added up by their places, shape (n,)."""
    return np.asarray(np.bincount(place, values, n), dtype=float)


@dataclass(frozen=True, eq=False)
class Cells:
    """Unknown grades and amounts, and where they stand.

    Attributes
    ----------
    analyte, group : ndarray of int, shape (n_cells,)
        -1 for a share that streams have in common.
    amount : ndarray of bool, shape (n_cells,)
        Whether the unknown is the amount in a carrier; else it is a grade.
    target, weight, lower, upper : ndarray, shape (n_cells,)
        Of the grade; weight 0 where it was not measured.
    link_cell, link_carrier : ndarray of int, shape (n_links,)
        Each carrier of each cell.
    row, link, value : ndarray, shape (n_entries,)
        Entries of the analyte balances on links.
    """

    analyte: Ints
    group: Ints
    amount: Bools
    target: Floats
    weight: Floats
    lower: Floats
    upper: Floats
    link_cell: Ints
    link_carrier: Ints
    row: Ints
    link: Ints
    value: Floats

    @cached_property
    def carrier(self) -> Ints:
        """A carrier of each cell; all those of an amount have one flow. Shape (n_cells,)."""
        first = np.zeros(self.amount.size, dtype=np.intp)
        first[self.link_cell] = self.link_carrier
        return first

    @cached_property
    def lower_finite(self) -> Floats:
        """The lower bounds, shape (n_cells,); 0 where there is none."""
        return np.where(np.isfinite(self.lower), self.lower, 0.0)

    @cached_property
    def upper_finite(self) -> Floats:
        """The upper bounds, shape (n_cells,); 0 where there is none."""
        return np.where(np.isfinite(self.upper), self.upper, 0.0)

    @cached_property
    def link_amount(self) -> Bools:
        """Whether the cell of each link is an amount, shape (n_links,)."""
        return np.asarray(self.amount[self.link_cell])

    @cached_property
    def link_bound(self) -> Bools:
        """Whether the bounds of an amount are those times the flow of the link."""
        own = self.link_carrier == self.carrier[self.link_cell]
        return np.asarray(self.link_amount & own)


@dataclass(frozen=True, eq=False)
class Point:
    """Flows, shape (n_carriers,), and grades or amounts of the cells, shape (n_cells,)."""

    flow: Floats
    cell: Floats

    def moved(self, length: float, flow: Floats, cell: Floats) -> Point:
        """Return the point some length along a step, of the shapes of the point."""
        return Point(self.flow + length * flow, self.cell + length * cell)


@dataclass(frozen=True, eq=False)
class NaturalForm:
    """The problem, in the units of the reduced one.

    Attributes
    ----------
    n_flows : int
    known : ndarray of bool, shape (n_flows,)
        Flows that are no unknowns: exact, or 0 since all else at a node is.
    flow, flow_weight, flow_lower : ndarray, shape (n_flows,)
        Measured flows (those known: their values), 1/sd^2, bounds.
    linear : tuple of ndarray, shape (n_linear,)
        Rows, columns and values of all entries that are constant: the flow balances, and exact
        grades in the analyte balances.
    right : ndarray, shape (n_rows,)
    cells : Cells
    """

    n_flows: int
    known: Bools
    flow: Floats
    flow_weight: Floats
    flow_lower: Floats
    linear: tuple[Ints, Ints, Floats]
    right: Floats
    cells: Cells

    @property
    def n_rows(self) -> int:
        """Balances, those of parts among them."""
        return self.right.size

    def amounts(self, point: Point) -> Floats:
        """Return the amount of each link, shape (n_links,)."""
        c = self.cells
        own = point.cell[c.link_cell]
        return np.where(c.link_amount, own, point.flow[c.link_carrier] * own)

    def shares(self, flow: Floats) -> Floats:
        """Return the shares, shape (n_cells,), of parts in all of streams that are alike.

        ``flow`` has shape (n_flows,).
        """
        rows, columns, _ = self.linear
        c = self.cells
        part_of = np.zeros(self.n_rows, dtype=np.intp)
        part_of[rows] = columns  # the only entry of such a row
        cell = c.link_cell[c.link]
        parts = summed_at(cell, flow[part_of[c.row]], c.amount.size)
        wholes = summed_at(cell, flow[c.link_carrier[c.link]], c.amount.size)
        return np.where(wholes > 0.0, parts / np.where(wholes > 0.0, wholes, 1.0), 1.0)

    def residual(self, point: Point) -> Floats:
        """Return by how much the balances are open, shape (n_rows,)."""
        rows, columns, values = self.linear
        c, F = self.cells, point.flow
        gap = summed_at(rows, values * F[columns], self.n_rows)
        gap += summed_at(c.row, c.value * self.amounts(point)[c.link], self.n_rows)
        gap -= self.right
        return gap

    def passing(self, point: Point) -> Floats:
        """Return the sum of all that enters and leaves in each balance, shape (n_rows,)."""
        rows, columns, values = self.linear
        c, F = self.cells, np.abs(point.flow)
        size = summed_at(rows, np.abs(values) * F[columns], self.n_rows)
        size += summed_at(c.row, np.abs(c.value) * np.abs(self.amounts(point))[c.link], self.n_rows)
        return size + np.abs(self.right)

    def objective(self, point: Point) -> float:
        """Return half the sum of squares, up to what does not depend on the unknowns."""
        c = self.cells
        flows = self.flow_weight @ (point.flow - self.flow) ** 2
        return 0.5 * float(flows + c.weight @ (point.cell - c.target) ** 2)

    def gradient(self, point: Point) -> tuple[Floats, Floats]:
        """Return the slopes of the objective, shapes (n_flows,) and (n_cells,)."""
        c = self.cells
        return self.flow_weight * (point.flow - self.flow), c.weight * (point.cell - c.target)

    def pulls(self, multiplier: Floats) -> Floats:
        """Return the multipliers, shape (n_rows,), gathered on the links, shape (n_links,)."""
        c = self.cells
        return summed_at(c.link, c.value * multiplier[c.row], c.link_cell.size)

    def through_rows(self, point: Point, multiplier: Floats) -> tuple[Floats, Floats]:
        """Return the transposed derivative of the balances times multipliers: by flows, cells.

        Multipliers have shape (n_rows,), the two returned (n_flows,) and (n_cells,).
        """
        rows, columns, values = self.linear
        c, n = self.cells, self.n_flows
        pull = self.pulls(multiplier)
        by_flow = summed_at(columns, values * multiplier[rows], n)
        grade = np.where(c.link_amount, 0.0, point.cell[c.link_cell])
        by_flow += summed_at(c.link_carrier, pull * grade, n)
        reach = np.where(c.link_amount, 1.0, point.flow[c.link_carrier])
        by_cell = summed_at(c.link_cell, pull * reach, c.amount.size)
        return by_flow, by_cell

    def along(self, point: Point, flow: Floats, cell: Floats) -> Floats:
        """Return the derivative of the balances along a step, shape (n_rows,)."""
        rows, columns, values = self.linear
        c = self.cells
        change = summed_at(rows, values * flow[columns], self.n_rows)
        own, moved = point.cell[c.link_cell], cell[c.link_cell]
        amount = np.where(
            c.link_amount, moved,
            flow[c.link_carrier] * own + point.flow[c.link_carrier] * moved,
        )  # fmt: skip
        change += summed_at(c.row, c.value * amount[c.link], self.n_rows)
        return change


def natural_form(problem: BalanceProblem, reduced: ReducedProblem) -> NaturalForm:
    """Write a balance problem in its natural variables.

    Parameters
    ----------
    problem : BalanceProblem
    reduced : ReducedProblem
        Of the same problem, without its proportions.
    """
    n, basis = problem.n_carriers, reduced.basis
    known, flow = _known(problem, reduced)
    same = same_flow(reduced.basis.A, reduced.basis.b)
    A = basis.A[basis.rows].tocoo()
    rows, columns = [A.row.astype(np.intp)], [A.col.astype(np.intp)]
    values, right = [A.data], [basis.b[basis.rows]]
    first = right[0].size
    parts: list[Cells] = []
    links = n_cells = 0
    for k, analyte in enumerate(reduced.analytes):
        part, fixed = _cells(analyte, k, known & (flow == 0.0), reduced.flow_lower, same)
        rows.append(first + fixed[0])
        columns.append(fixed[1])
        values.append(fixed[2])
        right.append(analyte.source)
        parts.append(_shifted(part, n_cells, links, first))
        links += part.link_cell.size
        n_cells += part.amount.size
        first += analyte.source.size
    if len(problem.proportion):
        own, whole, share = problem.shares
        rows.append(first + np.arange(own.size))
        columns.append(own)
        values.append(-np.ones(own.size))
        right.append(np.zeros(own.size))
        shared = _of_shares(own, whole, share, known & (flow == 0.0))
        parts.append(_shifted(shared, n_cells, links, first))
    cells = Cells(*(
        np.concatenate([getattr(p, name) for p in parts]) if parts else np.zeros(0, dtype=kind)
        for name, kind in (
            ("analyte", np.intp), ("group", np.intp), ("amount", bool), ("target", float),
            ("weight", float), ("lower", float), ("upper", float), ("link_cell", np.intp),
            ("link_carrier", np.intp), ("row", np.intp), ("link", np.intp), ("value", float))
    ))  # fmt: skip
    return NaturalForm(
        n_flows=n,
        known=known,
        flow=np.where(known, flow, reduced.flow),
        flow_weight=np.where(known, 0.0, reduced.flow_weight),
        flow_lower=reduced.flow_lower,
        linear=(
            np.concatenate(rows).astype(np.intp),
            np.concatenate(columns).astype(np.intp),
            np.concatenate(values).astype(float),
        ),
        right=np.concatenate(right),
        cells=cells,
    )


def _known(problem: BalanceProblem, reduced: ReducedProblem) -> tuple[Bools, Floats]:
    """Return which flows are exact, or 0 since nothing else may enter or leave; and their values.

    Such flows have no inside between their bounds.
    """
    known = np.isfinite(problem.flow) & (problem.flow_sd == 0.0)
    flow = np.where(known, reduced.flow, 0.0)
    A, b = reduced.basis.A, reduced.basis.b
    ends = A.indptr
    least = reduced.flow_lower == 0.0
    changed = bool((known & (flow == 0.0)).any())
    while changed:
        changed = False
        for r in np.flatnonzero(b == 0.0):
            at = A.indices[ends[r] : ends[r + 1]]
            value = A.data[ends[r] : ends[r + 1]]
            open_ = ~(known[at] & (flow[at] == 0.0))
            rest = at[open_]
            sides = np.sign(value[open_])
            if rest.size and least[rest].all() and abs(sides.sum()) == sides.size:
                if known[rest].any():  # contradicts: left to the balances to show
                    continue
                known[rest] = True
                changed = True
    return known, flow


def _cells(
    a: AnalyteProblem, k: int, still: Bools, flow_lower: Floats, same: Ints
) -> tuple[Cells, tuple[Ints, Ints, Floats]]:
    """Return the cells of one analyte, and its entries with exact grades."""
    B = a.rows.sparse.tocoo()
    row, j, value = B.row.astype(np.intp), B.col.astype(np.intp), B.data
    group = a.group[j]
    exact = a.fixed[group]
    moving = ~exact & ~still[j]
    fixed = row[exact], j[exact], value[exact] * a.target[group[exact]]
    row, j, value = row[moving], j[moving], value[moving]
    link_carrier, link = np.unique(j, return_inverse=True)
    groups, link_cell = np.unique(a.group[link_carrier], return_inverse=True)
    link_cell = link_cell.ravel()
    first = np.zeros(groups.size, dtype=np.intp)
    first[link_cell] = link_carrier
    apart = same[link_carrier] != same[first[link_cell]]
    alone = summed_at(link_cell, apart, groups.size) == 0.0
    amount = alone & (a.weight[groups] == 0.0) & (flow_lower[first] >= 0.0)
    cells = Cells(
        analyte=np.full(groups.size, k, dtype=np.intp), group=groups.astype(np.intp),
        amount=amount, target=a.target[groups], weight=a.weight[groups],
        lower=a.lower[groups], upper=a.upper[groups],
        link_cell=link_cell.astype(np.intp), link_carrier=link_carrier.astype(np.intp),
        row=row, link=link.ravel().astype(np.intp), value=value,
    )  # fmt: skip
    return cells, fixed


def _of_shares(part: Ints, whole: Ints, share: Ints, still: Bools) -> Cells:
    """Return the cells of shares that streams have in common; row i is that of part i."""
    n = int(share.max()) + 1
    at = np.flatnonzero(~still[whole])
    return Cells(
        analyte=np.full(n, -1, dtype=np.intp), group=np.arange(n), amount=np.zeros(n, dtype=bool),
        target=np.zeros(n), weight=np.zeros(n), lower=np.zeros(n), upper=np.full(n, np.inf),
        link_cell=share[at], link_carrier=whole[at], row=at, link=np.arange(at.size),
        value=np.ones(at.size),
    )  # fmt: skip


def _shifted(part: Cells, cells: int, links: int, rows: int) -> Cells:
    """Return cells with their numbers counted on."""
    return Cells(
        part.analyte, part.group, part.amount, part.target, part.weight, part.lower, part.upper,
        part.link_cell + cells, part.link_carrier, part.row + rows, part.link + links, part.value,
    )  # fmt: skip
