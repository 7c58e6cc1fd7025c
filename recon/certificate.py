"""Whether a balance is a minimum of the problem as it was stated, however it was found.

All flows, all grades and all sources of error are unknowns, every product is a product: nothing is
reduced, eliminated or linearised beforehand, and nothing is taken from the search. With residuals r
in sd, balances g, their derivatives J, multipliers l and z >= 0 of bounds that hold::

    imbalance        |g| against what passes the node
    stationarity     |r' R + l' J - z| against the terms of its sum
    fall             of |r|^2 by one Gauss-Newton step: min |r + R d|^2, J d = 0, bounds kept
    scale            factor t that makes sum (t a - b)^2 / s^2 least, adjusted a, measured b: flows
                     that no exact value fixes may all grow alike, so that it is 1 at a minimum
    curvature        directions along the balances in which the objective bends down

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), theorems 12.1 and 12.5, section
16.2. Cited from memory. The check of the scale is Euler's theorem for functions that are
homogeneous of degree one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import qdldl
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from oretally.flowsheet import BalanceProblem
from oretally.recon.balance_check import CLOSED, BalanceCheck

__all__ = ["Certificate", "certify"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

_FALL = 1e-7  # of the objective + 1: what a step may still gain
_STATIONARY = 1e-6  # share of the terms of a sum
_SCALE = 1e-6  # of the factor, against 1
_AT_BOUND = 1e-10  # of the size of a value
_DAMPING, _DUAL_DAMPING = 1e-8, 1e-12  # of unknowns and balances, scaled
_BENT = 1e-4  # curvature, scaled, that counts as none: rounding hides less
_BENT_DUAL = 1e-10  # damping of the balances that goes with it
_REFINED, _ROUNDS = 1e-14, 4  # of a linear system
_CHANGES = 25  # of the set of bounds that hold


@dataclass(frozen=True, slots=True)
class Certificate:
    """Figures of a balance, computed from the problem as stated.

    Attributes
    ----------
    imbalance : float
        Largest residual of a balance, as a share of what passes.
    stationarity : float
        Largest part of a derivative of the objective that no multiplier takes up, as a share of its
        terms.
    complementarity : float
        Largest push of a bound that does not hold, or wrong sign of one that does, as a share of
        the terms.
    fall : float
        By how much one bounded Gauss-Newton step would lower the objective, as a share of the
        objective + 1.
    scale : float
        Factor on all flows that would lower the objective most; 1 at a minimum, or where exact
        values fix the scale.
    bends_down : int
        Directions in which the objective bends down.
    """

    imbalance: float
    stationarity: float
    complementarity: float
    fall: float
    scale: float
    bends_down: int

    @property
    def failures(self) -> tuple[str, ...]:
        """Names of the figures that a minimum would not have."""
        checks = {
            "imbalance": self.imbalance <= CLOSED,
            "stationarity": self.stationarity <= _STATIONARY or self.fall <= 1e-3 * _FALL,
            "complementarity": self.complementarity <= _STATIONARY or self.fall <= 1e-3 * _FALL,
            "fall": self.fall <= _FALL,
            "scale": abs(self.scale - 1.0) <= _SCALE,
            "bends_down": self.bends_down == 0,
        }
        return tuple(name for name, good in checks.items() if not good)

    @property
    def holds(self) -> bool:
        """Whether the balance is a minimum."""
        return not self.failures


def certify(problem: BalanceProblem, flow: Floats, grade: Floats) -> Certificate:
    """Examine a balance.

    Parameters
    ----------
    problem : BalanceProblem
    flow : ndarray, shape (n_carriers,)
    grade : ndarray, shape (n_analytes, n_carriers)
        NaN for a stream that carries nothing.
    """
    if not np.isfinite(flow).all():
        return Certificate(np.inf, np.inf, np.inf, np.inf, np.nan, 0)
    stated = _Stated(problem, flow, grade)
    check = BalanceCheck(problem)
    filled = np.where(np.isfinite(grade), grade, 0.0)
    imbalance = float(check.largest(flow[:, None], filled.T[:, :, None])[0])
    stationarity, complementarity, fall, multiplier, held = stated.bounded_step()
    return Certificate(
        imbalance=imbalance,
        stationarity=stationarity,
        complementarity=complementarity,
        fall=fall / (1.0 + stated.objective),
        scale=_scale(problem, flow),
        bends_down=stated.bends_down(multiplier, held),
    )


class _Stated:
    """The problem at one point: unknowns are flows, then grades by analyte and tie."""

    def __init__(self, problem: BalanceProblem, flow: Floats, grade: Floats) -> None:
        n, K = problem.n_carriers, problem.n_analytes
        label = np.unique(problem.tie, return_inverse=True)[1].ravel()
        n_labels = int(label.max(initial=-1)) + 1
        soft = problem.grade_sd > 0.0
        weight = np.zeros((K, n_labels))
        level = np.zeros((K, n_labels))
        exact = np.full((K, n_labels), np.nan)
        lower, upper = np.full((K, n_labels), -np.inf), np.full((K, n_labels), np.inf)
        for k in range(K):
            with np.errstate(divide="ignore", invalid="ignore"):
                w = np.where(soft[k], problem.grade_sd[k] ** -2.0, 0.0)
            weight[k] = np.bincount(label, w, n_labels)
            level[k] = np.bincount(label, w * np.nan_to_num(problem.grade[k]), n_labels)
            given = problem.grade_sd[k] == 0.0
            exact[k, label[given]] = problem.grade[k, given]
            np.maximum.at(lower[k], label, problem.grade_lower[k])
            np.minimum.at(upper[k], label, problem.grade_upper[k])
        value = np.full((K, n_labels), np.nan)
        for k in range(K):
            running = np.isfinite(grade[k])
            value[k, label[running]] = grade[k, running]
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = np.clip(np.where(weight > 0.0, level / weight, np.nan), lower, upper)
        open_ = np.isnan(value) & np.isnan(mean)  # nothing runs there and nobody assayed it
        value = np.where(np.isnan(value), np.where(np.isnan(mean), 0.0, mean), value)
        value = np.where(np.isnan(exact), value, exact)
        self.problem, self.flow, self.label = problem, flow, label
        q, self.parts = _shares(problem, flow)
        self.value, self.weight, self.open = value, weight, open_
        spread = weight * value - level  # gradient of half the sum of squares
        self.n_flows = n
        unknown = np.isnan(exact) & ~open_
        self.fixed_flow = problem.flow_sd == 0.0
        seen = problem.flow_sd > 0.0
        sd = np.where(seen, problem.flow_sd, 1.0)
        largest = max(float(np.abs(flow).max(initial=0.0)), 1e-300)
        self.W = np.concatenate([np.where(seen, sd**-2.0, 0.0), weight.ravel(), 0.0 * q])
        self.g = np.concatenate([
            np.where(seen, (flow - np.nan_to_num(problem.flow)) / sd**2, 0.0), spread.ravel(),
            0.0 * q,
        ])  # fmt: skip
        self.unknown = np.concatenate([~self.fixed_flow, unknown.ravel(), q >= 0.0])
        flow_size = np.maximum(np.abs(flow), np.where(seen, np.minimum(sd, largest), 0.0))
        flow_size = np.maximum(flow_size, 1e-9 * largest)
        with np.errstate(divide="ignore"):
            own = np.where(weight > 0.0, np.maximum(weight, 1e-300) ** -0.5, 0.0)
        top = np.abs(value).max(axis=1, initial=0.0)[:, None]
        grade_size = np.maximum(np.abs(value), np.minimum(own, np.where(top > 0.0, top, own)))
        grade_size = np.maximum(grade_size, np.where(top > 0.0, 1e-6 * top, 1.0))
        self.size = np.concatenate([flow_size, grade_size.ravel(), np.maximum(q, 1e-9)])
        with np.errstate(invalid="ignore"):
            room_low = np.concatenate([flow - problem.flow_lower, (value - lower).ravel(), q])
            room_high = np.concatenate(
                [np.full(n, np.inf), (upper - value).ravel(), np.full(q.size, np.inf)]
            )
        self.room_low = np.where(np.isnan(room_low), np.inf, room_low)
        self.room_high = np.where(np.isnan(room_high), np.inf, room_high)
        self.lower, self.upper = lower, upper
        self.objective = _objective(problem, flow, value[:, label])
        self.q = q
        self._rows()

    def _rows(self) -> None:
        """Write the derivatives of all balances as entries."""
        p, flow, label = self.problem, self.flow, self.label
        K, n = p.n_analytes, self.n_flows
        n_labels = self.value.shape[1]
        A = p.flow_balance.tocoo()
        rows, columns, values = [A.row], [A.col], [A.data]
        first = p.flow_balance.shape[0]
        self.entries: list[tuple[Ints, Ints, Ints, Floats]] = []  # analyte, row, carrier, value
        passing = [abs(p.flow_balance) @ np.abs(flow) + np.abs(p.flow_source)]
        alike: dict[int, list[int]] = {}
        for k, B in enumerate(p.analyte_balance):
            alike.setdefault(id(B), []).append(k)
        for analytes in alike.values():
            B = p.analyte_balance[analytes[0]].tocoo()
            m = B.shape[0]
            k = np.array(analytes)[:, None]
            at = first + m * np.arange(len(analytes))[:, None] + B.row
            j, v = B.col[None, :], B.data[None, :]
            x = self.value[k, label[j]]
            rows += [at.ravel(), at.ravel()]
            columns += [
                np.broadcast_to(j, at.shape).ravel(), (n + k * n_labels + label[j]).ravel(),
            ]  # fmt: skip
            values += [(v * x).ravel(), np.broadcast_to(v * flow[j], at.shape).ravel()]
            self.entries.append((
                np.broadcast_to(k, at.shape).ravel(), at.ravel(),
                np.broadcast_to(j, at.shape).ravel(), np.broadcast_to(v, at.shape).ravel(),
            ))  # fmt: skip
            size = np.bincount((at - first).ravel(), np.abs(v * x * flow[j]).ravel(),
                               m * len(analytes))  # fmt: skip
            top = np.abs(self.value[k[:, 0]]).max(axis=1, initial=0.0)
            through = np.bincount(B.row, np.abs(B.data * flow[B.col]), m)
            least = 1e-6 * np.outer(top, through).ravel()
            passing.append(np.maximum(size, least))
            first += m * len(analytes)
        if self.q.size:
            part, whole, share = self.parts
            at = first + np.arange(part.size)
            to_share = n + K * n_labels + share
            rows += [at, at, at]
            columns += [part, whole, to_share]
            values += [-np.ones(part.size), self.q[share], flow[whole]]
            passing.append(flow[part])
            first += part.size
        row, column = np.concatenate(rows), np.concatenate(columns)
        value = np.concatenate(values) * self.size[column]
        size = np.concatenate(passing)
        np.maximum.at(size, row, np.abs(value))  # where all stands still: what would pass
        self.row_size = np.where(size > 0.0, size, 1.0)
        value /= self.row_size[row]
        self.J = sparse.csc_array((value, (row, column)), shape=(first, self.size.size))
        self.n_rows = first
        self.gs, self.Ws = self.g * self.size, self.W * self.size**2

    def _starting(self, multiplier: Floats) -> Floats:
        """Return what a stopped stream of open grade can gain by its best grade, by flow."""
        gain = np.zeros(self.n_flows)
        if not self.open.any():
            return gain
        for k, row, j, v in self.entries:
            kept = self.open[k, self.label[j]]
            if kept.any():
                key = k[kept] * self.n_flows + j[kept]
                cells, at = np.unique(key, return_inverse=True)
                pull = np.bincount(
                    at.ravel(), v[kept] * multiplier[row[kept]] / self.row_size[row[kept]]
                )
                ck, cj = cells // self.n_flows, cells % self.n_flows
                low = np.clip(self.lower[ck, self.label[cj]], -1e6, 1e6)
                high = np.clip(self.upper[ck, self.label[cj]], -1e6, 1e6)
                gain += np.bincount(cj, np.minimum(low * pull, high * pull), self.n_flows)
        return gain

    def bounded_step(self) -> tuple[float, float, float, Floats, Bools]:
        """Return stationarity, complementarity, fall, multipliers and the bounds that hold."""
        low = self.unknown & (self.room_low <= _AT_BOUND * self.size)
        high = self.unknown & (self.room_high <= _AT_BOUND * self.size)
        held_low, held_high = low.copy(), high.copy()
        absolute = abs(self.J).T
        step, multiplier = np.zeros(self.size.size), np.zeros(self.n_rows)
        wrong = 0.0
        for _ in range(_CHANGES):
            free = self.unknown & ~held_low & ~held_high
            step, multiplier = self._solved(free)
            push = self.gs + self.J.T @ multiplier
            push[: self.n_flows] += self._starting(multiplier) * self.size[: self.n_flows]
            terms = np.abs(self.gs) + absolute @ np.abs(multiplier)
            slack = _STATIONARY * (1.0 + terms)
            release = (held_low & (push < -slack)) | (held_high & (push > slack))
            release &= ~(low & high)
            below = free & (self.room_low + step * self.size < -1e-9 * self.size)
            above = free & (self.room_high - step * self.size < -1e-9 * self.size)
            wrong = float((np.abs(push) / (1.0 + terms))[release].max(initial=0.0))
            if not release.any() and not (below & low).any() and not (above & high).any():
                break
            held_low = (held_low & ~release) | (below & low)
            held_high = (held_high & ~release) | (above & high)
        fall = -(2.0 * float(self.gs @ step) + float(step @ (self.Ws * step)))
        # bounds away from here shorten the step: a whole one would overstate what is to be had
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(step < 0.0, self.room_low, self.room_high) / np.abs(step * self.size)
        away = free & (np.abs(step) > 1e-9)
        length = min(1.0, float(reach[away].min(initial=np.inf)))
        slope = float(self.gs @ step)
        fall = max(fall, -(2.0 * length * slope + length**2 * float(step @ (self.Ws * step))))
        rest = np.where(free, self.gs + self.J.T @ multiplier, 0.0)
        stationarity = float((np.abs(rest) / (1.0 + terms)).max(initial=0.0))
        return stationarity, wrong, abs(fall), multiplier, held_low | held_high

    def _solved(self, free: Bools) -> tuple[Floats, Floats]:
        """Return the Gauss-Newton step over some unknowns, and the multipliers; scaled."""
        at = np.flatnonzero(free)
        J = self.J[:, at]
        w = self.Ws[at]
        m = at.size
        damping, solver = self._factor(sparse.diags_array(w), J)
        right = np.concatenate([-self.gs[at], np.zeros(self.n_rows)])
        found = solver.solve(right)
        JT, w = J.T.tocsr(), w + damping
        for _ in range(_ROUNDS):
            d, lam = found[:m], found[m:]
            rest = right - np.concatenate([w * d + JT @ lam, J @ d])
            if np.abs(rest).max(initial=0.0) <= _REFINED * np.abs(right).max(initial=0.0):
                break
            found = found + solver.solve(rest)
        step = np.zeros(free.size)
        step[at] = found[:m]
        return step, found[m:]

    def _factor(
        self, H: Any, J: Any, damping: float = _DAMPING, dual: float = _DUAL_DAMPING
    ) -> tuple[float, Any]:
        """Return a factor of [H + d, J'; J, -e] and the damping d that it took.

        Balances that depend on one another, and unknowns that nothing determines, can leave a pivot
        of exactly 0.
        """
        while True:
            n = H.shape[0]
            K = sparse.bmat(
                [[H + damping * sparse.eye_array(n), J.T],
                 [None, -dual * sparse.eye_array(self.n_rows)]], format="csc",
            )  # fmt: skip
            try:
                return damping, qdldl.Solver(sparse.csc_matrix(K), upper=True)
            except RuntimeError:
                damping, dual = 3.0 * damping, 10.0 * dual
                if dual > 1.0:
                    raise

    def bends_down(self, multiplier: Floats, held: Bools) -> int:
        """Return the number of directions of negative curvature along the balances."""
        at = np.flatnonzero(self.unknown & ~held)
        place = np.full(self.size.size, -1)
        place[at] = np.arange(at.size)
        lam = multiplier / self.row_size
        n, n_labels = self.n_flows, self.value.shape[1]
        rows, columns, values = [], [], []
        for k, row, j, v in self.entries:
            rows.append(j)
            columns.append(n + k * n_labels + self.label[j])
            values.append(v * lam[row])
        if self.q.size:
            part, whole, share = self.parts
            rows.append(whole)
            columns.append(n + self.value.size + share)
            values.append(lam[self.n_rows - part.size :])
        if not rows:
            return 0
        row, column, value = (np.concatenate(part) for part in (rows, columns, values))
        value = value * self.size[row] * self.size[column]
        kept = (place[row] >= 0) & (place[column] >= 0)
        i, j = place[row[kept]], place[column[kept]]
        m = at.size
        H = sparse.coo_array(
            (value[kept], (np.minimum(i, j), np.maximum(i, j))), shape=(m, m)
        )  # fmt: skip
        _, solver = self._factor(
            H + sparse.diags_array(self.Ws[at]), self.J[:, at], _BENT, _BENT_DUAL
        )
        pivots = solver.factors()[1]
        return max(0, m - int((pivots > 0.0).sum()))


def _shares(problem: BalanceProblem, flow: Floats) -> tuple[Floats, tuple[Ints, Ints, Ints]]:
    """Return the shares of parts that streams have in common, and where they stand."""
    if not len(problem.proportion):
        none = np.zeros(0, dtype=np.intp)
        return np.zeros(0), (none, none, none)
    part, whole, share = problem.shares
    n = int(share.max()) + 1
    bottom = np.bincount(share, flow[whole], n)
    return np.bincount(share, flow[part], n) / np.where(bottom > 0.0, bottom, 1.0), (
        part, whole, share)  # fmt: skip


def _objective(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    soft, assayed = problem.flow_sd > 0.0, problem.grade_sd > 0.0
    total = np.sum(((flow[soft] - problem.flow[soft]) / problem.flow_sd[soft]) ** 2)
    misfit = (grade[assayed] - problem.grade[assayed]) / problem.grade_sd[assayed]
    return float(total + np.sum(misfit**2))


def _scale(problem: BalanceProblem, flow: Floats) -> float:
    """Return the factor on flows furthest from 1, over parts whose scale nothing exact fixes."""
    n = problem.n_carriers
    A = problem.flow_balance
    linked = [A, *{id(B): B for B in problem.analyte_balance}.values()]
    if len(problem.proportion):
        m = len(problem.proportion)
        rows = np.repeat(np.arange(m), 4)
        alike = (np.ones(rows.size), (rows, problem.proportion.ravel()))
        linked.append(sparse.csr_array(alike, shape=(m, n)))
    incidence = sparse.vstack(linked, format="csr")
    graph = sparse.bmat([[None, incidence], [incidence.T, None]], format="csr")
    part = connected_components(graph, directed=False)[1][incidence.shape[0] :]
    source = np.zeros(incidence.shape[0], dtype=bool)
    source[: A.shape[0]] = problem.flow_source != 0.0
    fixed = (problem.flow_sd == 0.0) & (problem.flow != 0.0)
    fixed |= abs(incidence).T @ source.astype(float) > 0.0
    worst = 1.0
    seen = problem.flow_sd > 0.0
    for label in np.unique(part[seen]):
        own = part == label
        if fixed[own].any():
            continue
        at = own & seen
        w, a, b = problem.flow_sd[at] ** -2.0, flow[at], problem.flow[at]
        bottom = float(np.sum(w * a * a))
        if bottom == 0.0:
            factor = np.inf if (b > 0.0).any() else 1.0
        else:
            factor = float(np.sum(w * a * b)) / bottom
        if abs(factor - 1.0) > abs(worst - 1.0):
            worst = factor
    return worst
