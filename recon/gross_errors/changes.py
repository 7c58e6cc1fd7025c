"""The balance problem under a hypothesis: readings left out, slips and mix-ups undone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, nan

import numpy as np

from oretally.flowsheet import BalanceProblem, Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.hypotheses import Hypothesis, joint_errors
from oretally.recon.signatures import Meant, Mixups, Signatures
from oretally.recon.solution import Solution
from oretally.recon.solver import ChangedSurvey, corrected

__all__ = ["Changes"]


_WIDE = 1e6  # times its stated error: a reading that says nothing


@dataclass(frozen=True, eq=False)
class Changes:
    """Changes of one survey.

    Attributes
    ----------
    problem, solution : BalanceProblem, Solution
        The survey as it is.
    mixups : Mixups
    """

    problem: BalanceProblem
    solution: Solution
    mixups: Mixups

    def mended(self, h: Hypothesis) -> BalanceProblem:
        """Return the problem with the mix-ups of a hypothesis undone, all readings kept.

        Readings whose values nobody knows are as good as left out.
        """
        values = {
            p: self._as_good_as_lost(p) if isnan(v) else (v, sd)
            for p, (v, sd) in self._unmixed(h).items()
        }
        return corrected(self.problem, values)

    def _unmixed(self, h: Hypothesis) -> dict[Position, tuple[float, float]]:
        """Return readings without the mix-ups of a hypothesis; NaN where nobody knows them."""
        found: dict[Position, tuple[float, float]] = {}
        for c in h.mixups:
            found |= self.mixups[c].values
        return found

    def _as_good_as_lost(self, place: Position) -> tuple[float, float]:
        k, j = place
        if k is None:
            return float(self.problem.flow[j]), _WIDE * float(self.problem.flow_sd[j])
        return float(self.problem.grade[k, j]), _WIDE * float(self.problem.grade_sd[k, j])

    def under(self, h: Hypothesis, signatures: Signatures) -> ChangedSurvey:
        """Return the survey without the rows, the mix-ups undone, a stream for each loss."""
        n = len(signatures.readings)
        gone = {signatures.readings[i]: (nan, nan) for i in h.rows if i < n}
        readings = {**self._unmixed(h), **gone}
        if len(gone) == len(h.rows):
            return ChangedSurvey(self.problem, readings)
        sizes, _ = joint_errors(signatures, h.rows)
        return ChangedSurvey(self.problem, readings, {
            signatures.nodes[i - n]: (self._passing(signatures.nodes[i - n]), float(size))
            for i, size in zip(h.rows, sizes, strict=True) if i >= n
        })  # fmt: skip

    def undone(
        self, h: Hypothesis, signatures: Signatures, meant: Sequence[Meant | None]
    ) -> ChangedSurvey:
        """Return the survey under a hypothesis, what is known to be meant in place of its rows.

        How wet a wet mass was nobody knows: it is left out.
        """
        values = {
            signatures.readings[i]: (m.value, m.sd)
            for i, m in zip(h.rows, meant, strict=True)
            if m is not None and m.kind != "wet mass"
        }
        return self.under(h, signatures).and_readings(values)

    def _passing(self, node: int) -> Floats:
        """Return the mean grades of what enters a node, as balanced, shape (n_analytes,)."""
        row = self.problem.flow_balance[[node]].toarray()[0]
        into = np.where(row > 0.0, self.solution.flow, 0.0)
        if not into.any():  # it stands still in the balance: all that may enter counts alike
            into = np.where(row > 0.0, 1.0, 0.0)
        return np.asarray(np.nan_to_num(self.solution.grade) @ into / into.sum())
