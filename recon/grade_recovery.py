"""Grade against recovery, products taken together from the richest down."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import Circuit, Position, Survey
from oretally.flowsheet.streams import Content
from oretally.recon.covariance import Covariance
from oretally.recon.loss_rows import CurvePoint, GradeRecovery
from oretally.recon.propagated import estimate, value_at
from oretally.recon.recoveries import Answers

__all__ = ["grade_recovery_curves"]

_FEWEST = 3  # products: of two, the curve is one point and the feed


def grade_recovery_curves(
    circuit: Circuit, survey: Survey, covariance: Covariance, answers: Answers
) -> tuple[GradeRecovery, ...]:
    """Return the curve of each analyte over the products with solids, if there are three or more.

    Of circuits with one feed and no stocks, so that the products share what the feed brought. An
    analyte that is dissolved has no curve: grades of solids and of solution do not compare.
    """
    if len(circuit.feeds) != 1 or any(s.stock for s in circuit.streams):
        return ()
    if circuit.feeds[0] != answers.streams[answers.feed]:
        return ()
    solid = {s.name for s in circuit.streams if s.content is not Content.SOLUTION}
    of, curves = answers.feed, []
    for k, analyte in enumerate(survey.analytes):
        if analyte.name in survey.dissolved:
            continue
        rich = [
            j for j in answers.products if answers.streams[j] in solid and _known(covariance, k, j)
        ]
        rich.sort(key=lambda j: (-value_at(covariance, Position(k, j)), j))
        if len(rich) < _FEWEST:
            continue
        points = []
        for n in range(1, len(rich) + 1):
            some = rich[:n]
            flows = [Position(None, j) for j in some]
            grades = [Position(k, j) for j in some]
            feed = [Position(None, of), Position(k, of)]
            pull = estimate(covariance, [*flows, feed[0]],
                            lambda v, n=n: 100.0 * v[:n].sum() / v[n])  # fmt: skip
            grade = estimate(covariance, [*flows, *grades],
                             lambda v, n=n: (v[:n] * v[n:]).sum() / v[:n].sum())  # fmt: skip
            share = estimate(covariance, [*flows, *grades, *feed],
                             lambda v, n=n: 100.0 * (v[:n] * v[n : 2 * n]).sum() / (v[-2] * v[-1]),
                             )  # fmt: skip
            if pull is None or grade is None or share is None:
                break
            unit = analyte.unit
            points.append(CurvePoint(answers.streams[some[-1]], pull,
                                     (unit.from_base(grade[0]), unit.from_base(grade[1])),
                                     share))  # fmt: skip
        if len(points) >= _FEWEST:
            curves.append(GradeRecovery(analyte.name, analyte.unit.symbol,
                                        answers.streams[of], tuple(points)))  # fmt: skip
    return tuple(curves)


def _known(covariance: Covariance, k: int, j: int) -> bool:
    values = [value_at(covariance, Position(None, j)), value_at(covariance, Position(k, j))]
    return bool(np.isfinite(values).all() and values[0] > 0.0)
