"""The balance problem under a hypothesis: readings left out, slips and mix-ups undone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isnan, nan

import numpy as np

from oretally.flowsheet import BalanceProblem, Position
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.hypotheses import Hypothesis, error_covariance, joint_errors
from oretally.recon.kinetics import Said
from oretally.recon.natural import linearised_at
from oretally.recon.signatures import (
    LOSS_UNIT,
    Meant,
    Mixups,
    Signatures,
    only_pushed,
    signatures_at,
)
from oretally.recon.solution import Solution
from oretally.recon.solver import ChangedSurvey, corrected, only_streams

__all__ = ["Balanced", "Changes"]


_NEAR = 3.0  # times: what a flow put right may be off from what the others say
_WIDE = 1e6  # times its stated error: a reading that says nothing


@dataclass(frozen=True, eq=False)
class Balanced:
    """A hypothesis that was balanced again, with what the course of a test over time says of it."""

    hypothesis: Hypothesis
    survey: ChangedSurvey
    solution: Solution
    said: Said


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

        Readings whose values nobody knows are as good as left out, places that nobody measured
        stay so: the rows of the signatures are the same.
        """
        own = set(self.mixups.readings)
        values = {
            p: self._as_good_as_lost(p) if isnan(v) else (v, sd)
            for p, (v, sd) in self._unmixed(h).items()
            if p in own
        }
        return corrected(self.problem, values)

    def signatures(self, h: Hypothesis, solution: Solution, n_nodes: int | None) -> Signatures:
        """Return the signatures, the mix-ups undone, linearised at the balance of a hypothesis."""
        base = self.mended(h)
        point = only_streams(only_pushed(solution), self.problem.n_carriers)
        reduced, classes = self.solution.reduced, self.solution.classes
        if h.mixups or len(self.problem.proportion):
            reduced = linearised_at(base, point.flow)
            classes = reduced.classes
        return signatures_at(base, reduced, point, classes=classes, n_nodes=n_nodes)

    def _unmixed(self, h: Hypothesis) -> dict[Position, tuple[float, float]]:
        """Return readings without the mix-ups of a hypothesis; NaN where nobody knows them."""
        found: dict[Position, tuple[float, float]] = {}
        for c in h.mixups:
            found |= self.mixups[c].values
        return found

    def read(self, place: Position) -> float:
        """Return a measured value as the balances have it."""
        k, j = place
        return float(self.problem.flow[j] if k is None else self.problem.grade[k, j])

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
        sizes = joint_errors(signatures, np.array([h.rows]))[0][0]
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

    def put_right(
        self, h: Hypothesis, solution: Solution | None
    ) -> Iterator[tuple[Hypothesis, int]]:
        """Yield a hypothesis with a flow put right by decades in place of left out, and the slip.

        If the others say so: ``solution`` is that without its rows.
        """
        for i in h.rows if solution is not None else ():
            for c in self.mixups.of_one.get(i, ()):
                (((_, j), (value, _)),) = self.mixups[c].values.items()
                if solution is not None and 1.0 / _NEAR < solution.flow[j] / value < _NEAR:
                    rest = tuple(k for k in h.rows if k != i)
                    yield Hypothesis(rest, tuple(sorted((*h.mixups, c)))), c

    def errors(
        self, rows: Ints, solutions: Sequence[Solution], signatures: Signatures
    ) -> tuple[Floats, Floats]:
        """Return the error of each reading in its solution, and the most that its sd can be."""
        where = [signatures.readings[i] for i in rows.tolist()]
        column = np.array([-1 if k is None else k for k, _ in where], dtype=np.intp)
        j, unit = np.array([c for _, c in where], dtype=np.intp), signatures.unit[rows]
        said = np.array([
            s.flow[c] if a < 0 else s.grade[a, c]
            for s, a, c in zip(solutions, column.tolist(), j.tolist(), strict=True)
        ])  # fmt: skip
        read = np.where(column < 0, self.problem.flow[j], 0.0)
        of_grade = column >= 0
        read[of_grade] = self.problem.grade[column[of_grade], j[of_grade]]
        return (read - said) / unit, np.maximum(np.maximum(abs(read), abs(said)) / unit, 1.0)

    def sizes(self, some: Sequence[Balanced], signatures: Signatures) -> tuple[Floats, Floats]:
        """Return the errors of the rows of hypotheses and their covariances, in their units.

        Of hypotheses of as many rows each: shapes (n_hypotheses, n) and (n_hypotheses, n, n). As
        balancing again has them, and the course of a leach with it, where it says something of all
        of them. What the data do not tell is known within the larger of what was read and what
        the others say. NaN for a hypothesis under which a stream whose assay is in error stops.
        """
        n, rows = len(signatures.readings), np.array([b.hypothesis.rows for b in some], np.intp)
        found, most = np.zeros(rows.shape), np.full(rows.shape, 1.0 / LOSS_UNIT)  # all that passes
        read = rows < n
        owner, _ = np.nonzero(read)
        solutions = [some[s].solution for s in owner.tolist()]
        found[read], most[read] = self.errors(rows[read], solutions, signatures)
        for s in np.flatnonzero(~read.all(axis=1)).tolist():
            found[s, ~read[s]] = self._lost(some[s], signatures)
        whole = np.isfinite(found).all(axis=1)
        found[~whole] = np.nan
        covariance = np.full((*rows.shape, rows.shape[1]), np.nan)
        covariance[whole] = error_covariance(signatures, rows[whole], most[whole])
        for s in np.flatnonzero(whole & read.all(axis=1)).tolist():
            by_course = self._sizes_by_course(some[s], signatures)
            if by_course is not None:
                found[s], covariance[s] = by_course
        return found, covariance

    def _lost(self, one: Balanced, signatures: Signatures) -> Floats:
        """Return the losses of a hypothesis as balanced, in their units; not finite if none is."""
        n, found = len(signatures.readings), list[float]()
        lost = [i for i in one.hypothesis.rows if i >= n]
        for i, flow in zip(lost, one.solution.flow[self.problem.n_carriers :], strict=True):
            leaves = one.survey.losses[signatures.nodes[i - n]][1] >= 0.0
            with np.errstate(invalid="ignore", divide="ignore"):  # nothing passes that node
                found.append((1.0 if leaves else -1.0) * flow / signatures.unit[i])
        return np.array(found)

    def _sizes_by_course(
        self, one: Balanced, signatures: Signatures
    ) -> tuple[Floats, Floats] | None:
        """Return sizes and their covariance where the course of a leach tells of all of them."""
        rows, said = list(one.hypothesis.rows), one.said
        own = [e for i in rows if (e := self.error_by(said, i, signatures))]
        if len(own) < len(rows):
            return None
        places, unit = [signatures.readings[i] for i in rows], signatures.unit[rows]
        together = np.array([[said.together[a, b] for b in places] for a in places])
        covariance = np.eye(len(places)) + 0.5 * (together + together.T) / np.outer(unit, unit)
        return np.array([size for size, _ in own]), covariance

    def error_by(self, said: Said, row: int, signatures: Signatures) -> tuple[float, float] | None:
        """Return an error and its variance as balances and a course together have them, if so."""
        place, unit = signatures.readings[row], signatures.unit[row]
        if place not in said.readings:
            return None
        value, sd = said.readings[place]
        return (self.read(place) - value) / unit, 1.0 + (sd / unit) ** 2

    def all_is_error(self, solution: Solution) -> bool:
        """Tell whether nothing runs in a solution: all that was read would be error.

        An error that is shared in proportion to the readings, as of a scale, can take all of them;
        of such a size it would explain whatever was read.
        """
        free = (self.problem.flow_lower == 0.0) & ~(self.problem.flow_sd == 0.0)
        return bool(free.any() and not solution.flow[: free.size][free].any())

    def _passing(self, node: int) -> Floats:
        """Return the mean grades of what enters a node, as balanced, shape (n_analytes,)."""
        row = self.problem.flow_balance[[node]].toarray()[0]
        into = np.where(row > 0.0, self.solution.flow, 0.0)
        if not into.any():  # it stands still in the balance: all that may enter counts alike
            into = np.where(row > 0.0, 1.0, 0.0)
        return np.asarray(np.nan_to_num(self.solution.grade) @ into / into.sum())
