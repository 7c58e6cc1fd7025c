"""What to measure so that the balance gives what it cannot give now."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceProblem, NotBalanceable, Survey
from oretally.flowsheet.arrays import Bools, Floats
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.reduction.classification import unseen
from oretally.recon.reduction.observability import GENERIC_SEED, Classes

__all__ = ["require_scale", "scale_is_missing", "undetermined", "useful_measurements"]


_STILL = 1e-8  # share of a first move that is none, and distance between lines that are one


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
    problem: BalanceProblem, shown: tuple[Bools, Bools], *, grades_first: bool = False
) -> list[tuple[int | None, int]]:
    """Return measurements that together determine what is shown: each the one that settles most.

    Of those that settle as much the first, flows before grades, or the other way round.

    At a generic point what nothing sees are combinations of a few changes, and each value moves by
    so much with each: a row. A measurement of one takes its row's direction from all of them; what
    moves along the same line is determined with it.

    Returns
    -------
    list of (analyte or None, carrier)
        Empty if everything is determined already. A greedy choice: small, not proven smallest.
    """
    flows, grades = unseen(problem)
    n = shown[0].size
    every = [(None, j) for j in range(n)] + [(k, j) for k in range(len(grades)) for j in range(n)]
    moves = np.vstack([flows[:n], *(g[:n] for g in grades)])
    size = _length(moves)
    waiting = np.flatnonzero((size > 0.0) & np.r_[shown[0], shown[1].ravel()])
    if grades_first:
        waiting = np.r_[waiting[waiting >= n], waiting[waiting < n]]
    moves = moves[waiting] / size[waiting, None]
    chosen = list[tuple[int | None, int]]()
    while waiting.size:
        best = _settling_most(moves)
        chosen.append(every[waiting[best]])
        along = moves[best] / _length(moves[[best]])
        moves = moves - np.outer(moves @ along, along)  # with that measured, what is still unseen
        open_ = _length(moves) > _STILL
        open_[best] = False
        waiting, moves = waiting[open_], moves[open_]
    return chosen


def _settling_most(moves: Floats) -> int:
    """Return the first of the values that most others move with, each along one line.

    To measure one of them leaves none of those unseen, and all others.
    """
    line = moves / _length(moves)[:, None]
    order_by = np.random.default_rng(GENERIC_SEED).standard_normal(line.shape[1])
    seen_as = line @ order_by
    line, seen_as = line * np.sign(seen_as)[:, None], np.abs(seen_as)
    order = np.argsort(seen_as, kind="stable")  # what is on one line stands together
    apart = _length(np.diff(line[order], axis=0)) > _STILL
    group = np.empty(len(line), dtype=np.intp)
    group[order] = np.concatenate([[0], np.cumsum(apart)])
    return int(np.argmax(np.bincount(group)[group]))


def _length(rows: Floats) -> Floats:
    return np.asarray(np.sqrt((rows**2).sum(axis=1)))


def scale_is_missing(survey: Survey) -> bool:
    """Tell whether no flow above 0 was measured: all times one number would do as well."""
    return not any(value > 0.0 for value in _flows(survey))


def _flows(survey: Survey) -> list[float]:
    """Return the flows that were measured."""
    return [m.value for m in survey.measurements
            if m.unit.dimension is survey.basis.dimension
            and m.error_source != DECLARED_LOSS]  # fmt: skip


def require_scale(survey: Survey, feeds: Sequence[str]) -> None:
    """Refuse a survey in which nothing fixes the scale.

    Raises
    ------
    NotBalanceable
        If no flow above 0 was measured.
    """
    if not scale_is_missing(survey):
        return
    quantity, unit, feed = survey.basis.quantity, survey.flow_unit.symbol, feeds[0]
    what = "feed" if len(feeds) == 1 else "it"
    if _flows(survey):
        raise NotBalanceable(
            f"Every {quantity} that was measured is 0, so nothing fixes the scale.",
            "0 means that there was none: leave the cell empty where nothing was weighed.\n"
            f"Measure the {quantity} of one stream, best that of '{feed}'.",
        )
    raise NotBalanceable(
        f"No {quantity} was measured, so nothing fixes the scale: every {quantity} could be "
        "twice as large and the balances would still hold.",
        f"Measure the {quantity} of one stream, best that of '{feed}'.\n"
        f"Or, to have what the assays alone can tell, per 100 {unit} of {what}, enter for '{feed}' "
        f"a {quantity} of 100 {unit} with an error of 0.01 {unit}; "
        "'check' says what is missing then.",
    )
