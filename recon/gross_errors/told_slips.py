"""Slips as they are told: with the readings as they would be, and what is left of the objective."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import Position
from oretally.recon.gross_errors.changes import Changes
from oretally.recon.gross_errors.diagnosis import Diagnosis
from oretally.recon.gross_errors.likely_explanations import Explained
from oretally.recon.result import Slip, explained
from oretally.recon.signatures import PossibleSlips, wet_reason
from oretally.recon.solution import Solution
from oretally.recon.solver import Refitter

__all__ = ["ToldSlips"]

_WORTH = 0.15  # of the probability of a reading being wrong, from which a slip of it is told
_MOST = 3  # slips told for one measurement


class ToldSlips:
    """Slips of one survey in words and numbers.

    Parameters
    ----------
    found : Diagnosis
    slips : PossibleSlips
    changes : Changes
        Of the survey.
    refitter : Refitter
    """

    def __init__(
        self, found: Diagnosis, slips: PossibleSlips, changes: Changes, refitter: Refitter
    ) -> None:
        self.found, self.slips = found, slips
        self._changes, self._refitter = changes, refitter.afresh()
        self._told: dict[tuple[int, int], Slip | None] = {}

    def of_row(self, row: int) -> tuple[Slip, ...]:
        """Return the slips that may be behind one reading, the likeliest first."""
        shares = self.found.of_ways(row)
        decades = [
            (self.found.of_mixup.get(c, 0.0), c) for c in self.found.mixups.of_one.get(row, ())
        ]
        slip, total = self.found.ways[row].slip, float(shares.sum()) + sum(p for p, _ in decades)
        likely = [(float(shares[slip == s].sum()), int(s)) for s in np.unique(slip) if s >= 0]
        free = float(shares[slip < 0].sum())
        every = [(p, s, False) for p, s in likely] + [(p, c, True) for p, c in decades]
        told = (
            self.of_mixup(number, free) if far else self._of_row(row, number, p, free)
            for p, number, far in sorted(every, key=lambda each: (-each[0], each[1]))
            if p > _WORTH * total > 0.0
        )
        seen: dict[str, Slip] = {}
        for each in told:  # two slips that come to the same number are told as the likelier
            if each is not None:
                seen.setdefault(f"{each.readings[0].fits or 0.0:.9g}", each)
        return tuple(seen.values())[:_MOST]

    def of_mixup(self, number: int, free: float | None = None) -> Slip | None:
        """Return a mix-up of several readings, the rest of the likeliest hypothesis as it is.

        None if that cannot be balanced. Its odds are against ``free``, the probability of an error
        of any size there; by default against there being none.
        """
        found, mixup = self.found, self.found.mixups[number]
        p, under = found.of_mixup[number], found.first_with_mixup(number)
        survey = self._changes.under(under, found.at_best.signatures)
        solution = self._refitter.refits([survey]).get(0)
        if solution is None:
            return None
        # one of them may be wrong itself
        values = {place: survey.readings[place] for place in mixup.values}
        misfit = max(
            (abs(v - _at(solution, place)) / sd for place, (v, sd) in values.items() if v == v),
            default=0.0,
        )
        odds = p / max(found.sound if free is None else free, 1e-300)
        return Slip(
            mixup.kind,
            tuple(
                self.slips.changed(place, v)
                for place, (v, _) in values.items()
                if place in self.slips.written
            ),  # fmt: skip
            mixup.reason,
            p,
            min(float(np.log(max(odds, 1e-300))), 700.0),
            float(misfit),
            *found.left(survey.problem, solution),
        )

    def under(self, e: Explained) -> tuple[Slip, ...]:
        """Return the slips that an explanation undoes."""
        rows = [self._of_row(i, s, e.probability, 0.0)
                for i, s in zip(e.rows, e.slips, strict=True) if s >= 0]  # fmt: skip
        found = (*rows, *map(self.of_mixup, e.mixups))
        return tuple(s for s in found if s is not None)

    def _of_row(self, row: int, number: int, p: float, free: float) -> Slip | None:
        """Return one slip of a reading, the rest of the likeliest hypothesis left out too."""
        key = row, number
        if key not in self._told:
            self._told[key] = self._undone(row, number, p, free)
        return self._told[key]

    def _undone(self, row: int, number: int, p: float, free: float) -> Slip | None:
        found = self.found
        signatures, meant = found.at_best.signatures, found.meant.of(row)[number]
        under = found.first_with(row)
        if under is None:
            return None
        size, covariance = found.errors_under(under)
        at, unit = under.rows.index(row), signatures.unit[row]
        read, sd = self.slips.as_read(signatures.readings[row])
        said = read - float(size[at]) * unit
        value, reason = meant.value, meant.reason
        wet = meant.kind == "wet mass"
        if wet:
            value, reason = said, wet_reason(read, said)
        survey = self._changes.under(under, signatures)
        there = self._changes.meant(under, row, value, sd if wet else meant.sd)
        survey = survey.and_readings(dict([there]))
        solution = self._refitter.refits([survey]).get(0)
        if solution is None:
            return None
        (objective, dof), left = found.left(survey.problem, solution), found.left_under(under)
        misfit = 0.0
        if np.isfinite(left):
            if explained(left, dof - 1) and not explained(objective, dof):
                return None  # what was linear where it was weighed is hopeless where it holds
            misfit = 0.0 if wet else float(max(objective - left, 0.0) ** 0.5)
        elif not wet:
            spread = covariance[at, at] + (meant.sd / unit) ** 2 - 1.0
            misfit = float(abs(value - said) / unit / max(spread, 1e-300) ** 0.5)
        odds = float(np.log(max(p, 1e-300) / max(free, 1e-300))) if free > 0.0 else float("inf")
        return Slip(
            meant.kind, (self.slips.changed(signatures.readings[row], value),), reason, p,
            min(odds, 700.0), misfit, objective, dof,
        )  # fmt: skip


def _at(solution: Solution, place: Position) -> float:
    k, j = place
    return float(solution.flow[j] if k is None else solution.grade[k, j])
