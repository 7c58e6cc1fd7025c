"""From traces and explanations to named rows: who is suspect, with whom, and what would decide.

References
----------
Sidak's correction for the number of tests: S. Narasimhan and C. Jordache, Data Reconciliation and
Gross Error Detection (2000), chapter 7. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Arrangement, Circuit, Position, Survey, arrangement
from oretally.recon.balance import BalancedValue, Closure, GlobalTest
from oretally.recon.covariance import Covariance, propagate
from oretally.recon.diagnosis import LARGEST, Diagnosis, Explained, diagnose, ways_of
from oretally.recon.dispersion import dispersions
from oretally.recon.elimination import eliminate
from oretally.recon.equivalence import NEAR, Groups, equivalence
from oretally.recon.explanations import single_log_odds
from oretally.recon.findings import (
    Dispersion,
    EquivalenceGroup,
    ErrorPlace,
    ErrorRates,
    Findings,
    NamedExplanation,
    RecoveryUnder,
    SecondOpinion,
    Slip,
    Suspect,
    TieBreaker,
)
from oretally.recon.recoveries import Answers
from oretally.recon.reliability import POWER, hidden_errors
from oretally.recon.robust import biweight, huber, least_absolute
from oretally.recon.significance import sidak_limit, sidak_p
from oretally.recon.slip_search import SlipSearch
from oretally.recon.tie_breakers import best_measurements
from oretally.recon.traces import Traces, traces_of
from oretally.recon.weighed import Weighed

__all__ = ["TOLD", "Inquiry"]

Floats = NDArray[np.float64]
_Slips = Mapping[int, tuple[Slip, ...]]

TOLD = 0.1  # probability from which a group is a suspect
_SEVERAL = 3  # errors from which stated errors are suspected as well
_ROBUST = 300  # measurements up to which robust estimates are made
_CLEAR = 1e-9  # share of a trace that others must leave for its size to be known


@dataclass(frozen=True)
class Inquiry:
    """One balance and what it takes to name its suspects.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
    values, positions : sequence
        Rows of the balance, and where each stands in the arrays.
    closures : sequence of Closure
    covariance : Covariance
    answers : Answers
    test : GlobalTest
    rates : ErrorRates
    """

    circuit: Circuit
    survey: Survey
    values: Sequence[BalancedValue]
    positions: Sequence[Position]
    closures: Sequence[Closure]
    covariance: Covariance
    answers: Answers
    test: GlobalTest
    rates: ErrorRates

    def findings(self) -> Findings:
        """Return all that the tests say; less for a circuit too large to compare explanations."""
        measured = sum(v.measured is not None for v in self.values)
        return replace(self, rates=self.rates.in_survey(measured))._findings(measured)

    def foreseen(self) -> Findings:
        """Return what no measured value decides: the traces' groups, and what could go unseen."""
        covariance = self.covariance
        traces = traces_of(covariance.problem, covariance.solution, len(self.circuit.nodes))
        return Findings(
            groups=self._groups(equivalence(traces)),
            hidden=hidden_errors(
                self.survey, self.values, self._measured_at(), covariance, self.answers
            ),
            near_limit=NEAR, power=POWER, rates=self.rates,
        )  # fmt: skip

    def _findings(self, measured: int) -> Findings:
        large = measured > LARGEST
        hidden = (
            () if large
            else hidden_errors(
                self.survey, self.values, self._measured_at(), self.covariance, self.answers
            )
        )  # fmt: skip
        nodal = sidak_limit(self.test.alpha, len(self.closures)) if self.closures else None
        if large or self.test.dof <= 0:
            return Findings(
                hidden=hidden, nodal_limit=nodal, rates=self.rates,
                suspects=self._by_test_alone() if large else (),
            )  # fmt: skip
        problem, solution = self.covariance.problem, self.covariance.solution
        found = diagnose(problem, solution, self._rate, self.rates, len(self.circuit.nodes))
        n_tests = len(found.at_balance.members)
        slips = self._slips(found)
        weighed = Weighed.of(found, {i: [s.log_odds for s in told] for i, told in slips.items()},
                             lambda i: self._log_odds(found.at_best, i))  # fmt: skip
        explanations = [
            self._explanation(found, e, p, slips)
            for e, p in zip(found.likely, weighed.explained, strict=True)
        ]
        return Findings(
            suspects=self._suspects(found, weighed, slips),
            probabilities=self._probabilities(found, weighed),
            explanations=tuple(sorted(explanations, key=lambda e: -e.probability)),
            groups=self._groups(found.at_balance),
            hidden=hidden,
            dispersions=self._dispersions(found, weighed),
            opinions=self._opinions(found.at_balance),
            tests=n_tests,
            measurement_limit=sidak_limit(self.test.alpha, n_tests),
            nodal_limit=nodal,
            near_limit=NEAR,
            power=POWER,
            rates=self.rates,
            all_up_to=found.posterior.all_up_to,
            left_out=found.posterior.left_out,
        )

    def _rate(self, place: Position) -> float:
        return self.rates.by_quantity.get(self._quantity(place), self.rates.measurement)

    @cached_property
    def _at(self) -> Arrangement:
        return arrangement(self.circuit, self.survey)

    def _measured_at(self) -> list[Position]:
        """Return where the measurement of each row stands."""
        return [self._at.measured_at(place) for place in self.positions]

    def _quantity(self, place: Position) -> str:
        source = self._at.sources.get(place)
        return self._at.named[place][1] if source is None else source.quantity

    def _place(self, traces: Traces, i: int) -> ErrorPlace:
        n = len(traces.readings)
        if i >= n:
            return ErrorPlace("loss", self.circuit.nodes[traces.nodes[i - n]].name)
        place = traces.readings[i]
        if place in self._at.sources:
            return ErrorPlace("source", self._at.sources[place].name, self._quantity(place))
        return ErrorPlace("measurement", *self._at.named[place])

    def _places(self, groups: Groups, g: int) -> tuple[ErrorPlace, ...]:
        return tuple(self._place(groups.traces, int(i)) for i in groups.members[g])

    def _suspects(self, found: Diagnosis, weighed: Weighed, slips: _Slips) -> tuple[Suspect, ...]:
        probability = weighed.probability
        order = sorted(np.flatnonzero(probability >= TOLD), key=lambda g: (-probability[g], g))
        return tuple(self._suspect(found, int(g), weighed, slips) for g in order)

    def _probabilities(
        self, found: Diagnosis, weighed: Weighed
    ) -> tuple[tuple[ErrorPlace, float], ...]:
        """Return the probability of each error, measurements and losses in their order."""
        groups = found.at_best
        rows = {
            int(i): float(weighed.probability[g] * share)
            for g, members in enumerate(groups.members)
            for i, share in zip(members, weighed.shares(g), strict=True)
        }
        return tuple((self._place(groups.traces, i), rows[i]) for i in sorted(rows))

    def _suspect(self, found: Diagnosis, g: int, weighed: Weighed, slips: _Slips) -> Suspect:
        groups, probability = found.at_best, float(weighed.probability[g])
        share = weighed.shares(g)
        # the likeliest member stands first
        order = sorted(range(len(share)), key=lambda i: (-round(float(share[i]), 9), i))
        rows = [int(groups.members[g][i]) for i in order]
        first = rows[0]
        # its size, if the rest of the likeliest explanation with it holds as well
        with_it = next((e.chosen for e in found.posterior.explanations if g in e.chosen), (g,))
        P, r = groups.traces.without([int(groups.first[h]) for h in with_it if h != g])
        if P[first, first] < _CLEAR * groups.traces.P[first, first]:
            P, r = groups.traces.P, groups.traces.r
        scale, symbol = self._unit(groups.traces, first)
        source = self._place(groups.traces, first).kind == "source"
        statistic = float(found.at_balance.traces.statistic[first])
        return Suspect(
            group=tuple(self._place(groups.traces, i) for i in rows),
            probability=probability,
            shares=tuple(float(share[i]) * probability for i in order),
            near=tuple((self._places(groups, h)[0], c) for h, c in groups.near(g)),
            unit=symbol,
            # a source is taken as measured 0: it is off the other way
            estimated_error=float(r[first] / P[first, first]) * (-scale if source else scale),
            sd=float(P[first, first] ** -0.5) * scale,
            statistic=abs(statistic),
            p=sidak_p(statistic, len(found.at_balance.members)),
            objective_without=found.alone.get(first, max(self.test.statistic - statistic**2, 0.0)),
            dof_without=self.test.dof - 1,
            slips=tuple(slip for i in rows for slip in slips.get(i, ())),
            tie_breakers=self._tie_breakers(found, g),
        )

    def _log_odds(self, groups: Groups, i: int) -> float:
        """Return the log odds that one error alone is there, against nothing being wrong."""
        one, z = np.ones((1, 1)), groups.traces.statistic[[i]]
        return single_log_odds(one, z, ways_of(groups.traces, i, self._rate, self.rates))

    def _unit(self, traces: Traces, i: int) -> tuple[float, str]:
        """Return the size of one unit of an error as it is shown, and the symbol."""
        unit = self.survey.flow_unit
        if i < len(traces.readings) and traces.readings[i] in self._at.sources:
            return 1.0, "stated sd"
        if i < len(traces.readings):
            place = self._place(traces, i)
            m = self.survey.measured(place.where, place.quantity)
            unit = unit if m is None else m.unit
        return unit.from_base(float(traces.unit[i])), unit.symbol

    def _slips(self, found: Diagnosis) -> dict[int, tuple[Slip, ...]]:
        """Return the slips behind each measurement, under the likeliest explanation with it."""
        search = SlipSearch(self.circuit, self.survey, self.covariance.problem, self.rates)
        readings = found.at_best.traces.readings
        slips: dict[int, tuple[Slip, ...]] = {}
        for e in found.likely:
            for i in e.rows:
                if i not in slips and i < len(readings):
                    slips[i] = search.behind(readings[i], e)
        return slips

    def _tie_breakers(self, found: Diagnosis, g: int) -> tuple[TieBreaker, ...]:
        groups, n = found.at_best, len(found.at_best.traces.readings)
        rows = [int(i) for i in groups.members[g] if i < n]
        rows += [int(groups.first[h]) for h, _ in groups.near(g) if groups.first[h] < n]
        if len(rows) < 2:
            return ()
        best = best_measurements(
            found.at_balance.traces, rows, self.covariance, self.values, self.positions
        )
        return tuple(
            TieBreaker(self.values[m].stream, self.values[m].quantity, left) for m, left in best
        )

    def _explanation(
        self, found: Diagnosis, e: Explained, probability: float, slips: _Slips
    ) -> NamedExplanation:
        traces = found.at_best.traces
        # an exchange of two readings is behind both of them, but one slip
        behind = {
            frozenset((r.stream, r.quantity) for r in slips[i][0].readings): slips[i][0]
            for i in e.rows
            if slips.get(i)
        }
        rows: list[RecoveryUnder] = []
        if e.solution is not None:
            covariance = propagate(e.problem, e.solution) if e.rows else self.covariance
            rows = [
                RecoveryUnder(r.stream, r.analyte, r.recovery, r.sd)
                for r in replace(self.answers, covariance=covariance).recoveries()
                if r.product
            ]
        return NamedExplanation(
            places=tuple(self._place(traces, i) for i in e.rows),
            slips=tuple(behind.values()),
            probability=probability,
            objective=None if e.solution is None else e.solution.objective,
            dof=self.test.dof - len(e.rows),
            recoveries=tuple(rows),
        )

    def _groups(self, groups: Groups) -> tuple[EquivalenceGroup, ...]:
        """Return groups of more than one member, and those nearly the same, joined."""
        joined, told = [], set[int]()
        for g, members in enumerate(groups.members):
            if g in told:
                continue
            near = [(h, c) for h, c in groups.near(g) if h not in told]
            if near:
                told.update(h for h, _ in near)
                all_ = [p for h in (g, *(h for h, _ in near)) for p in self._places(groups, h)]
                alike = [g, *(h for h, _ in near)]
                least = np.abs(groups.correlation[np.ix_(alike, alike)]).min()
                joined.append(EquivalenceGroup(tuple(all_), float(least)))
            elif len(members) > 1:
                joined.append(EquivalenceGroup(self._places(groups, g), 1.0))
        return tuple(joined)

    def _dispersions(self, found: Diagnosis, weighed: Weighed) -> tuple[Dispersion, ...]:
        """Return the variance factors, the likely errors left out.

        Where that takes several, also with nothing left out: errors stated too small may explain
        the survey as well as so many gross ones.
        """
        traces, groups = found.at_best.traces, found.at_best
        n = len(traces.readings)
        wrong = [int(groups.first[g])
                 for g in np.flatnonzero(weighed.probability >= 0.5)]  # fmt: skip
        P, r = traces.without(wrong)
        quantities = [self._quantity(place) for place in traces.readings]
        found_ = dispersions(P[:n, :n], r[:n], quantities, wrong)
        if len(wrong) >= _SEVERAL:
            whole = found.at_balance.traces
            found_ += dispersions(whole.P[:n, :n], whole.r[:n], [""] * n, [])
        return found_

    def _opinions(self, groups: Groups) -> tuple[SecondOpinion, ...]:
        """Return what other methods find, measurements only; all at the same level.

        Robust estimates take minutes for thousands of measurements: none are made there.
        """
        traces, n = groups.traces, len(groups.traces.readings)
        P, r = traces.P[:n, :n], traces.r[:n]
        alpha = self.test.alpha
        eliminated = eliminate(P, r, lambda tests: sidak_limit(alpha, tests))
        found = [SecondOpinion("serial elimination", self._named(traces, eliminated))]
        limit = sidak_limit(alpha, n)
        if n > _ROBUST:
            return tuple(found)
        for method, estimate in (
            ("Huber's estimate", huber),
            ("Tukey's biweight", biweight),
            ("least absolute errors", least_absolute),
        ):
            try:
                size = np.abs(estimate(P, r))
            except ArithmeticError:  # no optimum found: that opinion is not given
                continue
            far = np.flatnonzero(size > limit)[np.argsort(-np.round(size[size > limit], 6))]
            found.append(SecondOpinion(method, self._named(traces, far.tolist())))
        return tuple(found)

    def _named(self, traces: Traces, rows: Sequence[int]) -> tuple[ErrorPlace, ...]:
        return tuple(self._place(traces, int(i)) for i in rows)

    def _by_test_alone(self) -> tuple[Suspect, ...]:
        """Return the significant measurements of a circuit too large for anything more."""
        tested = [v for v in self.values if v.standardised is not None]
        found = []
        for v in sorted(tested, key=lambda v: -abs(v.standardised or 0.0)):
            if v.standardised is None or v.redundancy is None or v.sd is None:
                continue
            p = sidak_p(v.standardised, len(tested))
            if p >= self.test.alpha:
                break
            size = -(v.adjustment or 0.0) / v.redundancy
            found.append(
                Suspect(
                    group=(ErrorPlace("measurement", v.stream, v.quantity),),
                    probability=None, shares=(), near=(), unit=v.unit,
                    estimated_error=size, sd=v.sd / v.redundancy**0.5,
                    statistic=abs(v.standardised), p=p,
                    objective_without=max(self.test.statistic - v.standardised**2, 0.0),
                    dof_without=self.test.dof - 1,
                )
            )  # fmt: skip
        return tuple(found)
