"""A curve fitted to values against time, by least squares weighted with their covariance.

    minimise    (y - R(t))' V^-1 (y - R(t)),    0 < P <= whole, k > 0

over plateau and rate, or over the fast share and two rates. A plateau beyond the whole is held at
it. V may be singular: cumulative recoveries are correlated, and what has no error at all has no
weight. Nothing is read off a curve that the values do not determine: where a straight line explains
them as well, the test ended before the curve bent; where a constant does, the first value is
already at the plateau.

References
----------
G.A.F. Seber and C.J. Wild, Nonlinear Regression (1989), section 2.1: covariance to first order;
5.4: limits by the rise of chi-square. H. Akaike, IEEE Trans. Autom. Control 19 (1974) 716-723; C.M.
Hurvich and C.L. Tsai, Biometrika 76 (1989) 297-307: the correction for few values. Cited from
memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.kinetics.rate_models import curve, shape_of
from oretally.recon.kinetics.whitened import (
    Whitened,
    best_linear,
    rate_grid,
    single_starts,
    two_starts,
    whitened,
)
from oretally.recon.result import RateFit, RateModel, RateParameter

__all__ = ["best_of", "chi_square_at", "fit_rates"]

_RISE = 3.841458820694124  # chi-square of one degree of freedom that chance exceeds with 5 %
_VAGUE = 1e-7  # least singular value of slopes, over the largest, that fixes a parameter
_MOST = 400  # evaluations from one start
_POINTS, _CLOSE = 21, 1e-5  # rates of a grid that closes in; how near is near enough
_ROUNDING = 1e-9  # of chi-square
_EDGE = 1.02  # factor within which a rate stands at an end of the grid


@dataclass(frozen=True, eq=False)
class _Best:
    """The best curve: its parameters, which of them are free, what to say of it."""

    parameters: Floats
    free: Bools
    reason: str = ""
    determined: bool = True


def fit_rates(
    model: RateModel,
    time: ArrayLike,
    value: ArrayLike,
    covariance: ArrayLike,
    *,
    whole: float = 1.0,
    ranges: bool = True,
) -> RateFit:
    """Fit one curve to values against time.

    Parameters
    ----------
    model : RateModel
    time : array, shape (n,)
        Rising, from above 0, in any unit; rates are per this unit.
    value : array, shape (n,)
        Fractions of the whole, as a rule.
    covariance : array, shape (n, n)
        Of the values; it may be singular.
    whole : float
        Above which no plateau can be, and what two components come to in the end; inf for first
        order and rectangular distribution without such a bound.
    ranges : bool
        Whether to look for the 95 % ranges of plateau and rate, which takes most of the time.

    Raises
    ------
    ValueError
        For shapes that do not match, numbers that are not finite, times that do not rise from above
        0, values without any error, a whole not above 0, and two components of an infinite whole.
    """
    data = whitened(time, value, covariance)
    if not whole > 0.0:
        raise ValueError(f"the whole is {whole:g}: it must be above 0.")
    if model is RateModel.TWO_COMPONENTS and not np.isfinite(whole):
        raise ValueError("two components need a finite whole.")
    p = len(model.names)
    if data.rank < p:
        why = (f"a curve of {p} parameters needs {p} values with errors of their own at least; "
               f"there {'is' if data.rank == 1 else 'are'} {data.rank}.")  # fmt: skip
        return _row(
            data, model, whole, _Best(np.full(p, np.nan), np.zeros(p, bool), why, False), ranges
        )
    find = _best_two if model is RateModel.TWO_COMPONENTS else _best_single
    return _row(data, model, whole, find(data, model, whole), ranges)


def best_of(fits: list[RateFit]) -> list[tuple[RateFit, float]]:
    """Return the fits that can be compared, best first, with the weight of each.

    Notes
    -----
    Weights are exp(-d/2) over their sum, d the AICc less the least (H. Akaike, Psychometrika 52
    (1987) 317-332, from memory). A fit without AICc, or that is not determined, is left out; all
    must be of the same values.
    """
    known = [(fit.aicc, fit) for fit in fits if fit.aicc is not None and fit.determined]
    known.sort(key=lambda pair: pair[0])
    if not known:
        return []
    weight = np.exp(-(np.array([a for a, _ in known]) - known[0][0]) / 2.0)
    weight /= weight.sum()
    return [(fit, float(w)) for (_, fit), w in zip(known, weight, strict=True)]


def chi_square_at(
    data: Whitened, model: RateModel, parameters: Floats, whole: float = 1.0
) -> float:
    """Return chi-square of a curve with given parameters."""
    miss = data.root @ (data.value - curve(model, parameters, data.time, whole)[0])
    return float(miss @ miss)


def _best_single(data: Whitened, model: RateModel, whole: float) -> _Best:
    """Return plateau and rate of the least chi-square within the bounds."""
    both = np.ones(2, bool)
    found = [_descended(data, model, start, both, whole) for start in single_starts(data, model)]
    best = min(found, key=lambda x: chi_square_at(data, model, x, whole))
    least = chi_square_at(data, model, best, whole)
    grid = rate_grid(data.time)
    line, constant = (float(best_linear(data, shape)[1])
                      for shape in (data.time, np.ones_like(data.time)))  # fmt: skip
    if best[0] <= 0.0:
        why = "the values do not rise with time: there is no rate."
        return _Best(best, ~both, why, False)
    if line - least <= _RISE or best[1] <= grid[0] * _EDGE:
        why = ("the test ends before the curve bends: a straight line explains it as well, and "
               "neither plateau nor rate can be told. Go on for longer.")  # fmt: skip
        return _Best(best, ~both, why, False)
    if constant - least <= _RISE or best[1] >= grid[-1] / _EDGE:
        flat = float(best_linear(data, np.ones_like(data.time))[0])
        why = ("the first time is already at the plateau: the rate may be any large one. Take the "
               "first product earlier.")  # fmt: skip
        return _Best(np.array([min(flat, whole), best[1]]), np.array([flat <= whole, False]), why)
    if best[0] > whole:
        return _at_the_whole(data, model, best, whole)
    return _Best(best, both)


def _at_the_whole(data: Whitened, model: RateModel, best: Floats, whole: float) -> _Best:
    free = np.array([False, True])
    held = _descended(data, model, _with_plateau(data, model, whole), free, whole)
    of_whole = f"{100.0 * best[0] / whole:.4g} % of the whole"
    why = (f"the best plateau would be {of_whole}, more than there is: it stands at all of it, and "
           "the rate holds for that plateau only.")  # fmt: skip
    return _Best(held, free, why)


def _with_plateau(data: Whitened, model: RateModel, plateau: float) -> Floats:
    """Return plateau and rate of the least chi-square for a given plateau: a grid closes in."""
    rates = rate_grid(data.time)
    while True:
        miss = (plateau * shape_of(model, rates, data.time)[0] - data.value) @ data.root.T
        i = int(np.argmin((miss * miss).sum(axis=-1)))
        low, high = rates[max(i - 1, 0)], rates[min(i + 1, len(rates) - 1)]
        if high / low - 1.0 < _CLOSE:
            return np.array([plateau, rates[i]])
        rates = np.geomspace(low, high, _POINTS)


def _best_two(data: Whitened, model: RateModel, whole: float) -> _Best:
    """Return fast share and two rates of the least chi-square within the bounds.

    Notes
    -----
    Within the bounds (share 0 to 1, slow rate 0 to fast rate) the least is a free one, or that of
    first order with a plateau, a slow rate of 0, or of first order up to the whole.
    """
    all_free = np.ones(3, bool)
    found = []
    for start in two_starts(data, whole):
        x = _descended(data, model, start, all_free, whole)
        if 0.0 < x[0] < 1.0 and x[2] < x[1]:
            found.append(_Best(x, all_free))
    single = _best_single(data, RateModel.FIRST_ORDER, whole)
    if single.determined:
        one = single.parameters[0] >= whole
        why = "the slow part does not move in this time: it is first order with a plateau."
        why = "one component explains it as well as two: the second has no share." if one else why
        x = np.array([min(single.parameters[0] / whole, 1.0), single.parameters[1], 0.0])
        found.append(_Best(x, np.array([not one and single.free[0], single.free[1], False]), why))
    if not found:
        why = "the values do not tell two components apart: too few bends. Go on for longer."
        return _Best(np.full(3, np.nan), ~all_free, why, False)
    each = [chi_square_at(data, model, b.parameters, whole) for b in found]
    level = min(each) + _ROUNDING  # what rounding tells apart is one: the simpler of them is told
    alike = [b for b, chi_square in zip(found, each, strict=True) if chi_square <= level]
    best = min(alike, key=lambda b: int(b.free.sum()))
    if np.all(best.free) and _parameter_covariance(data, model, best, whole) is None:
        why = "the values do not tell two components apart. Go on for longer."
        return replace(best, free=~all_free, reason=why, determined=False)
    return best


def _descended(
    data: Whitened, model: RateModel, start: Floats, free: Bools, whole: float
) -> Floats:
    """Return parameters at the bottom of the valley of a start; rates move by their logarithms."""
    from scipy.optimize import least_squares

    rates = np.array([name.endswith("rate") for name in model.names])
    x = np.where(rates, np.log(np.where(rates, start, 1.0)), start)

    def parameters(u: Floats) -> Floats:
        at = x.copy()
        at[free] = u
        return np.where(rates, np.exp(np.clip(np.where(rates, at, 0.0), -300.0, 300.0)), at)

    def misfit(u: Floats) -> Floats:
        return data.root @ (curve(model, parameters(u), data.time, whole)[0] - data.value)

    def slopes(u: Floats) -> Floats:
        at = parameters(u)
        by = curve(model, at, data.time, whole)[1] * np.where(rates, at, 1.0)
        return np.asarray((data.root @ by)[:, free])

    found = least_squares(misfit, x[free], slopes, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14,
                          x_scale="jac", max_nfev=_MOST)  # fmt: skip
    return parameters(found.x)


def _parameter_covariance(
    data: Whitened, model: RateModel, best: _Best, whole: float
) -> tuple[Floats, Floats] | None:
    """Return (J'J)^-1 of the free parameters and their slopes by the values; None if not fixed."""
    J = (data.root @ curve(model, best.parameters, data.time, whole)[1])[:, best.free]
    size = np.linalg.norm(J, axis=0)
    if not J.size or not np.all(size > 0.0):
        return None
    left, s, rows = np.linalg.svd(J / size, full_matrices=False)
    if s[-1] < _VAGUE * s[0]:
        return None
    half = rows.T / s / size[:, None]
    return np.asarray(half @ half.T), np.asarray(half @ left.T @ data.root)


def _row(data: Whitened, model: RateModel, whole: float, best: _Best, with_ranges: bool) -> RateFit:
    p, n = len(model.names), len(data.time)
    covariance, slopes = np.full((p, p), np.nan), np.full((p, n), np.nan)
    known = best.free & np.isfinite(best.parameters)
    if np.any(known) and (found := _parameter_covariance(data, model, best, whole)):
        covariance[np.ix_(known, known)], slopes[known] = found
    sd = [float(np.sqrt(v)) if v == v else None for v in np.diag(covariance)]
    none = [(None, None)] * p
    ranges = _ranges(data, model, best, whole) if with_ranges else none
    fitted = curve(model, best.parameters, data.time, whole)[0]
    chi_square = chi_square_at(data, model, best.parameters, whole)
    dof = data.rank - int(best.free.sum())
    spare = data.rank - p - 1
    aicc = chi_square + 2.0 * p + 2.0 * p * (p + 1.0) / spare if spare > 0 else None
    return RateFit(
        model, data.time, data.value, whole,
        {name: RateParameter(float(v), s, *r)
         for name, v, s, r in zip(model.names, best.parameters, sd, ranges, strict=True)},
        covariance, slopes, fitted, chi_square, dof, _chance(chi_square, dof), aicc, best.reason,
        best.determined,
    )  # fmt: skip


def _chance(chi_square: float, dof: int) -> float | None:
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi_square)) if dof > 0 and np.isfinite(chi_square) else None


