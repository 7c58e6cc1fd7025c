"""The assay that nobody made and that would tell a recovery far better.

A reading of a grade x with the error s, added to a balance, leaves of the variance of an answer f::

    Var f - Cov(f, x)^2 / (Var x + s^2)

whatever it reads, to first order: one step of recursive least squares.

References
----------
R.L. Plackett, Some theorems in least squares, Biometrika 37 (1950) 149: an observation more. Cited
from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from oretally.flowsheet import BalanceModel
from oretally.flowsheet.survey import Kind
from oretally.recon.answers import Answers
from oretally.recon.losses.deciding_test import AssayError
from oretally.recon.losses.kept_and_lost import LossValues
from oretally.recon.propagation import LARGEST
from oretally.recon.result import MissingAssay, TestKind
from oretally.recon.solver import propagate, solve

__all__ = ["foreseen_assay", "missing_assay"]

_LEAST = 0.5  # sd of a recovery in percent, below which it is known well enough: our own choice
_MUCH = 0.5  # share of the sd that an assay may leave to be worth naming: our own choice
_DIGITS = 3  # of that share: those that differ by less count alike


def foreseen_assay(
    model: BalanceModel, feeds: Sequence[str], products: Sequence[str]
) -> MissingAssay | None:
    """Return the same before a survey is balanced; None where there is no balance to begin with.

    Parameters
    ----------
    model : BalanceModel
        A flow was measured.
    feeds, products : sequence of str
        Streams to which recoveries refer, and those among which they are shared.
    """
    if len(model.survey.measurements) > LARGEST:
        return None
    point = solve(model.problem)
    if not point.converged:
        return None
    covariance = propagate(model.problem, point)
    values = LossValues(Answers.of(model, covariance, feeds=feeds, products=products))
    every = {k: values.kept(k, None) for k in range(len(model.survey.analytes))}
    return missing_assay(values, {k: kept for k, kept in every.items() if kept})


def missing_assay(values: LossValues, kept: Mapping[int, Sequence[int]]) -> MissingAssay | None:
    """Return the assay of a stream without that leaves least of the sd of a recovery.

    None where no assay would halve it, or the recovery is known well enough.

    Parameters
    ----------
    values : LossValues
    kept : mapping of int to sequence of int
        Number of an analyte to those of the products that count as recovered.
    """
    told = {k: values.share(k, some) for k, some in kept.items()}
    open_yet = {k: values.estimate(share) for k, share in told.items()}
    known = {k: found for k, found in open_yet.items() if found and found[1] > _LEAST / 100.0}
    if not known:
        return None
    model, covariance = values.model, values.covariance
    _, grades = covariance.many_with_all([told[k].slopes for k in known])
    best: tuple[tuple[float, bool], MissingAssay] | None = None
    for row in model.positions.rows:
        i, j = row.place
        at = model.positions.measured_at(row.place)
        if (
            i is None
            or row.meaning.kind is not Kind.GRADE
            or not math.isnan(model.problem.grade[at])
        ):
            continue
        unit, grade = model.survey.analytes[i].unit, float(covariance.solution.grade[row.place])
        stated = AssayError.of(values.stated, i, row.stream, test=TestKind.TREAT_AGAIN)
        sd = stated.sd(grade) if grade > 0.0 else math.nan
        for (k, (share, before)), along in zip(known.items(), grades[:, i, j], strict=True):
            gain = float(along) ** 2 / (float(covariance.grade_sd[row.place]) ** 2 + sd**2)
            after = max(before**2 - gain, 0.0) ** 0.5  # NaN where the grade is not determined
            if not after <= _MUCH * before:
                continue
            rank = round(after / before, _DIGITS), i != k
            if best is None or rank < best[0]:
                names = tuple(values.answers.streams[each] for each in kept[k])
                percent = 100.0 * share, 100.0 * before
                expected = unit.from_base(grade), unit.from_base(sd), unit.symbol
                best = rank, MissingAssay(
                    row.stream, row.quantity, *expected,
                    values.answers.analytes[k], names, percent, 100.0 * after,
                )  # fmt: skip
    return None if best is None else best[1]
