"""What an error in one measurement, or a loss at one node, leaves in all the balances.

The balances, linearised at a balanced point and freed of all that was not measured, are as many
independent checks as there are degrees of freedom. An error of unit size in measurement i shifts
them, each in units of its own standard deviation, by a vector q_i: its signature. All statistics
follow from the inner products P_ij = q_i'q_j and r_i = q_i't, t being the checks as they are::

    redundancy number P_ii         standardised adjustment r_i / sqrt(P_ii)
    drop of the objective if i is left out: r_i^2 / P_ii; a set T: r_T' P_TT^-1 r_T
    estimated error r_i / P_ii, its sd 1 / sqrt(P_ii)

For measurements P is the identity minus Cov(adjusted) in units of the stated errors, r the
adjustments in those units with the sign turned. A loss at a node has a signature like any error.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 7
(measurement test, generalised likelihood ratio for biases and leaks). W. Baarda, A testing
procedure for use in geodetic networks (1968). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.linalg
from scipy import sparse

from oretally.flowsheet import BalanceProblem, Position, Rows
from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.numerics import SemidefiniteFactor, left_null_space, one_thread
from oretally.recon.propagation import SEEN
from oretally.recon.reduction import AnalyteProblem, Classes, ReducedProblem
from oretally.recon.signatures.inner_products import InnerProducts
from oretally.recon.solution import Solution
from oretally.recon.solver import seen_root

__all__ = ["Signatures", "only_pushed", "signatures_at", "signatures_of"]

_DENSE = 150  # carriers, up to which dense matrices are quicker than sparse ones
LOSS_UNIT = 0.01  # of what passes a node: the unit in which its loss is counted


@dataclass(frozen=True, eq=False)
class Signatures:
    """Inner products of the signatures of all errors that are looked for.

    Attributes
    ----------
    readings : tuple of Position
        Measurements, the first rows of the arrays.
    nodes : tuple of int
        Flow balances at which a loss is looked for, the rows after them.
    unit : ndarray, shape (n,)
        Size of one unit of each error, in the units of the balance problem: the stated error of a
        measurement, for a loss one percent of what passes the node.
    products : InnerProducts
        Of the signatures, each of unit size.
    r : ndarray, shape (n,)
        Inner products of the signatures with the checks as they are.
    """

    readings: tuple[Position, ...]
    nodes: tuple[int, ...]
    unit: Floats
    products: InnerProducts
    r: Floats

    @cached_property
    def P(self) -> Floats:
        """All inner products of the signatures, shape (n, n); of a large survey take parts."""
        return self.products.dense()

    @cached_property
    def redundancy(self) -> Floats:
        """Diagonal of P, shape (n,): redundancy numbers of measurements; of any size for a loss."""
        return np.asarray(np.maximum(self.products.diagonal, 0.0))

    @cached_property
    def size(self) -> Floats:
        """Lengths of the signatures, shape (n,); infinite for errors that leave none."""
        return np.where(self.seen, np.sqrt(np.maximum(self.redundancy, SEEN)), np.inf)

    @cached_property
    def correlation(self) -> Floats:
        """Correlations of the signatures, shape (n, n); 0 for those that leave none."""
        return np.asarray(self.P / self.size[:, None] / self.size)

    @cached_property
    def seen(self) -> Bools:
        """Errors that leave a signature at all, shape (n,)."""
        return self.redundancy > SEEN

    @cached_property
    def statistic(self) -> Floats:
        """Standardised: r / sqrt(P_ii), shape (n,), about N(0, 1) if all is well; 0 without one."""
        size = np.where(self.seen, self.redundancy, 1.0)
        return np.where(self.seen, self.r / np.sqrt(size), 0.0)

    def of(self, readings: Sequence[Position], nodes: Sequence[int], rows: Ints) -> Signatures:
        """Return some of them in another order, those of each column together, under other names.

        ``rows``, shape (n,), are theirs, measurements first.
        """
        return Signatures(
            tuple(readings), tuple(nodes), self.unit[rows], self.products.of(rows), self.r[rows]
        )

    def without(self, chosen: Sequence[int]) -> tuple[InnerProducts, Floats]:
        """Return P and r as they become when the chosen errors are allowed any size."""
        return self.products.without(chosen, self.r) if len(chosen) else (self.products, self.r)


def signatures_of(
    problem: BalanceProblem, solution: Solution, n_nodes: int | None = None
) -> Signatures:
    """Return the signatures at the solution of the problem itself."""
    point = only_pushed(solution)
    return signatures_at(
        problem, solution.reduced, point, classes=solution.classes, n_nodes=n_nodes
    )


def only_pushed(solution: Solution) -> Solution:
    """Return a solution with only those grades at a bound that it pushes.

    A grade that nothing determines may come to lie on its bound; a constraint it is none.
    """
    if not solution.grade_at_bound.any():
        return solution
    held = [(g.at_lower | g.at_upper)[g.problem.group] for g in solution.grades]
    return replace(solution, grade_at_bound=solution.grade_at_bound & np.array(held))


def signatures_at(
    problem: BalanceProblem,
    reduced: ReducedProblem,
    point: Solution,
    *,
    classes: Classes,
    n_nodes: int | None = None,
) -> Signatures:
    """Return the signatures with the balances linearised at a balanced point.

    Parameters
    ----------
    problem : BalanceProblem
        Its measurements are the ones looked at.
    reduced : ReducedProblem
        The same problem after presolve.
    point : Solution
        Flows and grades in balance; those of another problem on the same circuit will do, such as
        the same without a measurement that spoils the solution. Values at a bound stay there.
    classes : Classes
        What is known of each value in ``problem``.
    n_nodes : int, optional
        Balances of nodes, at which a loss may be: the first ones of the flows and of each analyte.
        By default all, if the analytes have the same.
    """
    with one_thread():
        return _Linear(problem, reduced, point, classes, n_nodes).signatures()


class _Linear:
    """The balances linearised; everything scaled as in the reduced problem."""

    def __init__(
        self, problem: BalanceProblem, reduced: ReducedProblem, point: Solution, classes: Classes,
        n_nodes: int | None,
    ) -> None:  # fmt: skip
        self.classes = classes
        alike = all(B is problem.flow_balance for B in problem.analyte_balance)
        every = problem.flow_balance.shape[0] if alike else 0
        self.n_nodes = every if n_nodes is None else n_nodes
        self.problem, self.reduced, self.point = problem, reduced, point
        # with a loss in the point its flows do not balance without it
        self.flow = reduced.basis.closed(point.flow / reduced.flow_scale)
        Z = reduced.basis.Z
        held = Z[point.flow_at_bound]
        if len(held):
            Z = Z @ scipy.linalg.null_space(held, rcond=1e-12)
        self.Z = Z
        entering = np.maximum(problem.flow_balance.toarray()[: self.n_nodes], 0.0)
        self.nodes, self.through, self.loss = self._losses(held, entering)
        self.flows = np.flatnonzero(reduced.flow_measured)
        into = entering[self.nodes] * self.flow
        into[self.through == 0.0] = 0.0
        self.inner = [
            _Inner(self, k, a, point.grade[k], point.grade_at_bound[k], into)
            for k, a in enumerate(reduced.analytes)
        ]

    def _losses(self, held: Floats, entering: Floats) -> tuple[Ints, Floats, Floats]:
        """Return nodes at which a loss can be looked for, what passes each, flows that make it.

        The flows, one column a node, answer a loss of one percent of what passes the node.
        ``entering`` has 1 for each stream that enters a node, shape (n_nodes, n_carriers).
        """
        basis = self.reduced.basis
        if (self.problem.grade_sd == 0.0).any():
            none = np.zeros(0, dtype=np.intp)
            return none, np.zeros(0), np.zeros((entering.shape[1], 0))
        through = entering @ self.flow
        right = np.eye(basis.A.shape[0])[:, : len(entering)]
        answer = basis.response(right)
        if len(held):
            stays = answer[self.point.flow_at_bound]
            answer = answer - basis.Z @ np.linalg.lstsq(held, stays, rcond=1e-12)[0]
        closes = np.abs(basis.A @ answer - right).max(axis=0, initial=0.0) < 1e-9
        closes &= np.abs(answer[self.point.flow_at_bound]).max(axis=0, initial=0.0) < 1e-9
        # a loss of unknown grades leaves no signature that could be known
        unknown = (~self.classes.grade_determined).any(axis=0).astype(float)
        nodes = np.flatnonzero(entering @ unknown == 0.0)
        through = np.where(closes, through, 0.0)[nodes]
        return nodes, through, answer[:, nodes] * (LOSS_UNIT * through)

    def signatures(self) -> Signatures:
        """Return the inner products, block by block: flows, each analyte's grades, losses."""
        reduced, n_losses = self.reduced, self.nodes.size
        root_w = np.sqrt(reduced.flow_weight[self.flows])
        gap = root_w * (reduced.flow - self.flow)[self.flows]
        flows, losses = (
            root_w[:, None] * self.Z[self.flows],
            root_w[:, None] * self.loss[self.flows],
        )
        sizes = [self.flows.size, *(len(p.carriers) for p in self.inner), n_losses]
        n, last = sum(sizes), slice(sum(sizes[:-1]), sum(sizes))
        # K: what the free flows explain of each signature; H: their curvature; pull: of the checks
        r, K, border = np.zeros(n), np.zeros((n, self.Z.shape[1])), np.zeros((n, n_losses))
        H, pull = flows.T @ flows, -flows.T @ gap
        rows = slice(0, self.flows.size)
        border[rows], border[last] = losses, losses.T @ losses
        r[rows], r[last] = gap, losses.T @ gap
        K[rows], K[last] = -flows, -losses.T @ flows
        for part in self.inner:
            H += part.EZ.T @ part.of_flows
            pull += part.EZ.T @ part.lam
            rows = slice(rows.stop, rows.stop + len(part.carriers))
            border[rows] = np.asarray(part.readings @ part.of_losses)
            border[last] += part.losses.T @ part.of_losses
            r[rows] = part.outside + np.asarray(part.readings @ part.lam)
            r[last] += part.losses.T @ part.lam
            K[rows] = np.asarray(part.readings @ part.of_flows)
            K[last] += part.of_losses.T @ part.EZ
        root = seen_root(H, self.classes.unobservable_flows)
        K = K @ root
        blocks = (np.eye(self.flows.size), *(p.block for p in self.inner))
        places = [Position(None, int(j)) for j in self.flows]
        places += [Position(k, int(j)) for k, p in enumerate(self.inner) for j in p.carriers]
        unit = [
            self.problem.flow_sd[self.flows],
            *(self.problem.grade_sd[k, p.carriers] for k, p in enumerate(self.inner)),
            LOSS_UNIT * self.through * reduced.flow_scale,
        ]
        nodes = tuple(self.nodes.tolist())
        return Signatures(
            tuple(places), nodes, np.concatenate(unit), InnerProducts(blocks, border, K),
            r - K @ (root.T @ pull),
        )  # fmt: skip


