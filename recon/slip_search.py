"""Look for slips behind the readings of an explanation, and balance again with each undone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem, Circuit, Measurement, Position, Survey, arrangement
from oretally.recon.covariance import propagate
from oretally.recon.diagnosis import Explained
from oretally.recon.findings import ErrorRates, Slip, SlippedReading
from oretally.recon.refits import corrected, refit, without_readings
from oretally.recon.slips import (
    SWAPPED,
    Reading,
    log_density_of_any_error,
    log_normal,
    undone,
)
from oretally.recon.solution import Solution

__all__ = ["SlipSearch"]

Floats = NDArray[np.float64]

_FITS = 3.0  # sd that a corrected reading may be off
_WORTH = -1.5  # log odds against an error of any size from which a slip is told
_MARGIN = 4.0  # log odds that a balance without both readings may add
_MOST = 3  # slips told for one measurement
_PARTNERS = 6  # exchanges tried for one measurement


@dataclass(frozen=True, slots=True)
class _Fix:
    """Corrected readings, and how likely the slip is against an error of any size."""

    kind: str
    reason: str
    values: Mapping[Position, tuple[float, float]]
    misfit: float
    log_odds: float


class SlipSearch:
    """Slips of one survey.

    Parameters
    ----------
    circuit, survey : Circuit, Survey
    problem : BalanceProblem
    rates : ErrorRates
    """

    def __init__(
        self, circuit: Circuit, survey: Survey, problem: BalanceProblem, rates: ErrorRates
    ) -> None:
        self.survey, self.problem, self.rates = survey, problem, rates
        at = arrangement(circuit, survey).readings
        self.written: dict[Position, Measurement] = {
            at[m.stream, m.quantity]: m for m in survey.measurements
        }

    def behind(self, place: Position, under: Explained) -> tuple[Slip, ...]:
        """Return slips that may be behind a measurement that an explanation leaves out.

        Likeliest first: those that fit and are about as likely as an error of any size, or more.
        """
        written = self.written.get(place)
        if under.solution is None or written is None or not written.typed:
            return ()  # no slip of a number that nobody wrote
        reading = self._reading(place, under.problem, under.solution)
        if reading is None:
            return ()
        whole = corrected(under.problem, {place: self._as_written(place)})
        any_error = log_density_of_any_error(reading, self.rates)
        fixes = self._single(place, reading, any_error)
        near = under.solution.flow
        fixes += self._exchanged(place, reading, any_error, whole, near)
        fixes.sort(key=lambda fix: -fix.log_odds)
        seen: dict[tuple[object, ...], _Fix] = {}
        for fix in fixes:  # two slips that come to the same number are told as the likelier
            seen.setdefault(tuple((p, f"{v:.9g}") for p, (v, _) in fix.values.items()), fix)
        told = (self._told(fix, whole, near) for fix in list(seen.values())[:_MOST])
        return tuple(slip for slip in told if slip is not None)

    def _as_written(self, place: Position) -> tuple[float, float]:
        m = self.written[place]
        return m.value_base, self.survey.own_variance(m) ** 0.5

    def _reading(
        self, place: Position, problem: BalanceProblem, solution: Solution
    ) -> Reading | None:
        """Return a reading beside what the others say of it; None if they say nothing."""
        k, j = place
        classes = solution.classes
        if not (classes.flow_determined[j] if k is None else classes.grade_determined[k, j]):
            return None
        said = solution.flow[j] if k is None else solution.grade[k, j]
        sd = float(propagate(problem, solution).joint([place])[0, 0]) ** 0.5
        if not np.isfinite([said, sd]).all():
            return None
        m = self.written[place]
        shown = m.unit.from_base
        own_sd = shown(self._as_written(place)[1])
        return Reading(m.value, own_sd, m.unit, shown(float(said)), shown(float(sd)))

    def _single(self, place: Position, reading: Reading, any_error: float) -> list[_Fix]:
        """Return the fixes of one reading that fit."""
        found = []
        for u in undone(reading, self.survey.containers):
            if u.kind == "wet mass" and self.written[place].quantity != self.survey.basis.quantity:
                continue  # water and wet material are what they are called
            misfit = abs(u.value - reading.said) / np.hypot(u.sd, reading.said_sd)
            if misfit <= _FITS and u.log_odds > any_error + _WORTH:
                base = reading.unit.to_base
                found.append(
                    _Fix(u.kind, u.reason, {place: (base(u.value), base(u.sd))}, float(misfit),
                         u.log_odds - any_error)
                )  # fmt: skip
        return found

    def _exchanged(
        self, place: Position, reading: Reading, any_error: float, whole: BalanceProblem,
        near: Floats,
    ) -> list[_Fix]:  # fmt: skip
        """Return the fixes in which the reading and another one changed places.

        Another of the same quantity, or of another analyte in the same stream.
        """
        dimension, this = reading.unit.dimension, self.written[place]
        partners = [
            p for p, m in self.written.items()
            if p != place and m.typed and m.unit.dimension is dimension
            and (m.quantity == this.quantity or m.stream == this.stream)
        ]  # fmt: skip
        found = []
        for other in self._fitting(reading, partners):
            m = self.written[other]
            value, sd = (reading.unit.from_base(b) for b in self._as_written(other))
            # as the others say it with this reading left out: what both left out would hardly mend
            hope = log_normal(value - reading.said, sd, reading.said_sd) - any_error
            if hope + log(SWAPPED / len(partners)) < _WORTH - _MARGIN:
                continue
            both = without_readings(whole, [place, other])
            solution = refit(both, near)
            if solution is None:
                continue
            here = self._reading(place, both, solution)
            there = self._reading(other, both, solution)
            if here is None:
                continue
            log_odds = log_normal(value - here.said, sd, here.said_sd) - any_error
            misfit = abs(value - here.said) / np.hypot(sd, here.said_sd)
            moved = m.unit.from_base(self.written[place].value_base)
            moved_sd = m.unit.from_base(self._as_written(place)[1])
            if there is not None:
                log_odds += log_normal(moved - there.said, moved_sd, there.said_sd)
                log_odds -= log_normal(there.value - there.said, there.sd, there.said_sd)
                misfit = max(misfit, abs(moved - there.said) / np.hypot(moved_sd, there.said_sd))
            log_odds += log(SWAPPED / len(partners))
            if misfit <= _FITS and log_odds > _WORTH:
                values = {place: self._as_written(other), other: self._as_written(place)}
                found.append(_Fix("swapped", "the two readings changed places", values,
                                  float(misfit), log_odds))  # fmt: skip
        return found

    def _fitting(self, reading: Reading, partners: Sequence[Position]) -> list[Position]:
        """Return the partners whose readings would fit here, the best first."""
        off = []
        for p in partners:
            value, sd = (reading.unit.from_base(b) for b in self._as_written(p))
            misfit = abs(value - reading.said) / np.hypot(sd, reading.said_sd)
            if misfit <= 2.0 * _FITS:
                off.append((misfit, p))
        return [p for _, p in sorted(off, key=lambda pair: pair[0])[:_PARTNERS]]

    def _told(self, fix: _Fix, whole: BalanceProblem, near: Floats) -> Slip | None:
        """Balance with the corrected readings; None if that does not end well."""
        solution = refit(corrected(whole, fix.values), near)
        if solution is None:
            return None
        readings = []
        for place, (value, _) in fix.values.items():
            m = self.written[place]
            fits = float(f"{m.unit.from_base(value):.12g}")
            readings.append(SlippedReading(m.stream, m.quantity, m.value, fits, m.unit.symbol))
        return Slip(
            fix.kind, tuple(readings), fix.reason, fix.log_odds, fix.misfit, solution.objective,
            solution.classes.degrees_of_freedom,
        )  # fmt: skip
