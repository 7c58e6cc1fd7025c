"""Errors that cannot be told apart: signatures that point the same way in every balance.

The correlation of signatures i and j is P_ij / sqrt(P_ii P_jj), P their inner products
(`oretally.recon.signatures.signatures`, where their source stands).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.signatures.signatures import Signatures

__all__ = ["NEAR", "Correlations", "Groups", "equivalent_sets"]

NEAR = 0.95  # correlation from which two signatures count as nearly the same
_SAME = 1e-8  # half of what a correlation may be short of 1 by rounding, for full lengths


@dataclass(frozen=True, eq=False)
class Groups:
    """Errors in groups of equal signatures; errors that leave no signature are in none.

    Attributes
    ----------
    signatures : Signatures
    of_row : ndarray of int, shape (n,)
        The group of each row of ``signatures``; -1 for those in none. Groups are in the order of
        their first rows: measurements before losses.
    alike : tuple of ndarray, shape (n_pairs,) each
        Rows i < j whose correlation is `NEAR` or more, and that with its sign.
    """

    signatures: Signatures
    of_row: Ints
    alike: tuple[Ints, Ints, Floats]

    @cached_property
    def members(self) -> tuple[Ints, ...]:
        """Rows of ``signatures`` in each group, in order."""
        order = np.argsort(self.of_row, kind="stable")[np.count_nonzero(self.of_row < 0) :]
        ends = np.cumsum(self.sizes).tolist()
        return tuple(order[a:b] for a, b in zip([0, *ends], ends, strict=False))

    @cached_property
    def sizes(self) -> Ints:
        """Members of each group, shape (n_groups,)."""
        return np.bincount(self.of_row[self.of_row >= 0])

    @cached_property
    def first(self) -> Ints:
        """The member of each group that stands for it, shape (n_groups,)."""
        seen = np.flatnonzero(self.of_row >= 0)
        return seen[np.unique(self.of_row[seen], return_index=True)[1]]

    @cached_property
    def correlations(self) -> Correlations:
        """Correlations of the signatures of the groups, worked out as they are asked for."""
        return Correlations(self.signatures, self.first)

    @cached_property
    def statistic(self) -> Floats:
        """Standardised statistic, shape (n_groups,), with the sign of the first member."""
        return np.asarray(self.signatures.statistic[self.first])

    def of(self, row: int) -> int | None:
        """Return the group of an error; None if it leaves no signature."""
        g = int(self.of_row[row])
        return None if g < 0 else g

    @cached_property
    def several(self) -> list[int]:
        """Groups of more than one member, or with nearly the same signature as another."""
        return sorted({*np.flatnonzero(self.sizes > 1).tolist(), *self._near})

    def near(self, g: int) -> list[tuple[int, float]]:
        """Return other groups with nearly the same signature, with correlations; closest first."""
        return self._near.get(g, [])

    @cached_property
    def _near(self) -> dict[int, list[tuple[int, float]]]:
        """By group, the others that are near."""
        i, j, C = self.alike
        stands = np.zeros(len(self.of_row), dtype=bool)
        stands[self.first] = True
        both = stands[i] & stands[j]
        found: dict[int, list[tuple[int, float]]] = {}
        ends = zip(self.of_row[i[both]].tolist(), self.of_row[j[both]].tolist(), strict=True)
        for (g, h), c in zip(ends, np.abs(C[both]).tolist(), strict=True):
            found.setdefault(g, []).append((h, c))
            found.setdefault(h, []).append((g, c))
        return {g: sorted(near, key=lambda n: (-n[1], n[0])) for g, near in found.items()}


class Correlations:
    """Correlations of some signatures, row by row as they are asked for.

    Parameters
    ----------
    signatures : Signatures
    rows : ndarray of int, shape (n,)
    """

    def __init__(self, signatures: Signatures, rows: Ints) -> None:
        self.signatures, self.rows = signatures, rows
        self._known: dict[int, Floats] = {}

    def __getitem__(self, chosen: Sequence[int] | Ints) -> Floats:
        """Return the correlations of chosen ones with all, shape (n_chosen, n)."""
        s, wanted = self.signatures, [int(i) for i in chosen]
        new = [i for i in dict.fromkeys(wanted) if i not in self._known]
        if new:
            rows = self.rows[new]
            C = s.products.columns(rows)[self.rows].T / s.size[self.rows] / s.size[rows, None]
            self._known.update(zip(new, C, strict=True))
        return np.array([self._known[i] for i in wanted]).reshape(len(wanted), len(self.rows))

    def among(self, chosen: Sequence[int]) -> Floats:
        """Return the correlations of chosen ones with each other, shape (n_chosen, n_chosen)."""
        s, rows = self.signatures, self.rows[list(chosen)]
        return np.asarray(s.products.at(rows) / s.size[rows] / s.size[rows, None])

    def diagonal(self) -> Floats:
        """Return those of each with itself, shape (n,): 1 but for rounding."""
        s = self.signatures
        return np.asarray(s.products.diagonal[self.rows] / s.size[self.rows] ** 2)


def equivalent_sets(signatures: Signatures) -> Groups:
    """Sort errors into groups whose signatures are the same up to size and sign.

    Notes
    -----
    The errors of a group can be told apart by no data: each explains what another explains. Exact:
    correlation 1 of the projected constraint matrix's columns, up to rounding.
    """
    seen = np.flatnonzero(signatures.seen)
    pairs = signatures.products.alike(signatures.size, NEAR)
    i, j, C = pairs
    # what rounding takes off a correlation, the more the shorter the signatures
    slack = _SAME + 1e-14 * signatures.size**-2.0
    same = np.abs(C) >= 1.0 - slack[i] - slack[j]
    leader = np.arange(len(signatures.redundancy))
    partners: dict[int, list[int]] = {}
    for a, b in zip(i[same].tolist(), j[same].tolist(), strict=True):
        partners.setdefault(a, []).append(b)
    taken = set[int]()
    for a in sorted(partners):
        if a not in taken:
            group = [b for b in partners[a] if b not in taken]
            taken.update(group)
            leader[group] = a
    of_row = np.full(leader.size, -1)
    of_row[seen] = np.unique(leader[seen], return_inverse=True)[1]
    return Groups(signatures, of_row, pairs)
