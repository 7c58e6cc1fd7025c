"""The best rising curve for classes of which the averages are known, and for open ones.

A class between two bounds has the average of the curve over its feed. An open class, the coarsest
or the pan, has that at some size of its own between its two ends: an average over the sizes from e
to f lies between y(e) and y(f), and nothing more is known of it. It is one more reading with one
more unknown, and says nothing, unless no size gives its share: then its size rests at an end, and
the reading checks the curve.

    minimise    r V^-1 r,  r = shares - (averages of y; of open classes: eta)
    subject to  y(fine end) <= eta <= y(coarse end),  0 <= R < 1

with y(0) = R, the fine end of the pan, and y(inf) = 1, the coarse end of the coarsest class.

References
----------
G.A.F. Seber and C.J. Wild, Nonlinear Regression (1989), chapter 2: generalised least squares.
Classes that are open: no source. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.result import Meets, NoFit, PartitionLaw
from oretally.recon.sizes.bounded_range import BoundedRange, bounded_range
from oretally.recon.sizes.curves import parameter_covariance, whitening
from oretally.recon.sizes.partition_law import corrected_share

__all__ = ["BestCurve", "Readings", "best_curve", "unknowns"]


_VAGUE = 3.0  # sd of ln d50c or of ln exponent, beyond which the classes say nothing of it
_STARTS = (1.0, 2.0, 4.0, 8.0)  # exponents to look from
_MOST = 60  # evaluations: a curve that the shares fix takes a dozen
_FAR = 20.0  # ln exponent that is none: keeps the search from overflow
_ROUNDING = 1e-9  # share by which a value lies beyond its bound by rounding alone


@dataclass(frozen=True, eq=False)
class Readings:
    """Shares to fit, classes between two bounds first, then the open ones.

    Attributes
    ----------
    log_size, weight : ndarray, shape (n, q)
        Sizes in the closed classes, ln of um, and their weights in the average.
    ends : ndarray, shape (m, 2)
        Fine and coarse end of each open class, ln of um, -inf to inf.
    share, covariance : ndarray, shape (n + m,), (n + m, n + m)
    held : float or None
        The bypass, if it is not to be fitted.
    stated : (float, float) or None
        A measured bypass and its sd, independent of the shares.
    """

    log_size: Floats
    weight: Floats
    ends: Floats
    share: Floats
    covariance: Floats
    held: float | None = None
    stated: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class BestCurve:
    """The curve found: ln d50c, ln exponent and bypass, and how well they are known.

    Attributes
    ----------
    values : ndarray, shape (3,)
    region : BoundedRange
        Of ln d50c, ln exponent, bypass (unless held) and the shares of the open classes.
    fitted : ndarray, shape (n + m,)
        What the curve gives for the shares.
    meets : tuple of Meets
        For each open class.
    limits : ndarray, shape (m, 2)
        Between which the curve lets the share of each open class be.
    at_zero : bool
        Whether the bypass rests at its bound 0.
    chi_square : float
    dof : int
        Readings less unknowns, those of open classes within their limits counted in both.
    free_bypass : (float, float) or None
        Bypass, and its sd, of the best curve of all, where that breaks a bound.
    """

    values: Floats
    region: BoundedRange
    fitted: Floats
    meets: tuple[Meets, ...]
    limits: Floats
    at_zero: bool
    chi_square: float
    dof: int
    free_bypass: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class _Curve:
    """The best curve with given open classes at their ends, and the bypass perhaps at 0."""

    meets: tuple[Meets, ...]
    at_zero: bool
    values: Floats
    sds: Floats | None
    fitted: Floats
    chi_square: float

    @property
    def fixed(self) -> bool:
        """Whether the readings fix cut size and exponent."""
        return self.sds is not None and max(self.sds[:2]) <= _VAGUE and abs(self.values[1]) < _FAR


def best_curve(law: PartitionLaw, readings: Readings) -> BestCurve | NoFit:
    """Return the curve of least chi-square within the bounds.

    Notes
    -----
    The least within bounds is the least where some of them are equations: of all such sets, of
    those whose curve breaks no other bound, the best. A set is not tried if it holds another that
    is no better than the best so far: further equations cannot lower a chi-square.
    """
    zeros = (False, True) if readings.held is None else (False,)
    kinds = product(product(Meets, repeat=len(readings.ends)), zeros)
    first = best = None
    tried: dict[tuple[tuple[Meets, ...], bool], float] = {}
    for meets, at_zero in sorted(kinds, key=lambda kind: _equations(*kind)):
        least = max((tried[kind] for kind in _fewer(meets, at_zero)), default=-np.inf)
        if best is not None and least >= best.chi_square:
            tried[meets, at_zero] = np.inf
            continue
        found = _with(law, readings, meets, at_zero, first)
        tried[meets, at_zero] = found.chi_square
        first = first or found
        if first.values[2] >= 1.0:
            return NoFit("the fitted bypass is 100 % or more: the shares do not rise with size.")
        if _possible(law, readings, found) and not (best and best.chi_square <= found.chi_square):
            best = found
    if first is None or best is None or not best.fixed:
        return NoFit(f"the classes do not fix cut size and exponent of the {law} curve: too few of "
                     "them have shares between the bypass and 100 %.")  # fmt: skip
    held = _equations(best.meets, best.at_zero)
    count = len(readings.log_size) + (readings.stated is not None) - unknowns(readings)
    free = None
    if held and first.fixed and first.sds is not None:
        free = float(first.values[2]), float(first.sds[2])
    return BestCurve(best.values, _region(law, readings, best), best.fitted, best.meets,
                     _ends(law, readings, best.values)[0], best.at_zero, best.chi_square,
                     count + held, free)  # fmt: skip


def unknowns(readings: Readings) -> int:
    """Return how many unknowns the curve has."""
    return 3 if readings.held is None else 2


def _equations(meets: tuple[Meets, ...], at_zero: bool) -> int:
    """Return how many bounds are equations."""
    return sum(m is not Meets.WITHIN for m in meets) + at_zero


def _fewer(meets: tuple[Meets, ...], at_zero: bool) -> Iterable[tuple[tuple[Meets, ...], bool]]:
    """Yield the sets of equations with one less."""
    for i, m in enumerate(meets):
        if m is not Meets.WITHIN:
            yield (*meets[:i], Meets.WITHIN, *meets[i + 1 :]), at_zero
    if at_zero:
        yield meets, False


def _averages(
    law: PartitionLaw, log_size: Floats, weight: Floats, values: Floats
) -> tuple[Floats, Floats]:
    """Return averages of y (n,) and their slopes (n, 3) by ln d50c, ln exponent and bypass."""
    exponent, R = float(np.exp(np.clip(values[1], -_FAR, _FAR))), values[2]
    curves = corrected_share(law, log_size - values[0], exponent)
    c, by_size, by_exponent = (np.sum(weight * each, axis=1) for each in curves)
    slopes = np.column_stack([-(1.0 - R) * by_size, (1.0 - R) * by_exponent, 1.0 - c])
    return R + (1.0 - R) * c, slopes


def _ends(law: PartitionLaw, readings: Readings, values: Floats) -> tuple[Floats, Floats]:
    """Return y at the ends of the open classes (m, 2), and its slopes (m, 2, 3)."""
    at = readings.ends.reshape(-1, 1)
    y, slopes = _averages(law, at, np.ones_like(at), values)
    return y.reshape(-1, 2), slopes.reshape(-1, 2, 3)


def _with(
    law: PartitionLaw, readings: Readings, meets: tuple[Meets, ...], at_zero: bool,
    near: _Curve | None,
) -> _Curve:  # fmt: skip
    """Return the best curve where bounds are equations: Levenberg and Marquardt's method."""
    from scipy.optimize import least_squares

    n, q = readings.log_size.shape
    rest = [i for i, m in enumerate(meets) if m is not Meets.WITHIN]
    ends = np.array([readings.ends[i, int(meets[i] is Meets.MOST)] for i in rest])
    log_size = np.vstack([readings.log_size, np.repeat(ends.reshape(-1, 1), q, axis=1)])
    weight = np.vstack([readings.weight, np.full((len(rest), q), 1.0 / q)])
    used = [*range(n), *(n + i for i in rest)]
    y, V = readings.share[used], readings.covariance[np.ix_(used, used)]
    W = _whitened(V)
    R, stated = 0.0 if at_zero else readings.held, readings.stated
    free = 3 if R is None else 2

    def full(theta: Floats) -> Floats:
        return theta if R is None else np.append(theta[:2], R)

    last: dict[bytes, tuple[Floats, Floats]] = {}  # slopes are asked for where the misfit was

    def averages(theta: Floats) -> tuple[Floats, Floats]:
        key = theta.tobytes()
        if key not in last:
            last.clear()
            last[key] = _averages(law, log_size, weight, full(theta))
        return last[key]

    def misfit(theta: Floats) -> Floats:
        r = W @ (y - averages(theta)[0])
        return r if stated is None else np.append(r, (stated[0] - full(theta)[2]) / stated[1])

    def slopes(theta: Floats) -> Floats:
        J = -(W @ averages(theta)[1])
        if stated is not None:
            J = np.vstack([J, [0.0, 0.0, -1.0 / stated[1]]])
        return np.asarray(J[:, :free])

    starts = [full(s)[:free] for s in _starts(readings, R)]
    if near is not None:
        starts.append(near.values[:free])
    start = min(starts, key=lambda theta: float(np.sum(misfit(theta) ** 2)))
    found = least_squares(misfit, start, slopes, method="lm", xtol=1e-12,
                          ftol=1e-14, gtol=1e-14, max_nfev=_MOST)  # fmt: skip
    values, C = full(found.x), parameter_covariance(slopes(found.x))
    sds = None
    if found.success and C is not None:
        sds = np.append(np.sqrt(np.diag(C)), 0.0)[:3]
    fitted = np.empty(len(readings.share))
    fitted[used] = averages(found.x)[0]
    within = np.setdiff1d(np.arange(len(fitted)), used)
    # a class within its limits takes the misfit that the others make likeliest
    across = readings.covariance[np.ix_(within, used)]
    fitted[within] = readings.share[within] - across @ np.linalg.solve(V, y - fitted[used])
    return _Curve(meets, at_zero, values, sds, fitted, float(2.0 * found.cost))


