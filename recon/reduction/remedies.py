"""What to measure so that the balance gives what it cannot give now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet import BalanceProblem, NotBalanceable, Survey
from oretally.flowsheet.arrays import Bools
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.reduction.classification import classify
from oretally.recon.reduction.observability import Classes

__all__ = ["require_scale", "scale_is_missing", "undetermined", "useful_measurements"]


_MOST_TRIALS = 400  # classifications tried in the search; larger circuits get the plain list


def undetermined(classes: Classes, shown: tuple[Bools, Bools]) -> list[tuple[int | None, int]]:
    """Return (analyte or None, carrier) of every value that nothing determines.

    ``shown`` says which flows, shape (n_carriers,), and grades, shape (n_analytes, n_carriers),
    count, as `oretally.flowsheet.problem.positions.Positions.shown`.
    """
    n = shown[0].size
    flows = [(None, int(j)) for j in np.flatnonzero(~classes.flow_determined[:n] & shown[0])]
    open_grades = np.argwhere(~classes.grade_determined[:, :n] & shown[1])
    return [*flows, *((int(k), int(j)) for k, j in open_grades)]


def useful_measurements(
    problem: BalanceProblem, shown: tuple[Bools, Bools]
) -> list[tuple[int | None, int]]:
    """Return measurements that together determine everything: each the one that settles most.

    Returns
    -------
    list of (analyte or None, carrier)
        Empty if everything is determined already. A greedy choice: small, not proven smallest.
    """
    chosen: list[tuple[int | None, int]] = []
    open_values = undetermined(classify(problem), shown)
    while open_values:
        if len(open_values) ** 2 > _MOST_TRIALS:
            trials = open_values[:20]
        else:
            trials = open_values
        left = [
            (len(undetermined(classify(_with(problem, t)), shown)), i) for i, t in enumerate(trials)
        ]
        best = trials[min(left)[1]]
        chosen.append(best)
        problem = _with(problem, best)
        open_values = undetermined(classify(problem), shown)
    return chosen


def _with(problem: BalanceProblem, place: tuple[int | None, int]) -> BalanceProblem:
    """Return the problem with one more value measured; its number does not matter."""
    k, j = place
    if k is None:
        flow, sd = problem.flow.copy(), problem.flow_sd.copy()
        flow[j], sd[j] = 1.0, 0.1
        return replace(problem, flow=flow, flow_sd=sd)
    grade, sd = problem.grade.copy(), problem.grade_sd.copy()
    grade[k, j], sd[k, j] = 1e-3, 1e-4
    return replace(problem, grade=grade, grade_sd=sd)


def scale_is_missing(survey: Survey) -> bool:
    """Tell whether no flow was measured: all flows times one number would do as well."""
    return not any(
        m.unit.dimension is survey.basis.dimension and m.error_source != DECLARED_LOSS
        for m in survey.measurements
    )


def require_scale(survey: Survey, feeds: Sequence[str]) -> None:
    """Refuse a survey in which nothing fixes the scale.

    Raises
    ------
    NotBalanceable
        If no flow was measured.
    """
    if not scale_is_missing(survey):
        return
    quantity, unit, feed = survey.basis.quantity, survey.flow_unit.symbol, feeds[0]
    what = "feed" if len(feeds) == 1 else "it"
    raise NotBalanceable(
        f"No {quantity} was measured, so nothing fixes the scale: every {quantity} could be "
        "twice as large and the balances would still hold.",
        f"Measure the {quantity} of one stream, best that of '{feed}'.\n"
        f"Or, to have what the assays alone can tell, per 100 {unit} of {what}, enter for '{feed}' "
        f"a {quantity} of 100 {unit} with an error of 0.01 {unit}; "
        "'check' says what is missing then.",
    )
