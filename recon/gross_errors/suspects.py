"""From traces and explanations to named rows: who is suspect, with whom, and what would decide.

References
----------
Sidak's correction for the number of tests: S. Narasimhan and C. Jordache, Data Reconciliation and
Gross Error Detection (2000), chapter 7. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet import Circuit, Position, Positions, Survey, positions
from oretally.flowsheet.arrays import Ints
from oretally.recon.answers import Answers
from oretally.recon.gross_errors.diagnosis import Diagnosis
from oretally.recon.gross_errors.hypotheses import Hypothesis
from oretally.recon.gross_errors.likely_explanations import Explained, likely_explanations
from oretally.recon.gross_errors.other_methods import biweight, eliminate, huber, least_absolute
from oretally.recon.gross_errors.reliability import hidden_errors
from oretally.recon.gross_errors.search import diagnose
from oretally.recon.gross_errors.tie_breakers import best_measurements
from oretally.recon.gross_errors.told_slips import ToldSlips
from oretally.recon.gross_errors.variance_factors import variance_factors
from oretally.recon.propagation import LARGEST, POWER, sidak_limit, sidak_p
from oretally.recon.result import (
    BalancedValue,
    Closure,
    EquivalenceGroup,
    ErrorPlace,
    ErrorRates,
    GlobalTest,
    GrossErrors,
    NamedExplanation,
    RecoveryUnder,
    SecondOpinion,
    Slip,
    Suspect,
    TieBreaker,
    VarianceFactor,
)
from oretally.recon.signatures import (
    NEAR,
    Groups,
    PossibleSlips,
    Signatures,
    equivalent_sets,
    signatures_of,
)
from oretally.recon.solver import Covariance, propagate

__all__ = ["TOLD", "Inquiry"]


TOLD = 0.1  # probability from which a group is a suspect
_SEVERAL = 3  # errors from which stated errors are suspected as well
_ROBUST = 300  # measurements up to which robust estimates are made


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

    def gross_errors(self) -> GrossErrors:
        """Return all that the tests say; less for a circuit too large to compare explanations."""
        measured = sum(v.measured is not None for v in self.values)
        return replace(self, rates=self.rates.in_survey(measured))._findings(measured)

    def foreseen(self) -> GrossErrors:
        """Return what no measured value decides: the traces' groups, and what could go unseen."""
        covariance = self.covariance
        signatures = signatures_of(covariance.problem, covariance.solution, len(self.circuit.nodes))
        return GrossErrors(
            groups=self._groups(equivalent_sets(signatures)),
            hidden=hidden_errors(
                self.survey, self.values, self._measured_at(), covariance, self.answers
            ),
            near_limit=NEAR, power=POWER, rates=self.rates,
        )  # fmt: skip

    def _findings(self, measured: int) -> GrossErrors:
        large = measured > LARGEST
        hidden = (
            () if large
            else hidden_errors(
                self.survey, self.values, self._measured_at(), self.covariance, self.answers
            )
        )  # fmt: skip
        nodal = sidak_limit(self.test.alpha, len(self.closures)) if self.closures else None
        if large or self.test.dof <= 0:
            return GrossErrors(
                hidden=hidden, nodal_limit=nodal, rates=self.rates,
                suspects=self._by_test_alone() if large else (),
            )  # fmt: skip
        problem, solution = self.covariance.problem, self.covariance.solution
        found = diagnose(problem, solution, self._slips, self.rates, len(self.circuit.nodes))
        n_tests = len(found.at_balance.members)
        told = ToldSlips(found, self._slips, problem, solution)
        return GrossErrors(
            suspects=self._suspects(found, told),
            probabilities=self._probabilities(found),
            explanations=tuple(
                self._explanation(found, e, told)
                for e in likely_explanations(found, problem, solution)
            ),
            groups=self._groups(found.at_balance),
            hidden=hidden,
            variance_factors=self._dispersions(found),
            opinions=self._opinions(found.at_balance),
            tests=n_tests,
            measurement_limit=sidak_limit(self.test.alpha, n_tests),
            nodal_limit=nodal,
            near_limit=NEAR,
            power=POWER,
            rates=self.rates,
            all_up_to=found.posterior.all_up_to,
            left_out=min(1.0, found.posterior.left_out + found.unseen),
            sound=found.sound,
        )

    def _rate(self, place: Position) -> float:
        source, m = self._at.sources.get(place), self._slips.written.get(place)
        names = [] if m is None else [p.source for p in m.parts]
        return self.rates.of(self._quantity(place), [source.name] if source else names)

    @cached_property
    def _slips(self) -> PossibleSlips:
        return PossibleSlips(self.survey, self._at, self._rate, self.rates.measurement)

    @cached_property
    def _at(self) -> Positions:
        return positions(self.circuit, self.survey)

    def _measured_at(self) -> list[Position]:
        """Return where the measurement of each row stands."""
        return [self._at.measured_at(place) for place in self.positions]

    def _quantity(self, place: Position) -> str:
        source = self._at.sources.get(place)
        return self._at.named[place][1] if source is None else source.quantity

    def _place(self, signatures: Signatures, i: int, *, gains: bool = True) -> ErrorPlace:
        n = len(signatures.readings)
        if i >= n:
            kind = "gain" if gains and signatures.r[i] < 0.0 else "loss"
            return ErrorPlace(kind, self.circuit.nodes[signatures.nodes[i - n]].name)
        place = signatures.readings[i]
        if place in self._at.sources:
            return ErrorPlace("source", self._at.sources[place].name, self._quantity(place))
        return ErrorPlace("measurement", *self._at.named[place])

    def _places(self, groups: Groups, g: int) -> tuple[ErrorPlace, ...]:
        """Return the members of a group, whatever the sign of a loss."""
        return tuple(self._place(groups.signatures, int(i), gains=False) for i in groups.members[g])

    def _suspects(self, found: Diagnosis, told: ToldSlips) -> tuple[Suspect, ...]:
        """Return groups and mix-ups that may be in error, the likeliest first."""
        of_group = [(min(1.0, float(found.of_row[m].sum())), m) for m in found.groups]
        rows = [(p, self._suspect(found, m, p, told)) for p, m in of_group if p >= TOLD]
        rows += [(p, self._mixed_up(found, c, p, slip))
                 for c, p in found.of_mixup.items()
                 if p >= TOLD and (slip := told.of_mixup(c)) is not None]  # fmt: skip
        return tuple(row for _, row in sorted(rows, key=lambda pair: -round(pair[0], 9)))

    def _probabilities(self, found: Diagnosis) -> tuple[tuple[ErrorPlace, float], ...]:
        """Return the probability of each error, measurements and losses in their order."""
        every = found.of_row.copy()
        for c, p in found.of_mixup.items():
            every[found.mixups.rows(c)] += p
        signatures = found.at_best.signatures
        return tuple(
            (self._place(signatures, int(i)), min(1.0, float(every[i])))
            for i in np.flatnonzero(signatures.seen)
        )

    def _suspect(
        self, found: Diagnosis, members: Ints, probability: float, told: ToldSlips
    ) -> Suspect:
        groups, signatures = found.at_best, found.at_best.signatures
        g, share = groups.of(int(members[0])), found.of_row[members]
        # the likeliest member stands first
        order = sorted(range(len(share)), key=lambda i: (-round(float(share[i]), 9), i))
        rows = [int(members[i]) for i in order]
        first = rows[0]
        # its size, if the rest of the likeliest explanation with it holds as well
        with_it = found.first_with(first)
        size, covariance = found.errors_under(with_it)
        at = with_it.rows.index(first)
        scale, symbol = self._unit(signatures, first)
        source = self._place(signatures, first).kind == "source"
        statistic = float(found.at_balance.signatures.statistic[first])
        return Suspect(
            group=tuple(self._place(signatures, i) for i in rows),
            probability=probability,
            shares=tuple(float(share[i]) for i in order),
            near=()
            if g is None
            else tuple(
                (self._place(signatures, int(groups.first[h])), c) for h, c in groups.near(g)
            ),
            unit=symbol,
            # a source is taken as measured 0: it is off the other way
            estimated_error=float(size[at]) * (-scale if source else scale),
            sd=float(covariance[at, at] ** 0.5) * scale,
            statistic=abs(statistic),
            p=sidak_p(statistic, len(found.at_balance.members)),
            objective_without=found.objectives.get(
                Hypothesis((first,)), max(self.test.statistic - statistic**2, 0.0)
            ),
            dof_without=self.test.dof - 1,
            slips=tuple(slip for i in rows for slip in told.of_row(i)),
            tie_breakers=() if g is None else self._tie_breakers(found, g),
        )

    def _mixed_up(self, found: Diagnosis, c: int, probability: float, slip: Slip) -> Suspect:
        """Return a mix-up: all its readings are wrong at once."""
        signatures = found.at_best.signatures
        rows = [int(i) for i in found.mixups.rows(c)]
        first, n_tests = rows[0], len(found.at_balance.members)
        scale, symbol = self._unit(found.at_balance.signatures, first)
        statistic = max((float(found.at_balance.signatures.statistic[i]) for i in rows), key=abs)
        read = next(r for r in slip.readings if r.fits is not None)
        return Suspect(
            group=tuple(self._place(signatures, i) for i in rows),
            probability=probability,
            shares=(probability,) * len(rows),
            near=(),
            unit=symbol,
            estimated_error=read.read - (read.fits or 0.0),
            sd=scale,
            statistic=abs(statistic),
            p=sidak_p(statistic, n_tests),
            objective_without=slip.objective,
            dof_without=slip.dof,
            slips=(slip,),
            together=True,
        )

    def _unit(self, signatures: Signatures, i: int) -> tuple[float, str]:
        """Return the size of one unit of an error as it is shown, and the symbol."""
        unit = self.survey.flow_unit
        if i < len(signatures.readings) and signatures.readings[i] in self._at.sources:
            return 1.0, "stated sd"
        if i < len(signatures.readings):
            place = self._place(signatures, i)
            m = self.survey.measured(place.where, place.quantity)
            unit = unit if m is None else m.unit
        return unit.from_base(float(signatures.unit[i])), unit.symbol

    def _tie_breakers(self, found: Diagnosis, g: int) -> tuple[TieBreaker, ...]:
        groups, n = found.at_best, len(found.at_best.signatures.readings)
        rows = [int(i) for i in groups.members[g] if i < n]
        rows += [int(groups.first[h]) for h, _ in groups.near(g) if groups.first[h] < n]
        if len(rows) < 2:
            return ()
        best = best_measurements(
            found.at_balance.signatures, rows, self.covariance, self.values, self.positions
        )
        return tuple(
            TieBreaker(self.values[m].stream, self.values[m].quantity, left) for m, left in best
        )

    def _explanation(self, found: Diagnosis, e: Explained, told: ToldSlips) -> NamedExplanation:
        signatures = found.at_best.signatures
        rows: list[RecoveryUnder] = []
        if e.solution is not None:
            changed = e.rows or e.mixups
            covariance = propagate(e.problem, e.solution) if changed else self.covariance
            rows = [
                RecoveryUnder(r.stream, r.analyte, r.recovery, r.sd)
                for r in replace(self.answers, covariance=covariance).recoveries()
                if r.product
            ]
        mixed = [int(i) for c in e.mixups for i in found.mixups.rows(c)]
        return NamedExplanation(
            places=tuple(self._place(signatures, i) for i in (*e.rows, *mixed)),
            slips=told.under(e),
            probability=e.probability,
            objective=None if e.solution is None else e.solution.objective,
            dof=self.test.dof - sum(s < 0 for s in e.slips)
            if e.solution is None
            else e.solution.classes.degrees_of_freedom,
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

    def _dispersions(self, found: Diagnosis) -> tuple[VarianceFactor, ...]:
        """Return the variance factors, the errors of the likeliest explanation left out.

        Where that takes several, also with nothing left out: errors stated too small may explain
        the survey as well as so many gross ones.
        """
        signatures = found.at_best.signatures
        n = len(signatures.readings)
        first = found.weighed[0].hypothesis
        wrong = list(first.rows)
        wrong += [int(i) for c in first.mixups for i in found.mixups.rows(c)]
        P, r = signatures.without(wrong)
        quantities = [self._quantity(place) for place in signatures.readings]
        found_ = variance_factors(P[:n, :n], r[:n], quantities, wrong)
        if len(first) >= _SEVERAL:
            whole = found.at_balance.signatures
            found_ += variance_factors(whole.P[:n, :n], whole.r[:n], [""] * n, [])
        return found_

    def _opinions(self, groups: Groups) -> tuple[SecondOpinion, ...]:
        """Return what other methods find, measurements only; all at the same level.

        Robust estimates take minutes for thousands of measurements: none are made there.
        """
        signatures, n = groups.signatures, len(groups.signatures.readings)
        P, r = signatures.P[:n, :n], signatures.r[:n]
        alpha = self.test.alpha
        eliminated = eliminate(P, r, lambda tests: sidak_limit(alpha, tests))
        found = [SecondOpinion("serial elimination", self._named(signatures, eliminated))]
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
            found.append(SecondOpinion(method, self._named(signatures, far.tolist())))
        return tuple(found)

    def _named(self, signatures: Signatures, rows: Sequence[int]) -> tuple[ErrorPlace, ...]:
        return tuple(self._place(signatures, int(i)) for i in rows)

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
