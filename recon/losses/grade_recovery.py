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
from oretally.recon.propagation import amount_at, joint_roots, per_unit, value_at
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
        points = _points(answers, k, rich)
        if points is not None:
            unit = analyte.unit.symbol
            curves.append(GradeRecovery(analyte.name, unit, answers.reference, points))
    return tuple(curves)


def _known(covariance: Covariance, k: int, j: int) -> bool:
    values = [value_at(covariance, Position(None, j)), value_at(covariance, Position(k, j))]
    told = covariance.flow_determined[j] and covariance.grade_determined[k, j]
    return bool(told and np.isfinite(values).all() and values[0] > 0.0)


def _points(answers: Answers, k: int, some: Sequence[int]) -> tuple[CurvePoint, ...] | None:
    """Return what the first one, two, ... of some products have together; None if one is open."""
    covariance, unit, n = answers.covariance, answers.model.survey.analytes[k].unit, len(some)
    parts = [amount_at(covariance, i, j) for i in (None, k) for j in some]
    values, R = joint_roots(covariance, [*parts, answers.fed(None), answers.fed(k)])
    (mass, metal), (of_mass, of_metal) = (
        [x[:n].cumsum(axis=0), x[n : 2 * n].cumsum(axis=0)] for x in (values, R)
    )
    percent = [
        per_unit((100.0 * mass, 100.0 * of_mass), values[-2], R[-2]),
        per_unit((100.0 * metal, 100.0 * of_metal), values[-1], R[-1]),
    ]
    grade = metal / mass
    of_grade = (of_metal - grade[:, None] * of_mass) / mass[:, None]
    found = [(v, np.sqrt((S**2).sum(axis=1))) for v, S in (*percent, (grade, of_grade))]
    if not all(np.isfinite(x).all() for pair in found for x in pair):
        return None
    pull, recovery, grades = (list(zip(v.tolist(), sd.tolist(), strict=True)) for v, sd in found)
    return tuple(
        CurvePoint(answers.streams[j], p, (unit.from_base(g), unit.from_base(s)), r)
        for j, p, r, (g, s) in zip(some, pull, recovery, grades, strict=True)
    )
