"""Inner products of many signatures, by their structure: never an n x n matrix unless asked for.

Measurements of different columns (flows, the grades of each analyte) have to do with each other
through the flows alone, so that::

    P = blocks + losses - K K'

with one block a column, a dense border for the losses, and K of as many columns as flows are free.
Leaving errors out of the checks adds columns to K: P - P_T (P_TT)^-1 P_T'.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.numerics import one_thread

__all__ = ["InnerProducts"]

_NONE = 1e-10  # of the largest eigenvalue: what of the chosen errors is no direction of its own
_ROUNDING = 1.0 - 1e-12
_SMALL = 400  # rows, up to which all of P is formed
_CHUNK = 4_000_000  # numbers formed at once


@dataclass(frozen=True, eq=False)
class InnerProducts:
    """P = blocks + losses - K K', as above.

    Attributes
    ----------
    blocks : sequence of ndarray, shape (n_k, n_k)
        Of the measurements, column by column; symmetric.
    losses : ndarray, shape (n, n_losses)
        Of all rows with the last ones, those of the losses.
    K : ndarray, shape (n, any)
    """

    blocks: Sequence[Floats]
    losses: Floats
    K: Floats

    def __len__(self) -> int:
        return len(self.K)

    @cached_property
    def ends(self) -> Ints:
        """Where each block begins, and where the losses do, shape (n_blocks + 1,)."""
        return np.cumsum([0, *(len(b) for b in self.blocks)])

    @cached_property
    def block(self) -> Ints:
        """The block of each row, shape (n,); for losses the number after the last."""
        sizes = [*(len(b) for b in self.blocks), self.losses.shape[1]]
        return np.repeat(np.arange(len(sizes)), sizes)

    @cached_property
    def diagonal(self) -> Floats:
        """Inner products of the signatures with themselves, shape (n,)."""
        own = [np.diag(b) for b in self.blocks]
        return np.concatenate([*own, np.diag(self.losses[self.ends[-1] :])]) - self.through_flows

    @cached_property
    def through_flows(self) -> Floats:
        """Squared lengths of the rows of K, shape (n,)."""
        return np.asarray(np.einsum("ij,ij->i", self.K, self.K))

    @cached_property
    def _dense(self) -> Floats:
        return self.dense()

    @cached_property
    def _flat(self) -> tuple[Floats, Ints, Ints]:
        """All numbers of the blocks; where the row of each measurement begins, and its place."""
        sizes = np.array([len(b) for b in self.blocks])
        begin = np.repeat(np.cumsum(sizes**2) - sizes**2, sizes)
        place = np.arange(begin.size) - np.repeat(self.ends[:-1], sizes)
        flat = np.concatenate([b.ravel() for b in self.blocks])
        return flat, begin + place * np.repeat(sizes, sizes), place

    def at(self, rows: Sequence[int] | Ints, others: Sequence[int] | Ints | None = None) -> Floats:
        """Return P at some rows and others (by default the same), shape (n_rows, n_others)."""
        i = np.asarray(rows, dtype=np.intp)
        j = i if others is None else np.asarray(others, dtype=np.intp)
        if len(self) <= _SMALL:
            return np.asarray(self._dense[i[:, None], j])
        found, first = -(self.K[i] @ self.K[j].T), int(self.ends[-1])
        flat, begin, place = self._flat
        x, y = np.nonzero((self.block[i][:, None] == self.block[j]) & (i < first)[:, None])
        found[x, y] += flat[begin[i[x]] + place[j[y]]]
        lost = np.flatnonzero(j >= first)
        found[:, lost] += self.losses[i[:, None], j[lost] - first]
        gone, read = np.flatnonzero(i >= first), np.flatnonzero(j < first)
        if gone.size and read.size:
            found[gone[:, None], read] += self.losses[j[read], i[gone, None] - first]
        return np.asarray(found)

    def pairs(self, i: Ints, j: Ints) -> Floats:
        """Return P_ij of pairs of measurements, of the shape of ``i`` and ``j``."""
        if len(self) <= _SMALL:
            return np.asarray(self._dense[i, j])
        flat, begin, place = self._flat
        shape, i, j = i.shape, i.ravel(), j.ravel()
        found = np.empty(i.size)
        step = max(1, _CHUNK // max(self.K.shape[1], 1))
        for a in range(0, i.size, step):
            part = slice(a, a + step)
            found[part] = -np.einsum("ij,ij->i", self.K[i[part]], self.K[j[part]])
        same = np.flatnonzero(self.block[i] == self.block[j])
        found[same] += flat[begin[i[same]] + place[j[same]]]
        return found.reshape(shape)

    def among(self, sets: Ints) -> Floats:
        """Return P of each set of rows with itself: (n_sets, n) to (n_sets, n, n)."""
        if len(self) <= _SMALL:
            return np.asarray(self._dense[sets[:, :, None], sets[:, None, :]])
        return np.array([self.at(rows) for rows in sets]).reshape(*sets.shape, sets.shape[1])

    def columns(self, chosen: Sequence[int] | Ints) -> Floats:
        """Return some columns of P, shape (n, n_chosen)."""
        j = np.asarray(chosen, dtype=np.intp)
        found, first = -(self.K @ self.K[j].T), int(self.ends[-1])
        for at, c in enumerate(j.tolist()):
            if c >= first:
                found[:, at] += self.losses[:, c - first]
                continue
            b = int(self.block[c])
            start = int(self.ends[b])
            found[start : self.ends[b + 1], at] += self.blocks[b][:, c - start]
            found[first:, at] += self.losses[c]
        return np.asarray(found)

    def times(self, errors: Floats) -> Floats:
        """Return the products of sets of errors of all measurements with P, shape (any, n_read)."""
        n = int(self.ends[-1])
        found = -((errors @ self.K[:n]) @ self.K[:n].T)
        for start, block in zip(self.ends.tolist(), self.blocks, strict=False):
            found[:, start : start + len(block)] += errors[:, start : start + len(block)] @ block
        return np.asarray(found)

    def within(self, b: int) -> Floats:
        """Return P of one block with itself, shape (n_b, n_b)."""
        K = self.K[self.ends[b] : self.ends[b + 1]]
        return np.asarray(self.blocks[b] - K @ K.T)

    def dense(self) -> Floats:
        """Return all of P, shape (n, n)."""
        found = -(self.K @ self.K.T)
        for start, block in zip(self.ends.tolist(), self.blocks, strict=False):
            rows = slice(start, start + len(block))
            found[rows, rows] += block
        first = int(self.ends[-1])
        found[:, first:] += self.losses
        found[first:, :first] += self.losses[:first].T
        return np.asarray(found)

    def of(self, rows: Ints) -> InnerProducts:
        """Return P at some rows in another order, those of each block together as they are here."""
        first = int(self.ends[-1])
        parts = [rows[self.block[rows] == b] for b in range(len(self.blocks))]
        own = [part - start for part, start in zip(parts, self.ends.tolist(), strict=False)]
        lost = rows[rows >= first] - first
        return InnerProducts(
            [b[i[:, None], i] for b, i in zip(self.blocks, own, strict=True)],
            self.losses[rows[:, None], lost], self.K[rows],
        )  # fmt: skip

    def without(self, chosen: Sequence[int], r: Floats) -> tuple[InnerProducts, Floats]:
        """Return P, and r of shape (n,), when the chosen errors are allowed any size."""
        P_T = self.columns(chosen)
        values, vectors = np.linalg.eigh(P_T[list(chosen)])
        seen = values > _NONE * np.abs(values).max(initial=0.0)
        half = P_T @ (vectors[:, seen] / np.sqrt(values[seen]))
        pulled = (vectors[:, seen] / np.sqrt(values[seen])).T @ r[list(chosen)]
        return replace(self, K=np.hstack([self.K, half])), r - half @ pulled

    def alike(self, size: Floats, least: float) -> tuple[Ints, Ints, Floats]:
        """Return the pairs i < j whose correlation is at least so large, and that with its sign.

        ``size``, shape (n,), has what each row is divided by; rows of infinite size have none. Rows
        of different columns meet in K alone, and no product of two of its rows exceeds that of
        their lengths: few can be so much alike, and only those are compared.
        """
        with one_thread():
            found = [part for part in self._alike(size, least) if part[0].size]
        if not found:
            none = np.zeros(0, dtype=np.intp)
            return none, none, np.zeros(0)
        i, j, C = (np.concatenate(part) for part in zip(*found, strict=True))
        order = np.lexsort((j, i))
        return i[order], j[order], C[order]

    def _alike(self, size: Floats, least: float) -> Iterator[tuple[Ints, Ints, Floats]]:
        unit, first = 1.0 / size, int(self.ends[-1])
        for b, start in enumerate(self.ends[:-1].tolist()):
            own = unit[start : self.ends[b + 1]]
            C = self.within(b) * own[:, None] * own
            i, j = np.nonzero(np.triu(np.abs(C) >= least, 1))
            yield i + start, j + start, C[i, j]
        lost = np.arange(first, len(self))
        if lost.size:
            C = (self.losses - self.K @ self.K[lost].T) * unit[:, None] * unit[lost]
            i, j = np.nonzero(np.abs(C) >= least)
            before = i < j + first
            yield i[before], j[before] + first, C[i[before], j[before]]
        along = np.sqrt(self.through_flows) * unit
        order = np.argsort(-along[:first], kind="stable")
        along, a = along[order], 0
        while a < first and along[a] > 0.0:
            # up to here their lengths would do
            n = int(np.searchsorted(-along, -least * _ROUNDING / along[a], side="right"))
            if n <= a + 1:
                break
            part, others = order[a : a + max(1, _CHUNK // n)], order[:n]
            C = -((self.K[part] * unit[part, None]) @ (self.K[others] * unit[others, None]).T)
            apart = self.block[part][:, None] != self.block[others]
            later = np.arange(n) > np.arange(a, a + part.size)[:, None]
            x, y = np.nonzero((np.abs(C) >= least) & apart & later)
            i, j = part[x], others[y]
            yield np.minimum(i, j), np.maximum(i, j), C[x, y]
            a += part.size
