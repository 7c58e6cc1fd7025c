"""Errors that cannot be told apart: traces that point the same way in every balance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from oretally.recon.traces import Traces

__all__ = ["NEAR", "Groups", "equivalence"]

NEAR = 0.95  # correlation from which two traces count as nearly the same
_SAME = 1e-8  # that much short of 1 is rounding, for traces of full length

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Groups:
    """Errors in groups of equal traces; errors that leave no trace are in none.

    Attributes
    ----------
    traces : Traces
    members : tuple of ndarray of int
        Rows of ``traces`` in each group, in order: measurements before losses.
    """

    traces: Traces
    members: tuple[Ints, ...]

    @cached_property
    def first(self) -> Ints:
        """The member of each group that stands for it."""
        return np.array([m[0] for m in self.members], dtype=np.intp)

    @cached_property
    def correlation(self) -> Floats:
        """Correlations of the traces of the groups, shape (n_groups, n_groups)."""
        if len(self.first) == len(self.traces.P):
            return self.traces.correlation
        return np.asarray(self.traces.correlation[np.ix_(self.first, self.first)])

    @cached_property
    def statistic(self) -> Floats:
        """Standardised statistic of each group, with the sign of its first member."""
        return np.asarray(self.traces.statistic[self.first])

    def of(self, row: int) -> int | None:
        """Return the group of an error; None if it leaves no trace."""
        for g, members in enumerate(self.members):
            if row in members:
                return g
        return None

    def near(self, g: int, least: float = NEAR) -> list[tuple[int, float]]:
        """Return other groups with nearly the same trace, and the correlations; closest first."""
        size = np.abs(self.correlation[g])
        found = [(int(h), float(size[h])) for h in np.flatnonzero(size >= least) if h != g]
        return sorted(found, key=lambda pair: (-pair[1], pair[0]))


def equivalence(traces: Traces) -> Groups:
    """Sort errors into groups whose traces are the same up to size and sign.

    Notes
    -----
    The errors of a group can be told apart by no data: each explains what another explains. Exact:
    correlation 1 of the projected constraint matrix's columns, up to rounding.
    """
    seen = traces.seen
    inverse = np.where(seen, 1.0 / np.where(seen, traces.redundancy, 1.0), 0.0)
    # a short trace is known less well
    slack = _SAME + 1e-14 * inverse
    size = np.abs(traces.correlation)
    close = np.argwhere(size > 1.0 - 2.0 * float(slack.max(initial=_SAME)))
    alike: dict[int, list[int]] = {}
    for i, j in close[close[:, 0] < close[:, 1]].tolist():
        if size[i, j] >= 1.0 - slack[i] - slack[j]:
            alike.setdefault(i, []).append(j)
    members, taken = [], np.zeros(len(seen), dtype=bool)
    for i in np.flatnonzero(seen).tolist():
        if taken[i]:
            continue
        group = [i, *(j for j in alike.get(i, ()) if not taken[j])]
        taken[group] = True
        members.append(np.array(group, dtype=np.intp))
    return Groups(traces, tuple(members))