def _ranges(
    data: Whitened, model: RateModel, best: _Best, whole: float
) -> list[tuple[float | None, float | None]]:
    """Return where chi-square has risen by 3.84 below and above plateau and rate."""
    if model is RateModel.TWO_COMPONENTS or not best.determined:
        return [(None, None)] * len(model.names)
    limit = chi_square_at(data, model, best.parameters, whole) + _RISE
    rates = rate_grid(data.time)
    plateau, rate = best.parameters

    def of_rate(log_rate: float) -> float:
        shape = shape_of(model, np.exp(log_rate), data.time)[0]
        factor = min(float(best_linear(data, shape)[0]), whole)
        return chi_square_at(data, model, np.array([factor, np.exp(log_rate)]), whole) - limit

    def of_plateau(held: float) -> float:
        return chi_square_at(data, model, _with_plateau(data, model, held), whole) - limit

    high = whole if np.isfinite(whole) else 1e3 * plateau
    lows = (_crossed(of_plateau, plateau, 1e-3 * plateau),
            _crossed(of_rate, float(np.log(rate)), float(np.log(rates[0]))))  # fmt: skip
    highs = (_crossed(of_plateau, plateau, high),
             _crossed(of_rate, float(np.log(rate)), float(np.log(rates[-1]))))  # fmt: skip
    ends = [(lows[0], highs[0])]
    ends.append((None if lows[1] is None else float(np.exp(lows[1])),
                 None if highs[1] is None else float(np.exp(highs[1]))))  # fmt: skip
    return ends


def _crossed(rise: Callable[[float], float], inside: float, outside: float) -> float | None:
    """Return where a rise, below 0 inside, meets 0 on the way out; None if it does not."""
    from scipy.optimize import brentq

    if inside == outside or rise(outside) < 0.0 or rise(inside) >= 0.0:
        return None
    return float(brentq(rise, inside, outside, xtol=1e-10, rtol=1e-5))
