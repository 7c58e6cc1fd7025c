"""The balances linearised at a balanced point: a basis of all changes that they admit.

With flows F and grades x in balance, changes dF and dx keep the balances to first order if::

    A dF = 0    B_k (diag(x_k) dF + diag(F) dx_k) = 0    dx equal within a tie, 0 where exact

All such changes are combinations of the columns of one matrix T: dv = T u, u of any size.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 4:
balances of flows times grades, linearised. G.H. Golub and C.F. Van Loan, Matrix Computations, 4th
ed. (2013), section 5.5: null space by singular values. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg

from oretally.flowsheet import BalanceProblem, Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.numerics import one_thread

__all__ = ["MOST_VALUES", "Tangent", "tangent_at"]

MOST_VALUES = 2000  # flows and grades together: dense algebra beyond would take minutes
_RANK = 1e-10  # singular values below this share of the largest are zero


@dataclass(frozen=True, eq=False)
class Tangent:
    """All changes of flows and grades that keep the balances, to first order.

    Attributes
    ----------
    flow : ndarray, shape (n_carriers,)
    grade : ndarray, shape (n_analytes, n_carriers)
        The point, in the units of the balance problem.
    places : tuple of Position
        The values that take part.
    T : ndarray, shape (n_places, n_free)
        Their changes along each free coordinate, in the units of the balance problem.
    """

    flow: Floats
    grade: Floats
    places: tuple[Position, ...]
    T: Floats

    @cached_property
    def _row(self) -> dict[Position, int]:
        return {place: i for i, place in enumerate(self.places)}

    @property
    def n_free(self) -> int:
        """Number of free coordinates."""
        return int(self.T.shape[1])

    def rows(self, places: Sequence[Position]) -> Floats:
        """Return the change of some values along the free coordinates, shape (n, n_free)."""
        return self.T[[self._row[place] for place in places]]

    def gradient(self, slopes: Mapping[Position, float]) -> Floats:
        """Return the derivative of a function of the values along the coordinates, shape (n_free,).

        Parameters
        ----------
        slopes : mapping of Position to float
            Its derivatives with respect to the values; those left out are 0.
        """
        return np.array([*slopes.values()]) @ self.rows(list(slopes))


def tangent_at(
    problem: BalanceProblem, flow: Floats, grade: Floats, *, named: Sequence[Position]
) -> Tangent:
    """Return the admissible changes at a point in balance.

    Parameters
    ----------
    problem : BalanceProblem
        Its balances, ties and exact grades count; its measurements do not.
    flow, grade : ndarray, shape (n_carriers,) and (n_analytes, n_carriers)
        In balance; all that takes part in a balance, or has a name, must be finite.
    named : sequence of Position
        Values that are of interest even if no balance speaks of them.
    """
    problem = problem.linearised(flow)
    A = problem.flow_balance.toarray()
    blocks = [B.toarray() for B in problem.analyte_balance]
    wanted = set(named) | {Position(None, int(j)) for j in np.flatnonzero(A.any(axis=0))}
    for k, B in enumerate(blocks):
        wanted |= {Position(k, int(j)) for j in np.flatnonzero(B.any(axis=0))}
        wanted |= {Position(None, int(j)) for j in np.flatnonzero(B.any(axis=0))}
    places = sorted(wanted, key=lambda p: (-1 if p.analyte is None else p.analyte, p.carrier))
    row = {place: i for i, place in enumerate(places)}
    value = np.array([flow[j] if k is None else grade[k, j] for k, j in places])
    if not np.isfinite(value).all():
        raise ValueError("a value that takes part in the balances is not known at the point")
    kinds = np.array([-1 if p.analyte is None else p.analyte for p in places])
    scale = np.abs(value)
    for kind in np.unique(kinds):  # a value of 0 counts in units of the largest of its kind
        own = kinds == kind
        largest = scale[own].max()
        scale[own & (scale == 0.0)] = largest if largest > 0.0 else 1.0
    n_rows = len(A) + sum(map(len, blocks))
    equations, top = np.zeros((n_rows, len(places))), len(A)
    for j in np.flatnonzero(A.any(axis=0)).tolist():
        equations[: len(A), row[Position(None, j)]] = A[:, j]
    for k, B in enumerate(blocks):
        part = equations[top : top + len(B)]
        for j in np.flatnonzero(B.any(axis=0)).tolist():
            part[:, row[Position(None, j)]] = B[:, j] * grade[k, j]
            part[:, row[Position(k, j)]] = B[:, j] * flow[j]
        top += len(B)
    ties = _ties(problem, places)
    C = np.vstack([equations, ties]) * scale
    size = np.abs(C).max(axis=1, initial=0.0)
    C = C[size > 0.0] / size[size > 0.0, None]
    with one_thread():
        return Tangent(
            flow, grade, tuple(places), scale[:, None] * scipy.linalg.null_space(C, rcond=_RANK)
        )


def _ties(problem: BalanceProblem, places: Sequence[Position]) -> Floats:
    """Return rows that hold exact grades, and grades of one tie together."""
    rows = []
    first: dict[tuple[int, int], int] = {}
    for i, (k, j) in enumerate(places):
        if k is None:
            continue
        if problem.grade_sd[k, j] == 0.0:
            rows.append(np.zeros(len(places)))
            rows[-1][i] = 1.0
        other = first.setdefault((k, int(problem.tie[j])), i)
        if other != i:
            rows.append(np.zeros(len(places)))
            rows[-1][i], rows[-1][other] = 1.0, -1.0
    return np.array(rows).reshape(-1, len(places))
