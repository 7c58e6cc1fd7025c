"""Where a search in natural variables begins: points inside all bounds, near to the balances."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.natural.natural_form import NaturalForm, Point
from oretally.recon.natural.newton_system import Hessian, NewtonSystem
from oretally.recon.natural.slacks import Slacks, Start, longest_step, slack_change, slacks

__all__ = ["first_points"]


_SEED = 20_021  # of the scatter of first flows: a fixed one keeps results the same
_NEAR_BARRIER = 0.01  # with flows of much the same problem
# first barriers, in units of the objective: with a high one bad data do not collapse, with a low
# one a good guess is kept
_BARRIERS = (10.0, 0.1, 1.0)
_SPREAD = (0.3, 1.0)  # sd of the logarithm of first flows, by turns
_ROUNDS = 6  # of least squares towards the balances
_SWEEPS = 20  # from balance to balance, of grades that are guessed
_OPEN = 0.01  # size of a first flow that nobody measured, as a share of a typical one, at least
_INSIDE = 0.01  # distance of a first value from its bounds, in units of its size
_CLOSE = 0.01  # share of what passes by which first balances may be open


@dataclass(frozen=True, eq=False)
class _Sizes:
    """Sizes of flows and grades before anything is balanced."""

    flow: Floats
    flow_least: Floats
    grade: Floats
    grade_size: Floats


def _sizes(form: NaturalForm) -> _Sizes:
    c = form.cells
    measured = form.flow_weight > 0.0
    sizes = form.flow[measured & (form.flow > 0.0)]
    typical = float(np.median(sizes)) if sizes.size else 1.0
    sd = np.where(measured, np.where(measured, form.flow_weight, 1.0) ** -0.5, 0.0)
    flow = np.where(measured, form.flow, typical)
    least = np.where(measured, np.maximum(0.1 * sd, 1e-3 * np.abs(form.flow)), _OPEN * typical)
    assayed = c.weight > 0.0
    grade = _guessed(form, np.where(assayed & (c.target > 0.0), c.target, np.nan))
    own_sd = np.where(assayed, np.where(assayed, c.weight, 1.0) ** -0.5, 0.0)
    size = np.maximum(np.maximum(np.abs(grade), own_sd), 1e-9)
    return _Sizes(flow, np.maximum(least, 1e-9 * typical), grade, size)


def _guessed(form: NaturalForm, grade: Floats) -> Floats:
    """Return grades with those that are missing like their neighbours', balance after balance."""
    c = form.cells
    cell = c.link_cell[c.link]
    for _ in range(_SWEEPS):
        known = np.isfinite(grade[cell])
        count = np.bincount(c.row[known], minlength=form.n_rows)
        total = np.bincount(c.row[known], np.log(grade[cell][known]), form.n_rows)
        near = np.bincount(cell, count[c.row], grade.size)
        mean = np.bincount(cell, total[c.row], grade.size) / np.where(near > 0.0, near, 1.0)
        new = np.isnan(grade) & (near > 0.0)
        if not new.any():
            break
        grade = np.where(new, np.exp(mean), grade)
    for k in range(int(c.analyte.max(initial=-1)) + 1):
        own = c.analyte == k
        seen = own & np.isfinite(grade)
        grade[own & ~seen] = np.median(grade[seen]) if seen.any() else 0.5
    return np.nan_to_num(grade)


def first_points(form: NaturalForm, near: Floats | None, most: int) -> Iterator[Start]:
    """Yield first points: from other flows, from the measured values, then scattered about them.

    ``near`` has the other flows, shape (n_flows,), in the units of the form.
    """
    sizes = _sizes(form)
    rng = np.random.default_rng(_SEED)
    if near is not None and near.size == form.n_flows and np.isfinite(near).all():
        yield replace(_start(form, sizes, near), barrier=_NEAR_BARRIER)
    yield _start(form, sizes, sizes.flow)
    for i in range(most - 1):
        noise = _SPREAD[i % 2] * rng.standard_normal(form.n_flows)
        scattered = _start(form, sizes, sizes.flow * np.exp(noise))
        yield replace(scattered, barrier=_BARRIERS[(i + 1) % len(_BARRIERS)])


def _start(form: NaturalForm, sizes: _Sizes, flow: Floats) -> Start:
    """Return a point inside all bounds."""
    c = form.cells
    bounded = np.isfinite(form.flow_lower)
    least = np.where(bounded, form.flow_lower, 0.0) + sizes.flow_least
    F = np.where(form.known, form.flow, np.where(bounded, np.maximum(flow, least), flow))
    width = np.where(np.isfinite(c.upper) & np.isfinite(c.lower), c.upper - c.lower, np.inf)
    grade, size = sizes.grade.copy(), sizes.grade_size.copy()
    shared = c.analyte < 0
    if shared.any():
        grade[shared] = size[shared] = form.shares(F)[shared]
    sizes = replace(sizes, grade_size=size)
    room = np.minimum(_INSIDE * size, 0.25 * width)
    x = np.clip(grade, c.lower + room, c.upper - room)
    start = _sized(form, sizes, Point(F, x * np.where(c.amount, np.abs(F[c.carrier]), 1.0)))
    return _sized(form, sizes, _nearer(form, start, _ROUNDS))


def _sized(form: NaturalForm, sizes: _Sizes, point: Point) -> Start:
    """Return a start with sizes as at a point."""
    c = form.cells
    flow_size = np.maximum(np.abs(point.flow), sizes.flow_least)
    cell_size = sizes.grade_size * np.where(c.amount, flow_size[c.carrier], 1.0)
    rows = form.passing(Point(flow_size, cell_size))
    largest = float(rows.max(initial=0.0)) or 1.0
    row_size = np.maximum(rows, 1e-12 * largest)
    return Start(point, flow_size, cell_size, row_size, _BARRIERS[0])


def _nearer(form: NaturalForm, start: Start, rounds: int) -> Point:
    """Return a start nearer to the balances: least squares in units of what each value is.

    Measured values count in their sd too; every value stays inside its bounds, at a tenth of its
    distance at least in each round.

    Parameters
    ----------
    form : NaturalForm
    start : Start
    rounds : int
        At most.
    """
    system = NewtonSystem(form, start.flow_size, start.cell_size, start.row_size)
    point, nothing = start.point, np.zeros(form.n_rows)
    for _ in range(rounds):
        slack = slacks(form, point)
        rows = np.maximum(form.passing(point), 1e-3 * start.row_size)
        before = float(np.abs(form.residual(point) / rows).sum())
        if np.abs(form.residual(point) / rows).max(initial=0.0) <= _CLOSE:
            break
        unit = Slacks(
            *(
                np.minimum(s, 1e3 * u)
                for s, u in zip(
                    slack.parts(), (start.flow_size, start.cell_size, start.cell_size), strict=True
                )
            )
        )
        curvature = Hessian(unit.flow**-2.0, unit.low**-2.0, unit.high**-2.0, whole=False)
        if not system.factor(point, nothing, curvature):
            break
        by_flow, by_cell = form.gradient(point)
        step = system.solve(-by_flow, -by_cell, -form.residual(point))
        length = longest_step(slack, slack_change(form, step), 0.9)
        for _ in range(6):
            trial = point.moved(length, step.flow, step.cell)
            after = float(np.abs(form.residual(trial) / rows).sum())
            if after < before:
                break
            length *= 0.5
        else:
            break
        point = trial
    return point
