"""Which measurements, sources and nodes are suspect, with whom, and what would decide.

References
----------
Sidak's correction for the number of tests: S. Narasimhan and C. Jordache, Data Reconciliation and
Gross Error Detection (2000), chapter 7. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Ints
from oretally.recon.answers import Answers
from oretally.recon.gross_errors.diagnosis import Diagnosis
from oretally.recon.gross_errors.error_names import ErrorNames
from oretally.recon.gross_errors.hypotheses import Hypothesis
from oretally.recon.gross_errors.tie_breakers import best_measurements
from oretally.recon.gross_errors.told_slips import ToldSlips
from oretally.recon.propagation import sidak_p
from oretally.recon.result import (
    BalancedValue,
    GlobalTest,
    Slip,
    Suspect,
    TieBreaker,
)

__all__ = ["TOLD", "Findings", "suspects"]


TOLD = 0.1  # probability from which a group is a suspect


@dataclass(frozen=True, eq=False)
class Findings:
    """What was found about one balance, and what it takes to name it.

    Attributes
    ----------
    found : Diagnosis
    told : ToldSlips
    names : ErrorNames
    answers : Answers
    values, positions : sequence
        Rows of the balance, and where each stands in the arrays.
    test : GlobalTest
    """

    found: Diagnosis
    told: ToldSlips
    names: ErrorNames
    answers: Answers
    values: Sequence[BalancedValue]
    positions: Sequence[Position]
    test: GlobalTest


def suspects(case: Findings) -> tuple[Suspect, ...]:
    """Return groups and mix-ups that may be in error, the likeliest first."""
    found = case.found
    rows = [
        (p, _suspect(case, members, p))
        for members, p in zip(found.groups, found.of_group.tolist(), strict=True) if p >= TOLD
    ]  # fmt: skip
    rows += [(p, _mixed_up(case, c, p, slip))
             for c, p in found.of_mixup.items()
             if p >= TOLD and (slip := case.told.of_mixup(c)) is not None]  # fmt: skip
    return tuple(row for _, row in sorted(rows, key=lambda pair: -round(pair[0], 9)))


def _suspect(case: Findings, members: Ints, probability: float) -> Suspect:
    found = case.found
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
    scale, symbol = case.names.unit(signatures, first)
    source = case.names.place(signatures, first).kind == "source"
    statistic = float(found.at_balance.signatures.statistic[first])
    return Suspect(
        group=tuple(case.names.place(signatures, i) for i in rows),
        probability=probability,
        shares=tuple(float(share[i]) for i in order),
        near=()
        if g is None
        else tuple(
            (case.names.place(signatures, int(groups.first[h])), c) for h, c in groups.near(g)
        ),
        unit=symbol,
        # a source is taken as measured 0: it is off the other way
        estimated_error=float(size[at]) * (-scale if source else scale),
        sd=float(covariance[at, at] ** 0.5) * scale,
        statistic=abs(statistic),
        p=sidak_p(statistic, found.at_balance.first.size),
        objective_without=found.objectives.get(
            Hypothesis((first,)), max(case.test.statistic - statistic**2, 0.0)
        ),
        dof_without=case.test.dof - 1,
        slips=tuple(slip for i in rows for slip in case.told.of_row(i)),
        tie_breakers=() if g is None else _tie_breakers(case, g),
    )


def _mixed_up(case: Findings, c: int, probability: float, slip: Slip) -> Suspect:
    """Return a mix-up: all its readings are wrong at once."""
    found = case.found
    signatures = found.at_best.signatures
    rows = [int(i) for i in found.mixups.rows(c)]
    first, n_tests = rows[0], found.at_balance.first.size
    scale, symbol = case.names.unit(found.at_balance.signatures, first)
    statistic = max((float(found.at_balance.signatures.statistic[i]) for i in rows), key=abs)
    read = next(r for r in slip.readings if r.fits is not None)
    return Suspect(
        group=tuple(case.names.place(signatures, i) for i in rows),
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


def _tie_breakers(case: Findings, g: int) -> tuple[TieBreaker, ...]:
    found = case.found
    groups, n = found.at_best, len(found.at_best.signatures.readings)
    rows = [int(i) for i in groups.members[g] if i < n]
    rows += [int(groups.first[h]) for h, _ in groups.near(g) if groups.first[h] < n]
    if len(rows) < 2:
        return ()
    best = best_measurements(
        found.at_balance.signatures, rows, case.answers.covariance,
        values=case.values, positions=case.positions,
    )  # fmt: skip
    return tuple(
        TieBreaker(case.values[m].stream, case.values[m].quantity, left) for m, left in best
    )
