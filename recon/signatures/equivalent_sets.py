"""Errors that cannot be told apart: signatures that point the same way in every balance.

The correlation of signatures i and j is P_ij / sqrt(P_ii P_jj), P their inner products
(`oretally.recon.signatures.signatures`, where their source stands).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.signatures.signatures import Signatures

__all__ = ["NEAR", "Groups", "equivalent_sets"]

NEAR = 0.95  # correlation from which two signatures count as nearly the same
_SEED = 20_012  # of the vector that sorts the signatures: any will do
_SAME = 1e-8  # half of what a correlation may be short of 1 by rounding, for full lengths


@dataclass(frozen=True, eq=False)
class Groups:
    """Errors in groups of equal signatures; errors that leave no signature are in none.

    Attributes
    ----------
    signatures : Signatures
    members : tuple of ndarray of int, shape (n_members,)
        Rows of ``signatures`` in each group, in order: measurements before losses.
    """

    signatures: Signatures
    members: tuple[Ints, ...]

    @cached_property
    def first(self) -> Ints:
        """The member of each group that stands for it, shape (n_groups,)."""
        return np.array([m[0] for m in self.members], dtype=np.intp)

    @cached_property
    def correlation(self) -> Floats:
        """Correlations of the signatures of the groups, shape (n_groups, n_groups)."""
        if len(self.first) == len(self.signatures.P):
            return self.signatures.correlation
        return np.asarray(self.signatures.correlation[np.ix_(self.first, self.first)])

    @cached_property
    def statistic(self) -> Floats:
        """Standardised statistic, shape (n_groups,), with the sign of the first member."""
        return np.asarray(self.signatures.statistic[self.first])

    def of(self, row: int) -> int | None:
        """Return the group of an error; None if it leaves no signature."""
        for g, members in enumerate(self.members):
            if row in members:
                return g
        return None

    def near(self, g: int, least: float = NEAR) -> list[tuple[int, float]]:
        """Return other groups with nearly the same signature, with correlations; closest first."""
        size = np.abs(self.correlation[g])
        found = [(int(h), float(size[h])) for h in np.flatnonzero(size >= least) if h != g]
        return sorted(found, key=lambda pair: (-pair[1], pair[0]))


def equivalent_sets(signatures: Signatures) -> Groups:
    """Sort errors into groups whose signatures are the same up to size and sign.

    Notes
    -----
    The errors of a group can be told apart by no data: each explains what another explains. Exact:
    correlation 1 of the projected constraint matrix's columns, up to rounding.
    """
    seen = np.flatnonzero(signatures.seen)
    size = np.sqrt(signatures.redundancy[seen])
    # equal signatures have equal products with any vector, up to sign: only neighbours are compared
    probe = np.random.default_rng(_SEED).standard_normal(len(signatures.P))
    products = signatures.P @ probe
    mark = np.abs(products[seen]) / size
    slack = _SAME + 1e-14 * size**-2.0
    # unit vectors of correlation 1 - s are sqrt(2 s) apart
    apart = np.sqrt(2.0 * (slack + slack.max(initial=0.0)) * max(float(probe @ products), 0.0))
    order = np.argsort(mark, kind="stable")
    ends = np.searchsorted(mark[order], (mark + apart)[order], side="right")
    alike: dict[int, list[int]] = {}
    for a in np.flatnonzero(ends > np.arange(len(seen)) + 1).tolist():
        for other in order[a + 1 : ends[a]].tolist():
            i, j = sorted((int(order[a]), other))
            least = (1.0 - slack[i] - slack[j]) * size[i] * size[j]
            if abs(signatures.P[seen[i], seen[j]]) >= least:
                alike.setdefault(i, []).append(j)
    members, taken = [], set[int]()
    for i in range(len(seen)):
        if i in alike and i not in taken:
            group = [i, *sorted(j for j in alike[i] if j not in taken)]
            taken.update(group)
            members.append(seen[group])
        elif i not in taken:
            members.append(seen[i : i + 1])
    return Groups(signatures, tuple(members))
