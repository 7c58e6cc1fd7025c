"""Grade against recovery, products taken together from the richest down.

Of the n richest products with flows P and grades p, against a feed F of grade f::

    yield sum P / F    grade sum P p / sum P    recovery sum P p / (F f)

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 1: recovery
and grade against each other. JCGM 100:2008 (GUM), eq. 13: their sd. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.circuit import Content
from oretally.recon.answers import Answers
from oretally.recon.propagation import amount_at, estimates, total, value_at
from oretally.recon.result import CurvePoint, GradeRecovery
from oretally.recon.solver import Covariance

__all__ = ["grade_recovery_curves"]

_FEWEST = 3  # products: of two, the curve is one point and the feed


def grade_recovery_curves(
    answers: Answers, products: Mapping[int, Sequence[int]]
) -> tuple[GradeRecovery, ...]:
    """Return the curves of some analytes over three products with solids, or more.

    Parameters
    ----------
    answers : Answers
    products : mapping of int to sequence of int
        Number of an analyte to those of its products.

    Notes
    -----
    Of circuits without stocks whose feeds are all referred to, so that the products share what
    these brought. An
    analyte that is dissolved has no curve: grades of solids and of solution do not compare.
    """
    circuit, survey = answers.model.circuit, answers.model.survey
    covariance = answers.covariance
    feeds = {answers.streams[j] for j in answers.feeds}
    if set(circuit.feeds) != feeds or any(s.stock for s in circuit.streams):
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
        points = [_point(answers, k, rich[:n]) for n in range(1, len(rich) + 1)]
        known = tuple(p for p in points if p is not None)
        if len(known) == len(points):
            unit = analyte.unit.symbol
            curves.append(GradeRecovery(analyte.name, unit, answers.reference, known))
    return tuple(curves)


def _known(covariance: Covariance, k: int, j: int) -> bool:
    values = [value_at(covariance, Position(None, j)), value_at(covariance, Position(k, j))]
    return bool(np.isfinite(values).all() and values[0] > 0.0)


def _point(answers: Answers, k: int, some: Sequence[int]) -> CurvePoint | None:
    """Return what some products have together."""
    covariance, unit = answers.covariance, answers.model.survey.analytes[k].unit
    mass, metal = (total(amount_at(covariance, i, j) for j in some) for i in (None, k))
    fed, metal_fed = answers.fed(None), answers.fed(k)
    pull, grade, recovery = estimates(
        covariance, [100.0 * (mass / fed), metal / mass, 100.0 * (metal / metal_fed)]
    )
    if pull is None or grade is None or recovery is None:
        return None
    shown = unit.from_base(grade[0]), unit.from_base(grade[1])
    return CurvePoint(answers.streams[some[-1]], pull, shown, recovery)