class _Inner:
    """One analyte: its reduced balances, and what each of its measurements does to them.

    Measurements of one grade group share a column: with c the weights of the group's mean, the
    signature of member i has the part c_i on the column, the rest, e_i - c_i c, within the group.
    """

    def __init__(
        self, linear: _Linear, k: int, a: AnalyteProblem, grade: Floats, at_bound: Bools,
        into: Floats,
    ) -> None:  # fmt: skip
        problem, flow = linear.problem, linear.flow
        runs = np.isfinite(grade)
        grade = np.where(runs, grade, 0.0) / a.scale
        soft = np.isfinite(problem.grade[k]) & (problem.grade_sd[k] > 0.0)
        # the same rows at every point: a stream that stands still leaves its own empty
        self.carriers = np.flatnonzero(soft)
        on = runs[self.carriers]
        group, n_groups = a.group[self.carriers], a.weight.size
        root_w = np.where(on, a.scale / problem.grade_sd[k, self.carriers], 0.0)
        y = root_w * (problem.grade[k, self.carriers] / a.scale - grade[self.carriers])
        weight = np.bincount(group, root_w**2, n_groups)
        held = a.fixed.copy()
        held[a.group[at_bound & runs]] = True
        large, rows = flow.size > _DENSE, a.rows.sparse
        C, E = a.rows.of_grades(flow), _by_carrier(rows, grade) if large else a.B * grade
        gap = rows @ (flow * grade) - a.source
        # what a loss carries away: the mean grade of what enters the node
        lost = np.zeros((problem.analyte_balance[k].shape[0], len(into)))
        lost[linear.nodes, np.arange(len(into))] = LOSS_UNIT * (into @ grade)
        losses = lost[a.rows.origin] - np.asarray(E @ linear.loss)
        EZ: Floats = np.asarray(E @ linear.Z)
        unmeasured = ~held & (weight == 0.0) & (C != 0.0).any(axis=0)
        if unmeasured.any():
            N = left_null_space(C[:, unmeasured])
            C, EZ, gap, losses = N.T @ C, N.T @ EZ, N.T @ gap, N.T @ losses
        moving = ~held & (weight > 0.0)
        share = np.where(weight > 0.0, weight, 1.0) ** -0.5
        columns = np.where(moving, C * share, 0.0)
        c = root_w * share[group]
        alike = (group[:, None] == group) & moving[group]
        spread = np.diag(on.astype(float)) - np.where(alike, np.outer(c, c), 0.0)
        self.outside = spread @ y
        self.losses, self.EZ = losses, EZ
        mean = columns @ np.bincount(group, c * y, n_groups) + gap
        S = SemidefiniteFactor(columns @ columns.T)
        n = len(C)
        solved = S.solve(np.hstack((np.eye(n), EZ, np.asarray(mean)[:, None])))
        inverse, self.of_flows, self.lam = solved[:, :n], solved[:, n:-1], solved[:, -1]
        self.of_losses = inverse @ losses
        # a reading has a part in few balances
        readings = (columns[:, group] * c).T
        self.readings: Rows | Floats = sparse.csr_array(readings) if large else readings
        self.block = spread + self.readings @ (self.readings @ inverse).T


def _by_carrier(rows: Rows, x: Floats) -> Rows:
    """Return sparse balances with each carrier's column times its own number."""
    return sparse.csr_array((rows.data * x[rows.indices], rows.indices, rows.indptr), rows.shape)