def _starts(readings: Readings, bypass: float | None) -> list[Floats]:
    """Return first values of ln d50c, ln exponent and bypass."""
    n = len(readings.log_size)
    y, middle = readings.share[:n], np.sum(readings.weight * readings.log_size, axis=1)
    low = float(np.clip(np.min(y), 0.0, 0.9))
    return [np.array([middle[np.argmin(np.abs(y - (1.0 + R) / 2.0))], np.log(a), R])
            for a in _STARTS for R in ((0.0, low) if bypass is None else (bypass,))]  # fmt: skip


def _possible(law: PartitionLaw, readings: Readings, found: _Curve) -> bool:
    """Return whether a curve breaks none of the bounds that are no equations."""
    limits, _ = _ends(law, readings, found.values)
    eta = found.fitted[len(readings.log_size) :]
    inside = (limits[:, 0] - _ROUNDING <= eta) & (eta <= limits[:, 1] + _ROUNDING)
    free = np.array([m is Meets.WITHIN for m in found.meets], bool)
    return bool(np.all(inside | ~free) and -_ROUNDING <= found.values[2] < 1.0)


def _whitened(covariance: Floats) -> Floats:
    """Return `whitening` of a covariance that is regular: who makes the readings sees to it."""
    W = whitening(covariance)
    if W is None:
        raise ValueError("the covariance of the shares is singular")
    return W


