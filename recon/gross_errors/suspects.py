"""Which measurements, sources and nodes are suspect, with whom, and what would decide.

References
----------
Sidak's correction for the number of tests: S. Narasimhan and C. Jordache, Data Reconciliation and
Gross Error Detection (2000), chapter 7. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Position
from oretally.recon.answers import Answers
from oretally.recon.gross_errors.diagnosis import Diagnosis
from oretally.recon.gross_errors.error_names import ErrorNames
from oretally.recon.gross_errors.hypotheses import NOTHING, Hypothesis, joint_errors
from oretally.recon.gross_errors.told_slips import ToldSlips
from oretally.recon.linear_tests import best_measurements
from oretally.recon.propagation import sidak_p
from oretally.recon.result import (
    BalancedValue,
    GlobalTest,
    Slip,
    Suspect,
    TieBreaker,
)

__all__ = ["TOLD", "Doubt", "Findings", "doubts", "suspects"]


TOLD = 0.1  # probability from which a group is a suspect
_HARDLY = 0.01  # probability below which a number is no candidate
_MEMBERS = 12  # of a group whose slips are told, and that are to be told apart: the likeliest


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
    """Return groups and mix-ups that may be in error, the likeliest first.

    Of several that are certain, that one which the survey is least likely without.
    """
    return tuple(
        _suspect(case, doubt) if doubt.mixed is None else _mixed_up(case, doubt, *doubt.mixed)
        for doubt in doubts(case.found, case.told)
    )


@dataclass(frozen=True, eq=False, slots=True)
class Doubt:
    """Errors that no data tell apart, or a mix-up, with its probability.

    Attributes
    ----------
    rows : list of int
        Of the signatures; the likeliest member of a group stands first.
    probability : float
    mixed : (int, Slip) or None
        The number of the mix-up, and what it says.
    """

    rows: list[int]
    probability: float
    mixed: tuple[int, Slip] | None = None


def doubts(found: Diagnosis, told: ToldSlips) -> list[Doubt]:
    """Return what is likely enough to be told, in the order of `suspects`."""
    share = found.of_row
    every = [
        (found.best_without(members.tolist()),
         Doubt(sorted(members.tolist(), key=lambda i: (-round(float(share[i]), 9), i)), p))
        for members, p in zip(found.groups, found.of_group.tolist(), strict=True) if p >= TOLD
    ]  # fmt: skip
    every += [(found.best_without((), (c,)), Doubt(found.mixups.rows(c).tolist(), p, (c, slip)))
              for c, p in found.of_mixup.items()
              if p >= TOLD and not found.mixups.is_of_one(c)
              and (slip := told.of_mixup(c)) is not None]  # fmt: skip
    every.sort(key=lambda each: (-round(each[1].probability, 9), each[0]))
    return [doubt for _, doubt in every]


def _suspect(case: Findings, doubt: Doubt) -> Suspect:
    found, rows, probability = case.found, doubt.rows, doubt.probability
    groups, signatures = found.at_best, found.at_best.signatures
    first = rows[0]
    g = groups.of(first)
    # its size, if the rest of the likeliest explanation with it holds as well
    size, sd = _error(case, first)
    _, symbol = case.names.unit(signatures, first)
    source = case.names.place(signatures, first).kind == "source"
    statistic = float(found.at_balance.signatures.statistic[first])
    slips = found.mixups.of_one.get(first, ())
    without = [Hypothesis((first,)), *(Hypothesis((), (c,)) for c in slips)]
    over_time = found.by_course(first)
    left = min(found.left_under(h) for h in without)
    if not np.isfinite(left):
        left = max(case.test.statistic - statistic**2, 0.0)
    if over_time:
        statistic = max(found.left_under(NOTHING) - left, 0.0) ** 0.5
    return Suspect(
        group=tuple(case.names.place(signatures, i) for i in rows),
        probability=probability,
        shares=tuple(found.of_row[rows].tolist()),
        near=()
        if g is None
        else tuple(
            (case.names.place(signatures, int(groups.first[h])), c)
            for h, c in groups.near(g) if found.of_group[h] >= _HARDLY
        ),
        unit=symbol,
        # a source is taken as measured 0: it is off the other way
        estimated_error=-size if source else size,
        sd=sd,
        statistic=abs(statistic),
        p=sidak_p(statistic, found.at_balance.first.size),
        objective_without=left,
        dof_without=case.test.dof + (found.said[NOTHING].dof if NOTHING in found.said else 0) - 1,
        slips=tuple(slip for i in rows[:_MEMBERS] for slip in case.told.of_row(i)),
        tie_breakers=() if g is None else _tie_breakers(case, g, rows[:_MEMBERS]),
        over_time=over_time,
        instead=tuple(
            (case.names.place(signatures, i), p)
            for i, p in found.in_place_of(first, _HARDLY)
        ),
    )  # fmt: skip


def _error(case: Findings, row: int) -> tuple[float, float]:
    """Return the error of a row and its sd, in the unit that is shown.

    As it is without the slip if that is off by decades and likelier than not, else left out, the
    rest of the likeliest explanation as it is.
    """
    found = case.found
    left_out = found.first_with(row)
    slips = [c for c in found.mixups.of_one.get(row, ()) if c in found.of_mixup]
    far = max(slips, key=lambda c: found.of_mixup[c], default=None)
    if far is not None and (left_out is None or 2.0 * found.of_mixup[far] > found.of_row[row]):
        size, sd = found.mixups.error_of_one(far)
        scale, _ = case.names.unit(found.at_balance.signatures, row)
        return size * scale, sd * scale
    if left_out is None:
        raise ValueError(f"nothing says that row {row} is in error")
    sizes, covariance = found.errors_under(left_out)
    at = left_out.rows.index(row)
    scale, _ = case.names.unit(found.at_best.signatures, row)
    return float(sizes[at]) * scale, float(covariance[at, at] ** 0.5) * scale


def _mixed_up(case: Findings, doubt: Doubt, c: int, slip: Slip) -> Suspect:
    """Return a mix-up: all its readings are wrong at once.

    Its error is that of the first reading whose meant value is known, else of the first at the
    balance.
    """
    found, rows, probability = case.found, doubt.rows, doubt.probability
    signatures = found.at_best.signatures
    first, n_tests = rows[0], found.at_balance.first.size
    scale, symbol = case.names.unit(found.at_balance.signatures, first)
    statistic = max((float(found.at_balance.signatures.statistic[i]) for i in rows), key=abs)
    known = [r.read - r.fits for r in slip.readings if r.fits is not None]
    if not known:
        size, _ = joint_errors(found.at_balance.signatures, np.array([[first]]))
        known = [float(size[0, 0]) * scale]
    return Suspect(
        group=tuple(case.names.place(signatures, i) for i in rows),
        probability=probability,
        shares=(probability,) * len(rows),
        near=(),
        unit=symbol,
        estimated_error=known[0],
        sd=scale,
        statistic=abs(statistic),
        p=sidak_p(statistic, n_tests),
        objective_without=slip.objective,
        dof_without=slip.dof,
        slips=(slip,),
        together=True,
    )


def _tie_breakers(case: Findings, g: int, members: Sequence[int]) -> tuple[TieBreaker, ...]:
    found = case.found
    groups, n = found.at_best, len(found.at_best.signatures.readings)
    rows = sorted(i for i in members if i < n)
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
