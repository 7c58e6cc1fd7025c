"""Normal equations of what shifts share: their sum, its solution, what it leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.numerics import one_thread

__all__ = ["NormalEquations"]

_OPEN = 1e-11  # curvature that is none, in units where every unknown has 1 by itself
_SEEN = 1e-6  # share of a function along what is left open, that is rounding


@dataclass(frozen=True)
class NormalEquations:
    """N z = n, with N the sum of what each shift says and of the prior.

    Attributes
    ----------
    N : ndarray, shape (size, size)
    """

    N: Floats

    @classmethod
    def of(
        cls, curvatures: Sequence[Floats], index: Sequence[Ints], prior: Floats
    ) -> NormalEquations:
        """Return the sum; ``index`` says which unknowns each shift has."""
        N = np.diag(prior)
        for L, at in zip(curvatures, index, strict=True):
            np.add.at(N, (at[:, None], at[None, :]), L)
        return cls(N)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.N)

    @cached_property
    def _scale(self) -> Floats:
        d = np.diag(self.N)
        return np.asarray(np.where(d > 0.0, d, 1.0) ** -0.5)

    @cached_property
    def _eigen(self) -> tuple[Floats, Floats]:
        """Eigenvalues and vectors of N in units where its diagonal is 1."""
        with one_thread():
            values, vectors = scipy.linalg.eigh(self.N * np.outer(self._scale, self._scale))
        return values, vectors

    @cached_property
    def _seen(self) -> Bools:
        values = self._eigen[0]
        return np.asarray(values > _OPEN * values.max(initial=0.0))

    @property
    def rank(self) -> int:
        """How many combinations of the unknowns are told."""
        return int(self._seen.sum())

    def solve(self, n: Floats) -> tuple[Floats, Bools]:
        """Return N^-1 n for columns n, and whether each lies in what is told.

        Where N leaves something open, of all solutions the one nearest to 0 in its units.
        """
        values, vectors = self._eigen
        along = vectors.T @ (n * self._scale[:, None])
        size = np.sqrt((along**2).sum(axis=0))
        lost = np.sqrt((along[~self._seen] ** 2).sum(axis=0))
        kept = along[self._seen] / values[self._seen, None]
        z = (vectors[:, self._seen] @ kept) * self._scale[:, None]
        return z, lost <= _SEEN * size

    def minimum(self, right: Sequence[Floats], index: Sequence[Ints]) -> Floats:
        """Return z with N z = the sum of what each shift has on the right."""
        n = np.zeros(self.size)
        for part, at in zip(right, index, strict=True):
            np.add.at(n, at, part)
        return self.solve(n[:, None])[0][:, 0]

    @cached_property
    def sd(self) -> Floats:
        """Standard deviations of the unknowns; infinite for those left open."""
        values, vectors = self._eigen
        V = vectors * self._scale[:, None]
        variance = (V[:, self._seen] ** 2 / values[self._seen]).sum(axis=1)
        open_ = (vectors[:, ~self._seen] ** 2).sum(axis=1) > _SEEN
        return np.asarray(np.where(open_, np.inf, np.sqrt(variance)))
