"""Grade against recovery, products taken together from the richest down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from oretally.flowsheet import Circuit, Position, Survey
from oretally.flowsheet.circuit import Content
from oretally.recon.answers import Answers
from oretally.recon.propagation import Function, estimate, value_at
from oretally.recon.result import CurvePoint, GradeRecovery
from oretally.recon.solver import Covariance

__all__ = ["grade_recovery_curves"]

_FEWEST = 3  # products: of two, the curve is one point and the feed


def grade_recovery_curves(
    circuit: Circuit, survey: Survey, covariance: Covariance, answers: Answers,
    products: Mapping[int, Sequence[int]],
) -> tuple[GradeRecovery, ...]:  # fmt: skip
    """Return the curves of some analytes over three products with solids, or more.

    Parameters
    ----------
    circuit, survey, covariance, answers
        What was balanced, and what came of it.
    products : mapping of int to sequence of int
        Number of an analyte to those of its products.

    Notes
    -----
    Of circuits with one feed and no stocks, so that the products share what the feed brought. An
    analyte that is dissolved has no curve: grades of solids and of solution do not compare.
    """
    reference = answers.streams[answers.feed]
    if circuit.feeds != (reference,) or any(s.stock for s in circuit.streams):
        return ()
    curves = []
    for k, some in products.items():
        analyte = survey.analytes[k]
        rich = [
            j for j in some
            if circuit.streams[j].content is not Content.SOLUTION and _known(covariance, k, j)
        ]  # fmt: skip
        order = sorted((-value_at(covariance, Position(k, j)), j) for j in rich)
        rich = [j for _, j in order]
        if analyte.name in survey.dissolved or len(rich) < _FEWEST:
            continue
        points = [_point(survey, covariance, answers, k, rich[:n]) for n in range(1, len(rich) + 1)]
        known = tuple(p for p in points if p is not None)
        if len(known) == len(points):
            curves.append(GradeRecovery(analyte.name, analyte.unit.symbol, reference, known))
    return tuple(curves)


def _known(covariance: Covariance, k: int, j: int) -> bool:
    values = [value_at(covariance, Position(None, j)), value_at(covariance, Position(k, j))]
    return bool(np.isfinite(values).all() and values[0] > 0.0)


def _point(
    survey: Survey, covariance: Covariance, answers: Answers, k: int, some: Sequence[int]
) -> CurvePoint | None:
    """Return what some products have together."""
    n, unit = len(some), survey.analytes[k].unit
    flows, grades = [Position(None, j) for j in some], [Position(k, j) for j in some]
    feed = [Position(None, answers.feed), Position(k, answers.feed)]
    pull: Function = lambda v: 100.0 * v[:n].sum() / v[n]  # noqa: E731
    mean: Function = lambda v: (v[:n] * v[n:]).sum() / v[:n].sum()  # noqa: E731
    share: Function = lambda v: 100.0 * (v[:n] * v[n : 2 * n]).sum() / (v[-2] * v[-1])  # noqa: E731
    mass = estimate(covariance, [*flows, feed[0]], pull)
    grade = estimate(covariance, [*flows, *grades], mean)
    recovery = estimate(covariance, [*flows, *grades, *feed], share)
    if mass is None or grade is None or recovery is None:
        return None
    shown = unit.from_base(grade[0]), unit.from_base(grade[1])
    return CurvePoint(answers.streams[some[-1]], mass, shown, recovery)
