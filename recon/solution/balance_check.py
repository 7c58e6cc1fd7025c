"""How far balances are open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import BalanceProblem, Rows
from oretally.flowsheet.arrays import Floats, Ints

__all__ = ["BalanceCheck"]


_SMALL = 4_000  # balances of at most so many entries are dense matrices


class BalanceCheck:
    """How far balances are open, for flows and grades in the units of a balance problem."""

    def __init__(self, problem: BalanceProblem) -> None:
        self._flow = _Family.of(problem.flow_balance, [problem.flow_source])
        self._parts = problem.shares if len(problem.proportion) else None
        self._analytes = [
            (
                analytes if len(analytes) < problem.n_analytes else slice(None),
                _Family.of(B, [problem.analyte_source[k] for k in analytes]),
            )
            for B, analytes in problem.alike
        ]

    def largest(self, flow: Floats, grade: Floats) -> Floats:
        """Return the largest residual of all balances, each against what passes its node.

        Where next to nothing of an analyte passes, a millionth of what the largest grade would
        carry through the node takes its place: rounding there is rounding of nothing.

        Parameters
        ----------
        flow : ndarray, shape (n_carriers, n_surveys)
        grade : ndarray, shape (n_carriers, n_analytes, n_surveys)
            Grades of stopped streams must be finite.

        Returns
        -------
        ndarray, shape (n_surveys,)
        """
        F = flow[:, None, :]
        worst = self._flow.share(F, 0.0)[0]
        if self._parts is not None:
            worst = np.maximum(worst, _apart(*self._parts, flow))
        for analytes, family in self._analytes:
            x = grade[:, analytes]
            largest = np.abs(x).max(axis=0, initial=0.0)
            share = family.share(F * x, 1e-6 * family.passing(np.abs(F)) * largest)
            worst = np.maximum(worst, share.max(axis=0))
        return np.asarray(worst)


def _apart(part: Ints, whole: Ints, share: Ints, flow: Floats) -> Floats:
    """Return how far parts are from their common shares, of the parts of all that are alike."""
    sums = np.zeros((2, int(share.max()) + 1, flow.shape[1]))
    np.add.at(sums[0], share, flow[part])
    np.add.at(sums[1], share, flow[whole])
    q = sums[0] / np.where(sums[1] > 0.0, sums[1], 1.0)
    gap = np.abs(flow[part] - q[share] * flow[whole])
    size = np.maximum(np.abs(flow[part]), 1e-6 * np.abs(flow[whole]))
    return np.asarray((gap / np.where(size > 0.0, size, 1.0)).max(axis=0))


@dataclass(frozen=True, eq=False)
class _Family:
    """Balances B y = source of several analytes."""

    B: Floats | Rows
    size: Floats | Rows
    source: Floats

    @classmethod
    def of(cls, B: Rows, source: list[Floats]) -> _Family:
        right = np.array(source).T[:, :, None]
        if B.shape[0] * B.shape[1] <= _SMALL:
            return cls(B.toarray(), 0.5 * np.abs(B.toarray()), right)
        return cls(B, abs(B) * 0.5, right)

    def passing(self, amounts: Floats) -> Floats:
        """Return what passes each node, half of what enters and leaves it."""
        flat = self.size @ amounts.reshape(amounts.shape[0], -1)
        return np.asarray(flat).reshape(-1, *amounts.shape[1:])

    def share(self, amounts: Floats, least: Floats | float) -> Floats:
        """Return the largest residual over what passes, for each analyte and survey."""
        flat = np.asarray(self.B @ amounts.reshape(amounts.shape[0], -1))
        residual = np.abs(flat.reshape(-1, *amounts.shape[1:]) - self.source)
        size = np.maximum(self.passing(np.abs(amounts)) + 0.5 * np.abs(self.source), least)
        return np.asarray((residual / np.where(size > 0.0, size, 1.0)).max(axis=0, initial=0.0))
