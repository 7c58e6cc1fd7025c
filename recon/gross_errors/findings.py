"""What the tests say of the errors of a survey, with names; and what they will be able to say.

Which errors no data can tell apart, and which could go unseen, depends on the circuit, on what was
measured and on the stated errors; on measured values only through the point at which the balances
are linearised, that of the adjusted values. So much can be told before a survey is balanced.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.answers import Answers, balanced_values
from oretally.recon.gross_errors.error_names import ErrorNames
from oretally.recon.gross_errors.likeliest import search_in
from oretally.recon.gross_errors.likely_explanations import Explained, likely_explanations
from oretally.recon.gross_errors.search import diagnose_together
from oretally.recon.gross_errors.suspects import Findings, suspects
from oretally.recon.gross_errors.told_slips import ToldSlips
from oretally.recon.kinetics import LeachEvidence
from oretally.recon.linear_tests import Robust, eliminate, hidden_errors, variance_factors
from oretally.recon.other_surveys import UsualReading
from oretally.recon.propagation import LARGEST, POWER, sidak_limit
from oretally.recon.result import (
    BalancedValue,
    EquivalenceGroup,
    ErrorPlace,
    ErrorRates,
    GlobalTest,
    GrossErrors,
    NamedExplanation,
    RecoveryUnder,
    SecondOpinion,
    VarianceFactor,
)
from oretally.recon.signatures import NEAR, Groups, equivalent_sets, signatures_of
from oretally.recon.solver import WORK, Refitter, propagate, solve

__all__ = ["foresee", "gross_errors"]

_SEVERAL = 3  # errors from which stated errors are suspected as well
_ROBUST = 300  # measurements up to which robust estimates are made
_WORTH = 1e-3  # probability of an error, from which a very large survey lists it
_ALPHA = 0.05  # of the measurement test
_STILL = 1e-6  # flows below this share of the largest: a stream that the data put at a standstill


def gross_errors(
    answers: Answers, values: Sequence[BalancedValue], positions: Sequence[Position], *,
    test: GlobalTest, rates: ErrorRates, closures: int, second_opinions: bool = True,
    course: LeachEvidence | None = None,
    usual: Mapping[tuple[str, str], UsualReading] | None = None,
) -> GrossErrors:  # fmt: skip
    """Return all that the tests say.

    Hypotheses are balanced again as far as `oretally.recon.solver.work.WORK` allows. In a
    very large survey hidden errors and second opinions are left out, and mix-ups are looked for
    among the most doubtful readings.

    Parameters
    ----------
    answers : Answers
        Of the balance.
    values, positions : sequence
        Rows of the balance, and where each stands in the arrays.
    test : GlobalTest
    rates : ErrorRates
    closures : int
        Nodes that were tested by themselves.
    second_opinions : bool
        Whether other methods are asked too.
    course : LeachEvidence, optional
        Of a test over time, which counts beside the balances.
    usual : mapping of (str, str) to UsualReading, optional
        What the other surveys of a campaign say of each number.
    """
    model, covariance = answers.model, answers.covariance
    problem, solution = covariance.problem, covariance.solution
    measured = sum(v.measured is not None for v in values)
    given, rates, large = rates, rates.in_survey(measured), measured > LARGEST
    hidden = () if large else hidden_errors(values, _measured_at(model, positions), answers)
    alone = sidak_limit(test.alpha, 1)
    nodal = sidak_limit(test.alpha, closures) if closures else None
    if test.dof <= 0 and course is None:
        tested = sum(v.standardised is not None for v in values)
        return GrossErrors(
            hidden=hidden, nodal_limit=nodal, rates=rates,
            adjustment_limits=(alone, sidak_limit(test.alpha, tested)),
        )  # fmt: skip
    names, refitter = ErrorNames(model), Refitter(problem, solution, work=WORK)
    search = search_in(model, solution, given, refitter, course, usual)
    found = diagnose_together([search])[0]
    told = ToldSlips(found, search.slips, search.changes, refitter)
    case = Findings(found, told, names, answers, values, positions, test)
    n_tests = found.at_balance.first.size
    largest = sidak_limit(test.alpha, n_tests)
    return GrossErrors(
        suspects=suspects(case),
        probabilities=_probabilities(case),
        explanations=tuple(
            _explanation(case, e) for e in likely_explanations(found, search.changes, refitter)
        ),
        groups=_groups(names, found.at_balance),
        hidden=hidden,
        variance_factors=_variance_factors(case),
        opinions=_opinions(names, found.at_balance, test.alpha) if second_opinions else (),
        tests=n_tests,
        measurement_limit=largest,
        adjustment_limits=(alone, largest),
        nodal_limit=nodal,
        near_limit=NEAR,
        power=POWER,
        rates=rates,
        all_up_to=found.posterior.all_up_to,
        left_out=min(1.0, found.posterior.left_out + found.unseen),
        sound=found.sound,
        tried=found.tried,
        untried=found.untried,
    )


def foresee(
    model: BalanceModel, feeds: Sequence[str], products: Sequence[str]
) -> GrossErrors | None:
    """Return groups of errors with one signature, and the errors that could go unseen.

    None where the first flows have no place for it: a stream stands still there, nothing checks
    anything, or the circuit is too large.

    Parameters
    ----------
    model : BalanceModel
        A flow was measured.
    feeds, products : sequence of str
        Streams to which recoveries refer, and those among which they are shared.
    """
    circuit, problem = model.circuit, model.problem
    if len(model.survey.measurements) > LARGEST:
        return None
    point = solve(problem)
    if not point.converged:
        return None
    classes = point.classes
    carry = [s.content.has_solids for s in circuit.streams]
    flow = np.abs(point.flow[: len(circuit.streams)][carry])
    if classes.degrees_of_freedom <= 0 or flow.min() <= _STILL * flow.max():
        return None
    covariance = propagate(problem, point)
    values, found = balanced_values(model, covariance, _ALPHA)
    answers = Answers.of(model, covariance, feeds=feeds, products=products)
    signatures = signatures_of(problem, point, len(circuit.nodes))
    return GrossErrors(
        groups=_groups(ErrorNames(model), equivalent_sets(signatures)),
        hidden=hidden_errors(values, _measured_at(model, found), answers),
        near_limit=NEAR, power=POWER, rates=ErrorRates(),
    )  # fmt: skip


def _measured_at(model: BalanceModel, positions: Sequence[Position]) -> list[Position]:
    """Return where the measurement of each row stands."""
    return [model.positions.measured_at(place) for place in positions]


def _probabilities(case: Findings) -> tuple[tuple[ErrorPlace, float], ...]:
    """Return the probability of each error, measurements and losses in their order."""
    every = case.found.of_any
    signatures = case.found.at_best.signatures
    told = signatures.seen
    if told.size > LARGEST:
        told = told & (every >= _WORTH)
    return tuple(
        (case.names.place(signatures, i), min(1.0, float(every[i])))
        for i in np.flatnonzero(told).tolist()
    )


def _explanation(case: Findings, e: Explained) -> NamedExplanation:
    found = case.found
    signatures = found.at_best.signatures
    changed = e.rows or e.mixups
    covariance = propagate(e.problem, e.solution) if changed else case.answers.covariance
    rows = [
        RecoveryUnder(r.stream, r.analyte, r.recovery, r.sd)
        for r in replace(case.answers, covariance=covariance).recoveries()
        if r.product
    ]
    wrong = (*e.rows, *found.mixups.with_rows((), e.mixups))
    return NamedExplanation(
        places=tuple(case.names.place(signatures, i) for i in wrong),
        slips=case.told.under(e),
        probability=e.probability,
        objective=e.objective,
        dof=e.dof,
        recoveries=tuple(rows),
    )


def _groups(names: ErrorNames, groups: Groups) -> tuple[EquivalenceGroup, ...]:
    """Return groups of more than one member, and those nearly the same, joined."""
    joined, told = [], set[int]()
    for g in groups.several:
        if g in told:
            continue
        near = [(h, c) for h, c in groups.near(g) if h not in told]
        if near:
            told.update(h for h, _ in near)
            alike = [g, *(h for h, _ in near)]
            every = [p for h in alike for p in names.group(groups, h)]
            least = near[0][1]
            if len(near) > 1:
                least = np.abs(groups.correlations.among(alike)).min()
            joined.append(EquivalenceGroup(tuple(every), float(least)))
        elif groups.sizes[g] > 1:
            joined.append(EquivalenceGroup(names.group(groups, g), 1.0))
    return tuple(joined)


def _variance_factors(case: Findings) -> tuple[VarianceFactor, ...]:
    """Return the variance factors, the errors of the likeliest explanation left out.

    Where that takes several, also with nothing left out: errors stated too small may explain
    the survey as well as so many gross ones.
    """
    found = case.found
    signatures = found.at_best.signatures
    n = len(signatures.readings)
    first = found.weighed[0].hypothesis
    wrong = found.mixups.with_rows(first.rows, first.mixups)
    products, r = signatures.without(wrong)
    quantities = case.names.quantities(signatures.readings)
    factors = variance_factors(products.diagonal[:n], r[:n], quantities, left_out=wrong)
    if len(first) >= _SEVERAL:
        whole = found.at_balance.signatures
        own = whole.products.diagonal[:n]
        factors += variance_factors(own, whole.r[:n], [""] * n, left_out=[])
    return factors


def _opinions(names: ErrorNames, groups: Groups, alpha: float) -> tuple[SecondOpinion, ...]:
    """Return what other methods find, measurements only; all at the same level.

    Robust estimates take minutes for thousands of measurements: none are made there. In the
    largest surveys no second opinion is asked for.
    """
    signatures, n = groups.signatures, len(groups.signatures.readings)
    if n > LARGEST:
        return ()
    limit, r = sidak_limit(alpha, n), signatures.r[:n]
    if n > _ROBUST and np.abs(signatures.statistic[:n]).max(initial=0.0) < 0.9 * limit:
        return (SecondOpinion("serial elimination", ()),)  # nothing is near being left out
    P = signatures.P[:n, :n]
    eliminated = eliminate(P, r, lambda tests: sidak_limit(alpha, tests))
    found = [SecondOpinion("serial elimination", names.places(signatures, eliminated))]
    if n > _ROBUST:
        return tuple(found)
    robust = Robust(P, r)
    estimates: tuple[tuple[str, Callable[[], Floats]], ...] = (
        ("Huber's estimate", lambda: robust.huber),
        ("Tukey's biweight", lambda: robust.biweight),
        ("least absolute errors", lambda: robust.least_absolute),
    )
    for method, estimate in estimates:
        try:
            size = np.abs(estimate())
        except ArithmeticError:  # no optimum found: that opinion is not given
            continue
        far = np.flatnonzero(size > limit)[np.argsort(-np.round(size[size > limit], 6))]
        found.append(SecondOpinion(method, names.places(signatures, far.tolist())))
    return tuple(found)
