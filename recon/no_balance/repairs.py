"""A survey without a balance: with which of its readings left out, or without a slip, it has one.

Each change is a balance of its own, tried one after the other up to a stated count, those first
that the others contradict most. What is found is ranked by the logarithm of its likelihood::

    left out    -chi2/2 + further + log density of the reading if it has an error of any size
    slip        -chi2/2 + further + log chance of the slip

chi2 being what is left of the objective, further what the errors that explain that best add to it
(`oretally.recon.gross_errors.candidates.further_errors`), and the density in units of that of a
sound reading at its mean, whose sd is that of the reading and of what the others say of it,
together. So the two compare whatever their degrees of freedom, and a slip that fits goes before
leaving the same number out. How well a slip fits says its own trial: a reading that is off by a
thousand bends the balances, and what is left of it in the linear terms may be far from what the
others say.

Sources of the evidence: `oretally.recon.signatures.evidence`; the order of trials is our own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, inf, log, pi

import numpy as np
from scipy.special import chdtrc

from oretally.flowsheet import (
    BalanceProblem,
    Position,
    Positions,
    Survey,
)
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.gross_errors import further_errors
from oretally.recon.no_balance.recycles import Flows, HeldFlow
from oretally.recon.reduction import undetermined
from oretally.recon.result import LEFT_OUT, ChangedReading, ErrorRates, Repair
from oretally.recon.signatures import (
    SWAPPED,
    MeasuredReading,
    Mixups,
    PossibleSlips,
    log_density_of_any_error,
    log_normal,
    signatures_of,
    wet_reason,
)
from oretally.recon.solution import Solution
from oretally.recon.solver import Refitter, corrected, propagate, without_readings

__all__ = ["RepairSearch"]

_FITS = 3.0  # sd that a corrected reading may be off
_LEFT_OUT = 2.0 / 3.0  # of trials and work, to leave readings out; the rest undo slips
_EXPLAINS = 0.5  # of what the best removal takes off the objective: others are left
_NEAR, _FAR = 2.0, 5.0  # times what the others say; times the reading as it is
_EXCHANGES = 1.0 / 6.0  # of both, to exchange samples or streams
_SLIPS = 2  # slips tried with one reading, the likeliest
_ANYTHING = -8.0  # log density of a reading of which the others say nothing, if it is badly wrong
_NOTHING_SAID = 1e6  # times a reading: the sd of what others say of it, if they say nothing
_WORTH = 12.0  # log odds below the likeliest, beyond which a repair is not told
_TOLD = 8

_Readings = Mapping[Position, tuple[float, float]]
_Name = tuple[str, str]


@dataclass
class RepairSearch:
    """Changes of one survey, tried until they are ``most``, or the work is done.

    Attributes
    ----------
    survey : Survey
    flows : Flows
    places : Positions
    before : Solution
        Of the survey as it is: no balance.
    held : HeldFlow or None
        The balance with the flows of growing recycles taken as known.
    rates : ErrorRates
    refitter : Refitter
        With what may be spent, and was spent already.
    """

    survey: Survey
    flows: Flows
    places: Positions
    before: Solution
    held: HeldFlow | None
    rates: ErrorRates
    refitter: Refitter
    tried: int = 0
    left_out: int = 0
    found: dict[tuple[object, ...], Repair] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.problem = self.flows.problem
        self.most = self.refitter.work.alone(self.refitter.measured)
        self.spent_before = self.refitter.spent

        def rate(place: Position) -> float:  # what is taken as known is never wrong
            return exp(self._rate(place)) if place in self.written else 0.0

        self.slips = PossibleSlips(self.survey, self.places, rate, self.rates.measurement)
        self.written = self.slips.written
        self.open_before = set(undetermined(self.before.classes, self.places.shown))

    def repairs(self, order: Sequence[Position]) -> tuple[tuple[Repair, ...], int]:
        """Try readings in some order.

        Returns
        -------
        repairs : tuple of Repair
            The likeliest first.
        untried : int
            Readings with which nothing was tried.
        """
        order = [p for p in order if self.written[p].error_source != DECLARED_LOSS]
        beside = [(place, *self._without(place, held)) for place, held in self._worth(order)]
        # slips of those first whose removal helps most; nobody knows what is none of these
        beside.sort(key=lambda row: -row[1])
        for place, _, reading in beside:
            if reading is not None or not self._checked(place):
                self._undo(place, reading)
        if beside:
            self._exchange_streams()
        rows = sorted(self.found.values(), key=lambda r: -r.log_odds)
        told = [r for r in rows if r.log_odds >= rows[0].log_odds - _WORTH]
        return tuple(told[:_TOLD]), len(order) - self.left_out

    def _may(self, share: float = 1.0) -> bool:
        """Whether one more change is within a share of all, in number and in work."""
        spent, units = self.refitter.spent - self.spent_before, self.refitter.work.units
        most = self.most - round((1.0 - share) * self.most)
        return self.tried < most and spent < share * (units - self.spent_before)

    def _rate(self, place: Position) -> float:
        """Return the log chance that a measurement is badly wrong."""
        m = self.written[place]
        return log(max(self.rates.of(m.quantity, [p.source for p in m.parts]), 1e-300))

    def _checked(self, place: Position) -> bool:
        k, j = place
        classes = self.before.classes
        return bool(classes.flow_checked[j] if k is None else classes.grade_checked[k, j])

    def _first(self, places: Sequence[Position]) -> Iterator[Position]:
        """Yield the readings to do without, as long as each may be tried."""
        for place in places:
            if not self._may(_LEFT_OUT):
                return
            self.tried += 1
            self.left_out += 1
            yield place

    def _worth(self, places: Sequence[Position]) -> Iterator[tuple[Position, Solution | None]]:
        """Yield the readings worth to do without, and the balances with the recycles held.

        Without one of those that spoil the balance with the recycles held, it falls the most.
        """
        if self.held is None:
            yield from ((place, None) for place in self._first(places))
            return
        now, near = self.held.solution.objective, self.held.solution.flow
        found = []
        for place in self._first(places):
            without = without_readings(self.held.problem, [place])
            alone = self.refitter.by_itself(without, near)
            found.append((-inf if alone is None else now - alone.objective, place, alone))
        most = max((fall for fall, *_ in found), default=0.0)
        found.sort(key=lambda row: -row[0])
        yield from (
            (place, alone) for fall, place, alone in found if fall >= _EXPLAINS * most > 0.0
        )

    def _without(
        self, place: Position, held: Solution | None
    ) -> tuple[float, MeasuredReading | None]:
        """Try without a reading; return the log odds, and the reading beside what others say.

        If there is no balance: with the recycles held, whose balance is given.
        """
        m = self.written[place]
        without = without_readings(self.problem, [place])
        solution = self._tried(without)
        if solution is None:
            if self.held is None or held is None:
                return -inf, None
            return -inf, self._beside(place, without_readings(self.held.problem, [place]), held)
        reading = self._beside(place, without, solution)
        weight = _ANYTHING
        if reading is not None:
            weight = log_density_of_any_error(reading, self.rates) + _own_scale(reading)
        changed = ChangedReading(m.stream, m.quantity, m.unit.symbol, m.value, None, m.note)
        weight += self._rate(place)
        odds = self._keep(LEFT_OUT, (changed,), "", weight, problem=without, solution=solution)
        return odds, reading

    def _exchange_streams(self) -> None:
        """Try with samples, or all numbers, of two streams changed back.

        Those first that the point at which all was linearised speaks for: the balance with the
        recycles held, else where the search ended, which may say little.
        """
        at, point = (self.problem, self.before) if self.held is None else (
            self.held.problem, self.held.solution)  # fmt: skip
        signatures = signatures_of(at, point, len(self.flows.circuit.nodes))
        n = len(signatures.readings)
        mixups = Mixups(self.slips, signatures.readings, signatures.unit[:n])
        some = [(c, gain) for c, gain in mixups.gains(signatures.products, signatures.r)
                if mixups[c].kind in ("samples", "streams")]  # fmt: skip
        volumes = mixups.volumes([c for c, _ in some], signatures.products)
        for (c, _), volume in zip(some, volumes.tolist(), strict=True):
            if not self._may():
                return
            self.tried += 1
            mixup = mixups[c]
            problem = corrected(self.problem, mixup.values)
            solution = self._tried(problem)
            if solution is not None:
                rows = tuple(self._changed(p, value) for p, (value, _) in mixup.values.items()
                             if p in self.written)  # fmt: skip
                self._keep(mixup.kind, rows, mixup.reason, mixup.log_odds + volume,
                           problem=problem, solution=solution)  # fmt: skip

    def _undo(self, place: Position, reading: MeasuredReading | None) -> None:
        """Try without the slips of a reading."""
        for kind, reason, values, weight in self._slips(place, reading):
            if not self._may(1.0 - _EXCHANGES):
                return
            self.tried += 1
            problem = corrected(self.problem, values)
            solution = self._tried(problem)
            if solution is not None:
                rows = tuple(self._changed(p, value) for p, (value, _) in values.items())
                weight += self._rate(place)
                self._keep(kind, rows, reason, weight, problem=problem, solution=solution)

    def _tried(self, problem: BalanceProblem) -> Solution | None:
        """Return the balance; None if there is none, or one in which a recycle runs away."""
        near = None if self.held is None else self.held.solution.flow
        solution = self.refitter.by_itself(problem, near, 1)
        return None if solution is None or self.flows.growing(solution) else solution

    def _beside(
        self, place: Position, problem: BalanceProblem, solution: Solution
    ) -> MeasuredReading | None:
        """Return a reading beside what the others say of it; None if they say nothing."""
        k, j = place
        classes = solution.classes
        known = classes.flow_determined[j] if k is None else classes.grade_determined[k, j]
        if not solution.converged or not known:
            return None
        said = float(solution.flow[j] if k is None else solution.grade[k, j])
        variance = float(propagate(problem, solution).held.joint([place])[0, 0])
        if not (np.isfinite(said) and np.isfinite(variance)):
            return None
        m = self.written[place]
        shown, sd = m.unit.from_base, self.slips.as_read(place)[1]
        return MeasuredReading(
            m.value, shown(sd), m.unit, shown(said), shown(max(variance, 0.0) ** 0.5)
        )

    def _slips(
        self, place: Position, reading: MeasuredReading | None
    ) -> Iterator[tuple[str, str, _Readings, float]]:
        """Yield kind, words, corrected readings and log chance of the slips that may be there."""
        value, own = self.slips.as_read(place)
        base = self.written[place].unit.to_base
        said, said_sd = value, _NOTHING_SAID * value
        if reading is not None:
            said, said_sd = base(reading.said), base(reading.said_sd)
        fits = []
        for u in self.slips.of(place):
            meant, sd, chance = u.value, u.sd, u.log_chance
            if u.kind == "wet mass":  # how wet nobody knows: as the others say
                if reading is None or not 0.0 < said < value:
                    continue
                fit = log_normal(meant - said, sd, said_sd) - log_normal(0.0, own, said_sd)
                meant, sd, chance = said, own, chance + fit
            near = said > 0.0 and 1.0 / _NEAR < meant / said < _NEAR
            scaled = not 1.0 / _FAR < meant / value < _FAR
            # a reading as far out as that bends the balances: what is near is for a trial to judge
            misfit = abs(meant - said) / float(np.hypot(sd, said_sd))
            if reading is not None and misfit > _FITS and not (near and scaled):
                continue
            # the chance alone: how well it fits says its trial, and any scale is as likely
            reason = wet_reason(value, said) if u.kind == "wet mass" else u.reason
            fits.append((chance - log(sd / own), u.kind, reason, {place: (meant, sd)}))
        fits.sort(key=lambda found: -found[0])
        for chance, kind, reason, values in fits[:_SLIPS]:
            yield kind, reason, values, chance
        if reading is not None:
            yield from self._exchanged(place, said, said_sd)

    def _exchanged(
        self, place: Position, said: float, said_sd: float
    ) -> Iterator[tuple[str, str, _Readings, float]]:
        """Yield the best fitting exchange with another reading of its kind."""
        this, kind = self.written[place], self.slips.unit_of(place)
        stack = self.slips.of_stack(place)
        partners = [
            p for column in self.slips.columns.values() for p in column.values()
            if p != place and self.slips.unit_of(p) == kind
            and (self.written[p].quantity == this.quantity
                 or (stack and self.written[p].stream == this.stream))
        ]  # fmt: skip
        best, misfit = None, _FITS
        for p in partners:
            value, sd = self.slips.in_place_of(place, p)
            off = abs(value - said) / float(np.hypot(sd, said_sd))
            if off < misfit:
                best, misfit = p, off
        if best is not None:
            values = {place: self.slips.in_place_of(place, best),
                      best: self.slips.in_place_of(best, place)}  # fmt: skip
            yield "swapped", "the two readings changed places", values, log(SWAPPED / len(partners))

    def _changed(self, place: Position, value: float) -> ChangedReading:
        r = self.slips.changed(place, value)
        return ChangedReading(r.stream, r.quantity, r.unit, r.read, r.fits, r.note)

    def _keep(
        self, kind: str, readings: tuple[ChangedReading, ...], reason: str, weight: float, *,
        problem: BalanceProblem, solution: Solution,
    ) -> float:  # fmt: skip
        """Note a repair, of two that come to the same numbers the likelier; return its log odds."""
        dof = solution.classes.degrees_of_freedom
        p = float(chdtrc(dof, solution.objective)) if dof > 0 else None
        further = 0.0
        if dof > 0:
            nodes = len(self.flows.circuit.nodes)
            further = further_errors(problem, solution, self.slips, self.rates, nodes)
        after = undetermined(solution.classes, self.places.shown)
        opened = [self.places.named[Position(*q)] for q in after if q not in self.open_before]
        own = {(r.stream, r.quantity) for r in readings}
        checked = all(self._checked(self.places.readings[name]) for name in own)
        row = Repair(kind, readings, reason, solution.objective, dof, p,
                     float(weight) - 0.5 * solution.objective + further,
                     tuple(name for name in opened if name not in own), checked)  # fmt: skip
        same = sorted((r.stream, r.quantity, "" if r.fits is None else f"{r.fits:.9g}")
                      for r in readings)  # fmt: skip
        key = tuple(same)
        if key not in self.found or self.found[key].log_odds < row.log_odds:
            self.found[key] = row
        return row.log_odds


def _own_scale(reading: MeasuredReading) -> float:
    """Return minus the log density of a sound reading at its mean: the unit of densities."""
    return 0.5 * log(2.0 * pi * (reading.sd**2 + reading.said_sd**2))
