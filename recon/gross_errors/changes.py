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
    MovedNumber,
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
    nodes : tuple of int
        At which a loss is looked for.
    """

    problem: BalanceProblem
    solution: Solution
    mixups: Mixups
    nodes: tuple[int, ...]

    def signatures(self, h: Hypothesis, solution: Solution, n_nodes: int | None) -> Signatures:
        """Return the signatures, the mix-ups undone, linearised at the balance of a hypothesis.

        Rows are those of the survey as it is: each number as it was written, where it belongs. A
        place that a number left and none came to is measured as badly as if it were not.
        """
        numbers = self.mixups.undone(h.mixups)
        values = self.mixups.values(h.mixups)
        base = corrected(self.problem, {
            p: self._as_good_as_lost(p) if isnan(v) else (v, sd) for p, (v, sd) in values.items()
        })  # fmt: skip
        point = only_streams(only_pushed(solution), self.problem.n_carriers)
        reduced, classes = self.solution.reduced, self.solution.classes
        if h.mixups or len(self.problem.proportion):
            reduced = linearised_at(base, point.flow)
            classes = reduced.classes
        found = signatures_at(base, reduced, point, classes=classes, n_nodes=n_nodes)
        if not numbers:
            return found
        return found.of(self.mixups.readings, self.nodes, self._rows_of(h.mixups, found))

    def _rows_of(self, mixups: Sequence[int], signatures: Signatures) -> Ints:
        """Return where the numbers as written, and the losses, stand in signatures of places.

        A number that belongs in no place of its column takes the row of one that nothing came to.
        """
        numbers, untold = self.mixups.undone(mixups), self.mixups.untold(mixups)
        row = {p: i for i, p in enumerate(signatures.readings)}
        found = list[int]()
        for i, place in enumerate(self.mixups.readings):
            to = numbers[i].place if i in numbers else place
            found.append(-1 if to is None or i in untold else row.pop(to))
        for i in sorted(untold):
            column = self.mixups.readings[i].analyte
            found[i] = row.pop(next(p for p in row if p.analyte == column))
        n, node = len(signatures.readings), {k: i for i, k in enumerate(signatures.nodes)}
        return np.array([*found, *(n + node[k] for k in self.nodes)], dtype=np.intp)

    def _reading(self, place: Position) -> tuple[float, float]:
        """Return a measured value and its stated error as the balances have them."""
        k, j = place
        if k is None:
            return float(self.problem.flow[j]), float(self.problem.flow_sd[j])
        return float(self.problem.grade[k, j]), float(self.problem.grade_sd[k, j])

    def _as_good_as_lost(self, place: Position) -> tuple[float, float]:
        value, sd = self._reading(place)
        return value, _WIDE * sd

    def number(self, h: Hypothesis, row: int) -> MovedNumber:
        """Return where the number of a row belongs under a hypothesis, and what it says there."""
        place = self.mixups.readings[row]
        moved = self.mixups.undone(h.mixups).get(row) if h.mixups else None
        return MovedNumber(place, *self._reading(place)) if moved is None else moved

    def under(self, h: Hypothesis, signatures: Signatures) -> ChangedSurvey:
        """Return the survey without the rows, the mix-ups undone, a stream for each loss."""
        n = len(signatures.readings)
        gone = [self.number(h, i).place for i in h.rows if i < n]
        readings = self.mixups.values(h.mixups)
        readings |= {p: (nan, nan) for p in gone if p is not None}
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
        values = dict(
            self.meant(h, i, m.value, m.sd)
            for i, m in zip(h.rows, meant, strict=True)
            if m is not None and m.kind != "wet mass"
        )
        return self.under(h, signatures).and_readings(values)

    def meant(
        self, h: Hypothesis, row: int, value: float, sd: float
    ) -> tuple[Position, tuple[float, float]]:
        """Return where a number belongs, and what it says there if another was meant."""
        place, there, _ = self.number(h, row)
        own = self.mixups.readings[row]
        scale = there / self._reading(own)[0] if place != own else 1.0
        return (own if place is None else place), (scale * value, scale * sd)

    def put_right(
        self, h: Hypothesis, solution: Solution | None
    ) -> Iterator[tuple[Hypothesis, int]]:
        """Yield a hypothesis with a flow put right by decades in place of left out, and the slip.

        If the others say so: ``solution`` is that without its rows.
        """
        for i in h.rows if solution is not None else ():
            for c in self.mixups.of_one.get(i, ()):
                rest = tuple(k for k in h.rows if k != i)
                other = Hypothesis(rest, h.mixups).and_mixup(c)
                place, value, _ = self.number(other, i)
                if solution is None or place is None:
                    continue
                if 1.0 / _NEAR < solution.flow[place.carrier] / value < _NEAR:
                    yield other, c

    def errors(
        self, rows: Sequence[tuple[Hypothesis, int, Solution]], signatures: Signatures
    ) -> tuple[Floats, Floats]:
        """Return the error of each reading, under a hypothesis and in its solution.

        With the most that the sd of each can be.
        """
        chosen = np.array([i for _, i, _ in rows], dtype=np.intp)
        where = [signatures.readings[i] for i in chosen.tolist()]
        column = np.array([-1 if k is None else k for k, _ in where], dtype=np.intp)
        j, unit = np.array([c for _, c in where], dtype=np.intp), signatures.unit[chosen]
        read = np.where(column < 0, self.problem.flow[j], 0.0)
        of_grade = column >= 0
        read[of_grade] = self.problem.grade[column[of_grade], j[of_grade]]
        for at, (h, i, _) in enumerate(rows):
            if h.mixups:
                place, read[at], unit[at] = self.number(h, i)
                if place is not None:
                    column[at] = -1 if place.analyte is None else place.analyte
                    j[at] = place.carrier
        said = np.array([
            s.flow[c] if a < 0 else s.grade[a, c]
            for (_, _, s), a, c in zip(rows, column.tolist(), j.tolist(), strict=True)
        ])  # fmt: skip
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
        found[read], most[read] = self.errors([
            (some[s].hypothesis, i, some[s].solution)
            for s, i in zip(np.nonzero(read)[0].tolist(), rows[read].tolist(), strict=True)
        ], signatures)  # fmt: skip
        for s in np.flatnonzero(~read.all(axis=1)).tolist():
            found[s, ~read[s]] = self._lost(some[s], signatures)
        whole = np.isfinite(found).all(axis=1)
        found[~whole] = np.nan
        covariance = np.full((*rows.shape, rows.shape[1]), np.nan)
        covariance[whole] = error_covariance(signatures, rows[whole], most[whole])
        for s in np.flatnonzero(whole & read.all(axis=1)).tolist():
            by_course = self._sizes_by_course(some[s])
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

    def _sizes_by_course(self, one: Balanced) -> tuple[Floats, Floats] | None:
        """Return sizes and their covariance where the course of a leach tells of all of them."""
        h, said = one.hypothesis, one.said
        own = [e for i in h.rows if (e := self.error_by(h, said, i))]
        if len(own) < len(h.rows):
            return None
        numbers = [self.number(h, i) for i in h.rows]
        places, unit = [m.place for m in numbers if m.place], np.array([m.sd for m in numbers])
        together = np.array([[said.together[a, b] for b in places] for a in places])
        covariance = np.eye(len(places)) + 0.5 * (together + together.T) / np.outer(unit, unit)
        return np.array([size for size, _ in own]), covariance

    def error_by(self, h: Hypothesis, said: Said, row: int) -> tuple[float, float] | None:
        """Return an error and its variance as balances and a course together have them, if so."""
        place, read, unit = self.number(h, row)
        if place is None or place not in said.readings:
            return None
        value, sd = said.readings[place]
        return (read - value) / unit, 1.0 + (sd / unit) ** 2

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
