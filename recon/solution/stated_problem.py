"""A balance problem as it is stated, at one point: unknowns, products, bounds, sizes.

Nothing is reduced: unknowns are all flows, the grades by analyte and tie, the shares that streams
alike have in common, and, where a stream stands still whose grade nobody assayed, the amounts that
it would begin with. Every balance is a sum of unknowns and of products of two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from oretally.flowsheet import BalanceProblem, Rows
from oretally.flowsheet.arrays import Bools, Floats, Ints

__all__ = ["StatedProblem", "same_flow", "stated_at"]


_LEAST = 1e-4  # size of a value of 0, as a share of the largest of its kind: what it could be


@dataclass(frozen=True, eq=False)
class StatedProblem:
    """Unknowns y at a point, and all that is asked of them.

    Attributes
    ----------
    y : ndarray, shape (n,)
        Flows first.
    unknown : ndarray of bool, shape (n,)
        False where a value is exact or takes part in nothing.
    weight, gradient : ndarray, shape (n,)
        Of half the sum of squares: second and first derivatives.
    below, above : ndarray, shape (n,)
        Distances to the lower and upper bounds.
    size : ndarray, shape (n,)
        In which a change counts.
    linear : tuple of ndarray, shape (n_linear,)
        Rows, columns and coefficients of the terms c y_i.
    products : tuple of ndarray, shape (n_products,)
        Rows, first and second columns and coefficients of the terms c y_i y_j.
    n_rows : int
    objective : float
    """

    y: Floats
    unknown: Bools
    weight: Floats
    gradient: Floats
    below: Floats
    above: Floats
    size: Floats
    linear: tuple[Ints, Ints, Floats]
    products: tuple[Ints, Ints, Ints, Floats]
    n_rows: int
    objective: float

    @cached_property
    def row_size(self) -> Floats:
        """What passes in each balance, or would pass; shape (n_rows,)."""
        row, column, value = self._entries
        most = np.zeros(self.n_rows)
        np.maximum.at(most, row, np.abs(value) * self.size[column])
        return np.where(most > 0.0, most, 1.0)

    @cached_property
    def jacobian(self) -> sparse.csc_array:
        """Derivatives of the balances, scaled by rows and sizes, shape (n_rows, n)."""
        row, column, value = self._entries
        scaled = value * self.size[column] / self.row_size[row]
        return sparse.csc_array((scaled, (row, column)), shape=(self.n_rows, self.y.size))

    @property
    def _entries(self) -> tuple[Ints, Ints, Floats]:
        row, i, j, value = self.products
        return (
            np.concatenate([self.linear[0], row, row]),
            np.concatenate([self.linear[1], i, j]),
            np.concatenate([self.linear[2], value * self.y[j], value * self.y[i]]),
        )

    @cached_property
    def curvature_ends(self) -> tuple[Ints, Ints]:
        """Where second derivatives of the balances are: rows, and columns not before them."""
        _, i, j, _ = self.products
        return np.minimum(i, j), np.maximum(i, j)

    def curvature(self, multiplier: Floats) -> Floats:
        """Return the second derivatives of the balances times multipliers, scaled, at their ends.

        Multipliers have shape (n_rows,), the derivatives (n_products,).
        """
        row, i, j, value = self.products
        return value * (multiplier / self.row_size)[row] * self.size[i] * self.size[j]


def stated_at(problem: BalanceProblem, flow: Floats, grade: Floats) -> StatedProblem:
    """Write a problem at a point.

    Parameters
    ----------
    problem : BalanceProblem
    flow : ndarray, shape (n_carriers,)
    grade : ndarray, shape (n_analytes, n_carriers)
        NaN for a stream that carries nothing: it then has the grade of those tied to it that run,
        or what fits its assays best.
    """
    n = problem.n_carriers
    label = np.unique(problem.tie, return_inverse=True)[1].ravel()
    g = _Grades.of(problem, label, grade)
    part, whole, share = _parts(problem)
    q = _common_shares(part, whole, share, flow)
    start = _Starts.of(problem, g, label)
    last = n + g.value.size
    first_amount = last + q.size
    y = np.concatenate([flow, g.value.ravel(), q, np.zeros(2 * start.stream.size)])

    seen = problem.flow_sd > 0.0
    sd = np.where(seen, problem.flow_sd, 1.0)
    rest = q.size + 2 * start.stream.size
    weight = np.concatenate([np.where(seen, sd**-2.0, 0.0), g.weight.ravel(), np.zeros(rest)])
    pull = np.where(seen, (flow - np.nan_to_num(problem.flow)) / sd**2, 0.0)
    slope = np.concatenate([pull, (g.weight * g.value - g.level).ravel(), np.zeros(rest)])
    free = np.concatenate([
        problem.flow_sd != 0.0, (~g.exact & ~g.open).ravel(), np.ones(rest, dtype=bool),
    ])  # fmt: skip
    with np.errstate(invalid="ignore"):
        below = np.concatenate([
            flow - problem.flow_lower, (g.value - g.lower).ravel(), q,
            np.zeros(2 * start.stream.size),
        ])  # fmt: skip
        above = np.concatenate([
            np.full(n, np.inf), (g.upper - g.value).ravel(), np.full(rest, np.inf),
        ])  # fmt: skip
    size = _sizes(flow, np.where(seen, sd, 0.0), g, q, start)

    rows, columns, values = _of(problem.flow_balance, 0)
    linear = [(rows, columns, values)]
    products: list[tuple[Ints, Ints, Ints, Floats]] = []
    first = problem.flow_balance.shape[0]
    n_labels = g.value.shape[1]
    amount_of = np.full((problem.n_analytes, n), -1, dtype=np.intp)
    amount_of[start.analyte, start.flow_label] = first_amount + np.arange(start.stream.size)
    for B, analytes in problem.alike:
        r, j, v = _of(B, 0)
        for k in analytes:
            opens = amount_of[k, start.same[j]]
            fixed = (opens >= 0) & g.open[k, label[j]]
            products.append((first + r[~fixed], j[~fixed], n + k * n_labels + label[j[~fixed]],
                             v[~fixed]))  # fmt: skip
            if fixed.any():
                linear.append((first + r[fixed], opens[fixed], v[fixed]))
                least = g.lower[k, label[j[fixed]]]
                linear.append((first + r[fixed], j[fixed], v[fixed] * least))
            first += B.shape[0]
    if part.size:
        at = first + np.arange(part.size)
        linear.append((at, part, -np.ones(part.size)))
        products.append((at, whole, last + share, np.ones(part.size)))
        first += part.size
    if start.stream.size:  # amount + what is left to the upper bound = width * flow
        m = start.stream.size
        at = first + np.arange(m)
        linear += [
            (at, first_amount + np.arange(m), np.ones(m)),
            (at, first_amount + m + np.arange(m), np.ones(m)),
            (at, start.stream, -start.width),
        ]
        first += m
    return StatedProblem(
        y=y, unknown=free, weight=weight, gradient=slope,
        below=np.where(np.isnan(below), np.inf, below),
        above=np.where(np.isnan(above), np.inf, above), size=size,
        linear=_linear(linear), products=_products(products), n_rows=first,
        objective=_objective(problem, flow, g.value[:, label]),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Grades:
    """Grades by analyte and tie, shape (n_analytes, n_ties) all."""

    value: Floats
    weight: Floats
    level: Floats  # sum of w times the assays
    lower: Floats
    upper: Floats
    exact: Bools
    open: Bools  # nothing of it runs, and nobody assayed it

    @classmethod
    def of(cls, problem: BalanceProblem, label: Ints, grade: Floats) -> _Grades:
        K, n = problem.n_analytes, int(label.max(initial=-1)) + 1
        at = np.arange(K)[:, None] * n + label
        soft = problem.grade_sd > 0.0
        w = np.where(soft, np.where(soft, problem.grade_sd, 1.0) ** -2.0, 0.0)
        weight = np.bincount(at.ravel(), w.ravel(), K * n)
        level = np.bincount(at.ravel(), (w * np.nan_to_num(problem.grade)).ravel(), K * n)
        lower, upper = np.full(K * n, -np.inf), np.full(K * n, np.inf)
        np.maximum.at(lower, at.ravel(), problem.grade_lower.ravel())
        np.minimum.at(upper, at.ravel(), problem.grade_upper.ravel())
        value = np.full(K * n, np.nan)
        runs = np.isfinite(grade)
        value[at[runs]] = grade[runs]
        assayed = weight > 0.0
        mean = np.clip(level / np.where(assayed, weight, 1.0), lower, upper)
        opens = np.isnan(value) & ~assayed
        value = np.where(np.isnan(value), np.where(assayed, mean, 0.0), value)
        given = problem.grade_sd == 0.0
        exact = np.zeros(K * n, dtype=bool)
        exact[at[given]] = True
        value[at[given]] = problem.grade[given]
        shape = (K, n)
        return cls(
            value.reshape(shape), np.asarray(weight, dtype=float).reshape(shape),
            np.asarray(level, dtype=float).reshape(shape), lower.reshape(shape),
            upper.reshape(shape), exact.reshape(shape), (opens & ~exact).reshape(shape),
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Starts:
    """Amounts of an analyte that stopped streams of unknown grade would begin with.

    One for all that have one flow. Streams tied to each other that have flows of their own may
    begin with grades of their own here: at a standstill no derivative can tell them to be alike.
    """

    same: Ints  # label of each carrier's flow
    analyte: Ints
    flow_label: Ints
    label: Ints
    stream: Ints
    width: Floats  # of the bounds of the grade

    @classmethod
    def of(cls, problem: BalanceProblem, g: _Grades, label: Ints) -> _Starts:
        same = same_flow(problem.flow_balance, problem.flow_source)
        with np.errstate(invalid="ignore"):
            width = (g.upper - g.lower)[:, label]
        k, j = np.nonzero(g.open[:, label] & np.isfinite(width))
        kept = np.unique(k * label.size + same[j], return_index=True)[1]
        k, j = k[kept], j[kept]
        return cls(same, k, same[j], label[j], j, width[k, j])


def same_flow(A: Rows, b: Floats) -> Ints:
    """Return a label for each carrier; those of one label have one flow: what enters leaves.

    A F = b has shape (n_rows, n_carriers) (n_carriers,) = (n_rows,); labels (n_carriers,).
    """
    two = np.flatnonzero((np.diff(A.indptr) == 2) & (b == 0.0))
    first = A.indptr[two]
    through = first[A.data[first] == -A.data[first + 1]]
    graph = sparse.coo_array(
        (np.ones(through.size), (A.indices[through], A.indices[through + 1])),
        shape=(A.shape[1],) * 2,
    )
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.intp)


def _sizes(flow: Floats, sd: Floats, g: _Grades, q: Floats, start: _Starts) -> Floats:
    """Return in what a change of each unknown counts: what it is, or its sd if that is more."""
    largest = max(float(np.abs(flow).max(initial=0.0)), 1e-300)
    flows = np.maximum(np.abs(flow), np.minimum(sd, largest))
    flows = np.where(flows > 0.0, flows, _LEAST * largest)
    own = np.where(g.weight > 0.0, np.where(g.weight > 0.0, g.weight, 1.0) ** -0.5, 0.0)
    top = np.abs(g.value).max(axis=1, initial=0.0)[:, None]
    grades = np.maximum(np.abs(g.value), np.minimum(own, np.where(top > 0.0, top, own)))
    grades = np.maximum(grades, np.where(top > 0.0, _LEAST * top, 1.0))
    amounts = np.maximum(top[start.analyte, 0], 1e-300) * flows[start.stream]
    return np.concatenate([flows, grades.ravel(), np.where(q > 0.0, q, _LEAST), amounts, amounts])


def _of(B: Rows, first: int) -> tuple[Ints, Ints, Floats]:
    entries = B.tocoo()
    return first + entries.row.astype(np.intp), entries.col.astype(np.intp), entries.data


def _parts(problem: BalanceProblem) -> tuple[Ints, Ints, Ints]:
    if len(problem.proportion):
        return problem.shares
    none = np.zeros(0, dtype=np.intp)
    return none, none, none


def _common_shares(part: Ints, whole: Ints, share: Ints, flow: Floats) -> Floats:
    n = int(share.max(initial=-1)) + 1
    bottom = np.bincount(share, flow[whole], n)
    return np.bincount(share, flow[part], n) / np.where(bottom > 0.0, bottom, 1.0)


def _linear(parts: list[tuple[Ints, Ints, Floats]]) -> tuple[Ints, Ints, Floats]:
    row, column, value = (np.concatenate(each) for each in zip(*parts, strict=True))
    return row, column, value


def _products(
    parts: list[tuple[Ints, Ints, Ints, Floats]],
) -> tuple[Ints, Ints, Ints, Floats]:
    none = np.zeros(0, dtype=np.intp)
    row, i, j, value = (
        np.concatenate(each) for each in zip((none, none, none, np.zeros(0)), *parts, strict=True)
    )
    return row, i, j, value


def _objective(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    soft, assayed = problem.flow_sd > 0.0, problem.grade_sd > 0.0
    flows = (flow[soft] - problem.flow[soft]) / problem.flow_sd[soft]
    grades = (grade[assayed] - problem.grade[assayed]) / problem.grade_sd[assayed]
    return float(np.sum(flows**2) + np.sum(grades**2))
