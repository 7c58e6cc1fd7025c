"""Which measurement the course of a test speaks against, where no curve holds.

What product i brings of an analyte is a_i = B (F(t_i) - F(t_i-1)), with F the shape of a curve of
one rate and B the amount that can float. An error of b sd in one measurement moves the amounts by
b c, c from the balance, and chi-square of the balance by q b^2 - 2 a b, with q the redundancy
number and a the adjustment over the sd. So each measurement in turn is freed,

    minimise    |W (a - b c - B dF(k))|^2 + q b^2 - 2 a b    over b, B, k,

and weighed as any other error by what is left, its size and its slips (`course_evidence`). A mass
moves what a product brings of every analyte, with one b for all.

A leach is held against any sum of first-order leaches, a weaker premise; here that would not do.
Without an assay of the head what the products brought has no whole to be held against, and a tray
that reads too high is the same as one before it that reads too low, with some fast particles: of
65 drawn slips that it found, the likeliest number was the wrong one in 37; with curves of one rate
it was in 17 of 459.

References
----------
The test is that of a mean shift: R.D. Cook and S. Weisberg, Residuals and Influence in Regression
(1982), section 2.2.2. Cited from memory. To free it along a curve of rates: no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import Measurement, Position
from oretally.flowsheet.arrays import Floats
from oretally.recon.kinetics.course_evidence import (
    FreedAssay,
    WeighedAssay,
    own_check,
    possible_slips,
)
from oretally.recon.kinetics.rate_models import shape_of
from oretally.recon.kinetics.timed_test import TimedTest
from oretally.recon.kinetics.whitened import Whitened, rate_grid, whitened
from oretally.recon.propagation import adjusted_amount, joint_roots, moved_by_errors
from oretally.recon.result import (
    ErrorRates,
    RateModel,
    TimedProducts,
    TimedQuantity,
    TimedSuspect,
)
from oretally.recon.signatures import PossibleSlips

__all__ = ["with_timed_suspects"]

_SINGLE = (RateModel.FIRST_ORDER, RateModel.RECTANGULAR)
_LEFT = 0.001  # chance of what is left, below which a measurement does not explain it
_QUIET = 0.5  # probability that no number is wrong, from which none is told
_TOLD, _SHOWN = 0.1, 3  # probability from which a number is told, and how many
_STEP, _FLAT = 0.5, 1e-9  # of an error, in stated errors; the least rise that fixes it
_TRACE = 1e-6  # redundancy number below which nothing checks a measurement
_POINTS = 21  # rates of a grid that closes in
_CLOSE = 1e-4  # of a rate: near enough
_ROUNDS = 12  # of b and rates in turn


@dataclass(frozen=True, eq=False)
class _Course:
    """What each timed product brings of an analyte: whitened, and times of the n that are known."""

    analyte: int
    data: Whitened
    known: Sequence[int]
    time: Floats

    def rise(self, model: RateModel, rates: Floats) -> Floats:
        """Return dF of the known products, shape (..., n)."""
        F = shape_of(model, rates, self.time)[0]
        start = np.zeros((*F.shape[:-1], 1))
        return np.asarray(np.diff(F, axis=-1, prepend=start)[..., list(self.known)])


@dataclass(frozen=True, eq=False)
class _Freed:
    """A measurement as it is freed: what one sd of it moves, for each course, and the balance."""

    moved: Sequence[Floats]
    redundancy: float
    pull: float


def with_timed_suspects(test: TimedTest, found: TimedProducts, rates: ErrorRates) -> TimedProducts:
    """Return the row with the measurements that explain why no curve holds for some analyte."""
    names = [a.name for a in test.model.survey.analytes]
    doubted = {names.index(q.quantity) for q in found.quantities if _is_doubted(q)}
    if not doubted:
        return found
    courses = [c for k in sorted(doubted) if (c := _course(test, k)) is not None]
    return replace(found, suspects=_suspects(test, courses, rates)) if courses else found


def _is_doubted(q: TimedQuantity) -> bool:
    """Return whether no curve explains an analyte; where nothing can tell, none is doubted."""
    best = [c.holds for c in q.curves if c.determined]
    return bool(best) and all(holds is False for holds in best)


def _course(test: TimedTest, k: int) -> _Course | None:
    """Return what the products bring of an analyte; None where too little is known."""
    each = [adjusted_amount(test.covariance, test.carriers(k, [s]), k) for s in test.streams]
    amounts, R = joint_roots(test.covariance, each)
    known = np.flatnonzero(np.isfinite(amounts) & np.all(np.isfinite(R), axis=1))
    V = R[known] @ R[known].T
    if len(known) < 4 or not np.any(np.diag(V) > 0.0):
        return None
    data = whitened(test.time[known], amounts[known], V)
    return _Course(k, data, known.tolist(), test.time) if data.rank == len(known) else None


def _suspects(
    test: TimedTest, courses: Sequence[_Course], rates: ErrorRates
) -> tuple[TimedSuspect, ...]:
    survey = test.model.survey
    slips = possible_slips(test, rates.in_survey(len(survey.measurements)))
    free = sum(c.data.rank for c in courses)
    alone = [min(_least([c], [m], None)[0] for m in _SINGLE) for c in courses]
    found, odds = list[tuple[Measurement, WeighedAssay, int]](), [0.0]
    for m in survey.measurements:
        place = test.model.positions.readings.get((m.stream, m.quantity))
        if place is None or m.sd <= 0.0 or m.bounded:
            continue
        of = [i for i, c in enumerate(courses) if place.analyte in (None, c.analyte)]
        freed = _freed(test, [courses[i] for i in of], place, slips)
        if freed is None:
            continue
        models = [_better(courses[i], c) for i, c in zip(of, freed.moved, strict=True)]
        left = _left([courses[i] for i in of], models, freed)
        rest = sum(alone) - sum(alone[i] for i in of) + left.distance
        weighed = WeighedAssay(place, replace(left, distance=rest), sum(alone), slips, rates)
        odds.append(weighed.log_odds)
        dof = free - 2 * len(courses) - 1 + (freed.redundancy > _TRACE)
        chance = _chance(max(rest, 0.0), dof)
        if chance is None or chance >= _LEFT:
            found.append((m, weighed, dof))
    whole = float(np.logaddexp.reduce(odds))
    if np.exp(-whole) >= _QUIET:
        return ()
    told = [_row(m, w, float(np.exp(w.log_odds - whole)), dof) for m, w, dof in found]
    told.sort(key=lambda s: -round(s.probability, 9))
    return tuple(s for s in told if s.probability >= _TOLD)[:_SHOWN]


def _row(m: Measurement, weighed: WeighedAssay, probability: float, dof: int) -> TimedSuspect:
    slips = weighed.told_slips(probability, weighed.freed.distance, dof)
    meant = slips[0].readings[0].fits if slips else None
    return TimedSuspect(
        m.stream, m.quantity, probability, m.value, m.value - weighed.freed.error * m.sd,
        m.unit.symbol, slips[0].reason if slips else "", meant,
    )  # fmt: skip


def _left(
    courses: Sequence[_Course], models: Sequence[RateModel], freed: _Freed
) -> FreedAssay:  # fmt: skip
    """Return what is left with one measurement freed; its variance by the rise on either side."""
    least, b = _least(courses, models, freed)
    each = list(zip(courses, models, freed.moved, strict=True))

    def at(error: float) -> float:
        sums = (_closing_in(*one, 0.0, 0.0, held=error)[0] for one in each)
        return sum(sums) + freed.redundancy * error**2 - 2.0 * freed.pull * error

    bend = at(b + _STEP) - 2.0 * least + at(b - _STEP)
    return FreedAssay(least, b, 2.0 * _STEP**2 / max(bend, _FLAT))


def _better(c: _Course, moved: Floats) -> RateModel:
    """Return the curve that explains a course best with one measurement freed."""
    return min(_SINGLE, key=lambda model: _closing_in(c, model, moved, 0.0, 0.0)[0])


def _freed(
    test: TimedTest, courses: Sequence[_Course], place: Position, slips: PossibleSlips
) -> _Freed | None:
    """Return what one sd of a measurement moves; None if it moves nothing here."""
    V, moved = test.covariance, list[Floats]()
    for c in courses:
        each = [adjusted_amount(V, test.carriers(c.analyte, [test.streams[i]]), c.analyte)
                for i in c.known]  # fmt: skip
        moved.append(moved_by_errors(V, each, [place])[:, 0])
    if not any(np.any(x) for x in moved):
        return None
    adjustment, redundancy = own_check(test, place, *slips.as_read(place))
    if redundancy <= _TRACE:
        return _Freed(moved, 0.0, 0.0)
    return _Freed(moved, redundancy, -adjustment)


def _least(
    courses: Sequence[_Course], models: Sequence[RateModel], freed: _Freed | None
) -> tuple[float, float]:
    """Return the least chi-square, and b in sd, over b and the B and k of each course.

    Notes
    -----
    For given rates all else is linear. With g = W dF, s = W c and y = W a, each course leaves, B
    eliminated, the parabola (y - b s)'(1 - g g'/g'g)(y - b s) in b. Rates are found on a grid that
    closes in; for several courses b and the rates in turn.
    """
    q, pull = (0.0, 0.0) if freed is None else (freed.redundancy, freed.pull)
    moved = [None] * len(courses) if freed is None else freed.moved
    if len(courses) == 1:
        of, b, _ = _closing_in(courses[0], models[0], moved[0], q, pull)
        return of, b
    each = list(zip(courses, models, moved, strict=True))
    starts = [_closing_in(*one, 0.0, 0.0) for one in each]
    weights = np.array([weight for _, _, weight in starts])
    b = float(np.average([x for _, x, _ in starts], weights=weights)) if weights.any() else 0.0
    least = np.inf
    for _ in range(_ROUNDS):
        sums = [_closing_in(*one, 0.0, 0.0, held=b) for one in each]
        least = sum(chi for chi, _, _ in sums) + q * b * b - 2.0 * pull * b
        bend = sum(weight for _, _, weight in sums) + q
        if not bend:
            break
        step = (sum(x * weight for _, x, weight in sums) + pull) / bend - b
        b += step
        if abs(step) < 1e-3:
            break
    return float(least), b


def _closing_in(
    c: _Course, model: RateModel, moved: Floats | None, q: float, pull: float, *,
    held: float | None = None,
) -> tuple[float, float, float]:  # fmt: skip
    """Return the least chi-square of one course, the b that is best at its rate, b's weight.

    ``held``: a b for which the least is sought.
    """
    y = c.data.root @ c.data.value
    s = np.zeros_like(y) if moved is None else c.data.root @ moved
    rates = rate_grid(c.time)
    while True:
        g = c.rise(model, rates) @ c.data.root.T
        gg = np.maximum((g * g).sum(axis=-1), np.finfo(float).tiny)
        gs, gy = g @ s, g @ y
        yy, ys, ss = y @ y - gy * gy / gg, y @ s - gy * gs / gg, s @ s - gs * gs / gg
        ss = np.where(ss > _TRACE * (s @ s), ss, 0.0)
        own = np.where(ss > 0.0, ys / np.where(ss > 0.0, ss, 1.0), 0.0)
        bend = ss + q
        b = np.where(bend > 0.0, (ys + pull) / np.where(bend > 0.0, bend, 1.0), 0.0)
        at = b if held is None else np.full_like(b, held)
        chi_square = yy - 2.0 * at * ys + at * at * ss
        chi_square = chi_square + q * at * at - 2.0 * pull * at
        chi_square = np.where(gy - at * gs > 0.0, chi_square, np.inf)
        i = int(np.argmin(chi_square))
        low, high = rates[max(i - 1, 0)], rates[min(i + 1, len(rates) - 1)]
        if high / low - 1.0 < _CLOSE:
            return float(chi_square[i]), float((b if held is None else own)[i]), float(ss[i])
        rates = np.geomspace(low, high, _POINTS)


def _chance(chi_square: float, dof: int) -> float | None:
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi_square)) if dof > 0 else None
