"""One analyte of the reduced problem: its balances and its grades, equal grades merged."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy import sparse

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Bools, Floats, Ints

__all__ = ["AnalyteProblem", "AnalyteRows", "quick"]


_DENSE = 150  # carriers, up to which dense matrices are quicker than sparse ones
_FEW = 4_000  # entries of a matrix up to which that is so


@dataclass(frozen=True, eq=False)
class AnalyteRows:
    """Balances and grade groups that several analytes share.

    Attributes
    ----------
    sparse : csr_array, shape (n_rows, n_carriers)
        The balances B.
    group : ndarray of int, shape (n_carriers,)
        Grade group of each carrier; G is its indicator matrix.
    n_groups : int
    origin : ndarray of int, shape (n_rows,)
        Row of the balance problem that each is.
    """

    sparse: Rows
    group: Ints
    n_groups: int
    origin: Ints

    @cached_property
    def B(self) -> Floats:
        """The balances as a dense matrix, shape (n_rows, n_carriers)."""
        return np.asarray(self.sparse.toarray())

    @cached_property
    def quick_B(self) -> Floats | Rows:
        """The same, sparse where that is quicker."""
        return quick(self.B)

    @cached_property
    def quick_Bt(self) -> Floats | Rows:
        """B', sparse where that is quicker."""
        return quick(self.B.T)

    @cached_property
    def G(self) -> Floats:
        """Indicator matrix of the groups, shape (n_carriers, n_groups)."""
        G = np.zeros((self.group.size, self.n_groups))
        G[np.arange(self.group.size), self.group] = 1.0
        return G

    @cached_property
    def _sparse_G(self) -> Rows | None:
        """The same, sparse, where that is quicker; else None."""
        n = self.group.size
        if n <= _DENSE:
            return None
        ends = (np.arange(n), self.group)
        return sparse.csr_array((np.ones(n), ends), shape=(n, self.n_groups))

    def by_group(self, rows: Floats) -> Floats:
        """Return G' rows, shape (n_groups, m): rows, (n_carriers, m), added up by their groups."""
        G = self._sparse_G
        return np.asarray(self.G.T @ rows if G is None else G.T @ rows)

    def of_grades(self, flow: Floats) -> Floats:
        """Return B diag(F) G, the balances by the grades, shape (n_rows, n_groups)."""
        G = self._sparse_G
        if G is None:
            return np.asarray((self.B * flow) @ self.G)
        return np.asarray((sparse.csr_array(self.sparse.multiply(flow)) @ G).toarray())

    def of_flows(self, grade: Floats, along: Floats) -> Floats:
        """Return B diag(G x) Z, shape (n_rows, m): the balances by the flows along directions.

        x has shape (n_groups,), Z shape (n_carriers, m).
        """
        x = grade[self.group]
        if self._sparse_G is None:
            return np.asarray((self.B * x) @ along)
        return np.asarray(sparse.csr_array(self.sparse.multiply(x)) @ along)


@dataclass(frozen=True, eq=False)
class AnalyteProblem:
    """One analyte: minimise 1/2 sum weight (x - target)^2, subject to B diag(F) G x = source.

    Attributes
    ----------
    rows : AnalyteRows
        One object for all analytes with the same balances and groups.
    source : ndarray, shape (n_rows,)
    target, weight : ndarray, shape (n_groups,)
        Folded measurement and the sum of 1/sd^2; weight 0 where nothing was measured.
    fixed : ndarray of bool, shape (n_groups,)
        Exact grades, kept at their target.
    lower, upper : ndarray, shape (n_groups,)
        Bounds of the grades.
    spread : ndarray, shape (n_groups,)
        Part of 1/2 the objective that folding set aside: the spread inside each group.
    members : ndarray of int, shape (n_groups,)
        Measurements folded into each group; each beyond the first is a degree of freedom.
    scale : float
        Grades here times scale are grades of the balance problem.
    null_spaces : dict
        Left null spaces already computed, by the set of unmeasured groups: they do not depend on
        the flows.
    """

    rows: AnalyteRows
    source: Floats
    target: Floats
    weight: Floats
    fixed: Bools
    lower: Floats
    upper: Floats
    spread: Floats
    members: Ints
    scale: float
    null_spaces: dict[bytes, Floats] = field(default_factory=dict)

    @property
    def measured(self) -> Bools:
        """Groups with a measurement that is not exact, shape (n_groups,)."""
        return (self.weight > 0.0) & ~self.fixed

    @property
    def remainder(self) -> float:
        """Part of 1/2 the objective that does not depend on the flows."""
        return float(self.spread.sum())

    @property
    def extra_measurements(self) -> int:
        """Measurements that another one of the same grade checks: as many degrees of freedom."""
        return int(self.members.sum()) - int(self.measured.sum())

    @property
    def B(self) -> Floats:
        """The balances as a dense matrix, shape (n_rows, n_carriers)."""
        return self.rows.B

    @property
    def group(self) -> Ints:
        """Grade group of each carrier, shape (n_carriers,)."""
        return self.rows.group

    @property
    def G(self) -> Floats:
        """Indicator matrix of the groups, shape (n_carriers, n_groups)."""
        return self.rows.G


def quick(matrix: Floats) -> Floats | Rows:
    """Return a matrix of few entries as it is, a larger one sparse: what is quicker."""
    return matrix if matrix.size <= _FEW else sparse.csr_array(matrix)
