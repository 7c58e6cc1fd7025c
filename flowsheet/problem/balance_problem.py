"""The balance problem: all that a circuit and a survey say, as arrays without names.

The general form, over carriers c (conserved bulks) and analytes k::

    minimise    sum ((F - Fm) / sF)^2 + sum_k ((x_k - xm_k) / s_k)^2
    subject to  A F = b                        flow balances
                B_k diag(F) x_k = c_k          analyte balances, one set an analyte
                x_k equal within a tie         outlets of a splitter
                F_a F_d = F_b F_c              their parts: classes, water
                F >= lower,  lower_k <= x_k <= upper_k
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats, Ints

__all__ = ["BalanceProblem"]

if TYPE_CHECKING:
    Rows: TypeAlias = sparse.csr_array[np.float64, tuple[int, int]]
else:
    Rows = sparse.csr_array


_STANDS_STILL = 1e-3  # flow of a stream over that of another that is like it


@dataclass(frozen=True, slots=True, eq=False)
class BalanceProblem:
    """Arrays of a balance problem, in one coherent set of units; kept read-only.

    Attributes
    ----------
    flow_balance : csr_array, shape (n_flow_balances, n_carriers)
        A: +1 where a carrier enters, -1 where it leaves. Dense arrays are taken too.
    flow_source : ndarray, shape (n_flow_balances,)
        b: 0 unless an amount is known to appear.
    analyte_balance : tuple of csr_array, shape (n_rows_k, n_carriers)
        B_k for each analyte; analytes with the same rows share one object, which lets them be
        solved side by side.
    analyte_source : tuple of ndarray, shape (n_rows_k,)
        c_k for each analyte.
    tie : ndarray of int, shape (n_carriers,)
        Carriers with equal labels have equal grades.
    flow, flow_sd : ndarray, shape (n_carriers,)
        Measured flows and their sd; NaN where not measured; an sd of 0 makes the flow exact.
    flow_lower : ndarray, shape (n_carriers,)
        Lower bounds of the flows; -inf where a flow may have any sign.
    grade, grade_sd : ndarray, shape (n_analytes, n_carriers)
        Measured grades and their sd; NaN where not measured; an sd of 0 makes the grade exact.
    grade_lower, grade_upper : ndarray, shape (n_analytes, n_carriers)
        Bounds of the grades, 0 and the analyte's maximum for a circuit; -inf, inf for none.
    proportion : ndarray of int, shape (n, 4)
        Carriers a, b, c, d of flows with F_a / F_b = F_c / F_d: part and whole of two streams that
        differ in nothing but their flow.
    """

    flow_balance: Rows
    flow_source: Floats
    analyte_balance: tuple[Rows, ...]
    analyte_source: tuple[Floats, ...]
    tie: Ints
    flow: Floats
    flow_sd: Floats
    flow_lower: Floats
    grade: Floats
    grade_sd: Floats
    grade_lower: Floats
    grade_upper: Floats
    proportion: Ints = field(default_factory=lambda: np.zeros((0, 4), dtype=np.intp))

    def __post_init__(self) -> None:
        copies: dict[int, Floats] = {}  # arrays given as one object stay one object
        matrices: dict[int, Rows] = {}
        for name in (
            "flow_source", "flow", "flow_sd", "flow_lower",
            "grade", "grade_sd", "grade_lower", "grade_upper",
        ):  # fmt: skip
            self._set(name, _kept(getattr(self, name), copies))
        self._set("flow_balance", _kept_rows(self.flow_balance, matrices))
        self._set("analyte_balance", tuple(_kept_rows(B, matrices) for B in self.analyte_balance))
        self._set("analyte_source", tuple(_kept(c, copies) for c in self.analyte_source))
        self._set("tie", _read_only(self.tie, np.intp))
        self._set("proportion", _read_only(self.proportion, np.intp).reshape(-1, 4))

    def _set(self, name: str, value: object) -> None:
        object.__setattr__(self, name, value)

    @classmethod
    def of_flows(
        cls,
        flow_balance: Rows | Floats,
        flow: Floats,
        flow_sd: Floats,
        *,
        source: Floats | None = None,
        signed: bool = False,
    ) -> BalanceProblem:
        """Return a problem of flows alone: any linear least squares, A F = b.

        Parameters
        ----------
        flow_balance : csr_array or ndarray, shape (n_balances, n)
            A: +1 where a flow enters, -1 where it leaves; or any other coefficients.
        flow, flow_sd : ndarray, shape (n,)
            Measured flows and their sd; NaN where not measured; an sd of 0 makes a flow exact.
        source : ndarray, shape (n_balances,)
            b; 0 unless given.
        signed : bool
            Whether flows may be negative.
        """
        A = sparse.csr_array(flow_balance)
        n, none = flow.size, np.zeros((0, flow.size))
        return cls(
            A, np.zeros(A.shape[0]) if source is None else source, (), (), np.arange(n), flow,
            flow_sd, np.full(n, -np.inf if signed else 0.0), none, none, none, none,
        )  # fmt: skip

    @property
    def alike(self) -> list[tuple[Rows, list[int]]]:
        """Each set of analyte balances once, with the analytes that have it."""
        found: dict[int, list[int]] = {}
        for k, B in enumerate(self.analyte_balance):
            found.setdefault(id(B), []).append(k)
        return [(self.analyte_balance[analytes[0]], analytes) for analytes in found.values()]

    def each_balance(self, change: Callable[[Rows], Rows]) -> tuple[Rows, tuple[Rows, ...]]:
        """Return flow and analyte balances changed; those that are one object stay one."""
        every = (self.flow_balance, *self.analyte_balance)
        made = {key: change(B) for key, B in {id(B): B for B in every}.items()}
        return made[id(self.flow_balance)], tuple(made[id(B)] for B in self.analyte_balance)

    def linearised(self, flow: Floats) -> BalanceProblem:
        """Return the problem with its proportions as flow balances, exact at ``flow``.

        ``flow`` has shape (n_carriers,). With p and s from `ratios`, a proportion is to first order
        F_a - s F_b - p (F_c - s F_d) = 0. What stands still so has the parts of the stream that it
        is held against, and that one stays free.
        """
        if not len(self.proportion):
            return self
        p, s = self.ratios(flow)
        n, first = s.size, np.ones(s.size)
        ends = self._held_against_moving(flow)
        values = np.column_stack([first, -s, -p, p * s])
        more = sparse.csr_array(
            (values.ravel(), (np.repeat(np.arange(n), 4), ends.ravel())),
            shape=(n, self.n_carriers),
        )
        return replace(
            self,
            flow_balance=sparse.csr_array(sparse.vstack([self.flow_balance, more])),
            flow_source=np.concatenate([self.flow_source, np.zeros(n)]),
            proportion=np.zeros((0, 4), dtype=np.intp),
        )

    def ratios(self, flow: Floats) -> tuple[Floats, Floats]:
        """Return what two streams in proportion have to each other, and their parts to them.

        p = F_b / F_d, 1 where both stand still; and s, the mean of F_a / F_b and F_c / F_d weighted
        by the wholes. ``flow`` has shape (n_carriers,), what is returned shape (n_proportions,).
        """
        a, b, c, d = self._held_against_moving(flow).T
        one, other = flow[b], flow[d]
        still, both = other == 0.0, one + other
        p = np.where(still, 1.0, one / np.where(still, 1.0, other))
        s = (flow[a] + flow[c]) / np.where(both != 0.0, both, 1.0)
        return p, s

    @property
    def shares(self) -> tuple[Ints, Ints, Ints]:
        """The proportions as shares that are the same in all streams alike.

        Returns
        -------
        part, whole, share : ndarray of int, shape (n,)
            F[part] = q[share] F[whole]: also of streams that are held against one that stops.
        """
        against, share = np.unique(self.proportion[:, 2:], axis=0, return_inverse=True)
        part = np.concatenate([self.proportion[:, 0], against[:, 0]])
        whole = np.concatenate([self.proportion[:, 1], against[:, 1]])
        return part, whole, np.concatenate([share.ravel(), np.arange(len(against))])

    def _held_against_moving(self, flow: Floats) -> Ints:
        """Return the proportions, each group of them against a stream that moves, if one does.

        All streams alike are held against one; if that one all but stands still, against the
        largest: else those that move would not be held against each other.
        """
        rows = self.proportion.copy()
        against, group = np.unique(rows[:, 2:], axis=0, return_inverse=True)
        group, largest = group.ravel(), flow[against[:, 1]]
        np.maximum.at(largest, group, flow[rows[:, 1]])
        for g in np.flatnonzero(flow[against[:, 1]] < _STANDS_STILL * largest):
            own = np.flatnonzero(group == g)
            first = own[np.argmax(flow[rows[own, 1]])]
            moving = rows[first, :2].copy()
            rows[first, :2] = against[g]
            rows[own, 2:] = moving
        return rows

    @property
    def n_carriers(self) -> int:
        """Number of carriers."""
        return self.flow.size

    @property
    def n_analytes(self) -> int:
        """Number of analytes."""
        return len(self.analyte_balance)


def _read_only(array: Any, kind: type) -> Any:
    """Return an array that nobody writes to: itself if it is kept so already, else a copy."""
    if type(array) is np.ndarray and array.dtype == kind and _is_kept(array):
        return array
    made: Any = np.array(array, dtype=kind)
    made.flags.writeable = False
    return made


def _is_kept(array: Any) -> bool:
    return bool(array.flags.owndata and not array.flags.writeable)


def _kept(array: Floats, copies: dict[int, Floats]) -> Floats:
    if id(array) not in copies:
        copies[id(array)] = _read_only(array, float)
    return copies[id(array)]


def _kept_rows(matrix: Rows, matrices: dict[int, Rows]) -> Rows:
    """Return a matrix in canonical form that nobody writes to."""
    if id(matrix) not in matrices:
        matrices[id(matrix)] = matrix if _is_canonical(matrix) else _canonical(matrix)
    return matrices[id(matrix)]


def _is_canonical(matrix: Rows) -> bool:
    if not isinstance(matrix, sparse.csr_array) or matrix.dtype != float:
        return False
    kept = all(map(_is_kept, (matrix.data, matrix.indices, matrix.indptr)))
    return kept and bool(matrix.has_canonical_format) and bool(matrix.data.all())


def _canonical(matrix: Rows) -> Rows:
    made: Rows = sparse.csr_array(matrix.astype(float))
    made.sum_duplicates()
    made.eliminate_zeros()
    # what was summed up may be a view of the longer array
    made.data, made.indices, made.indptr = (
        _read_only(part, part.dtype.type) for part in (made.data, made.indices, made.indptr)
    )
    return made