def _region(law: PartitionLaw, readings: Readings, best: _Curve) -> BoundedRange:
    """Return how well ln d50c, ln exponent, the bypass and the open shares are known."""
    n, m, p = len(readings.log_size), len(readings.ends), unknowns(readings)
    W = _whitened(readings.covariance)
    J, limits = np.zeros((n + m, p + m)), _ends(law, readings, best.values)
    J[:n, :p] = _averages(law, readings.log_size, readings.weight, best.values)[1][:, :p]
    J[n:, p:] = np.eye(m)
    J, r = W @ J, W @ (readings.share - best.fitted)
    if readings.stated is not None:
        bypass, sd = readings.stated
        J = np.vstack([J, np.eye(p + m)[2] / sd])
        r = np.append(r, (bypass - best.values[2]) / sd)
    y, slopes = limits
    eta = best.fitted[n:]
    low = np.hstack([-slopes[:, 0, :p], np.eye(m)])
    high = np.hstack([slopes[:, 1, :p], -np.eye(m)])
    rows, slack = np.vstack([low, high]), np.concatenate([eta - y[:, 0], y[:, 1] - eta])
    if p == 3:
        rows, slack = np.vstack([rows, np.eye(p + m)[2]]), np.append(slack, best.values[2])
    return bounded_range(J, r, rows=rows, slack=np.maximum(slack, 0.0))
