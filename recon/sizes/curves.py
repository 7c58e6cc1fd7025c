"""Curves over size classes: inputs checked, the size where a curve meets a level, its error.

C - 1 openings bound C classes, coarsest first: the first class has no upper bound, the last, the
pan, no lower one. Sizes are in um, values of curves are fractions, 1 is 100 %.

References
----------
JCGM 100:2008 (GUM), eq. 13: first-order propagation with covariances. Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from oretally.flowsheet.arrays import Floats

__all__ = [
    "Crossing",
    "chance_of_more",
    "checked_covariance",
    "checked_level",
    "checked_masses",
    "checked_openings",
    "crossing",
    "misfit_in_words",
    "parameter_covariance",
    "spread_of",
    "whitening",
]


_ROUNDING = 1e-9  # of the largest covariance: asymmetry and negative variance by rounding alone
_SAME = 1e-12  # values closer to a level than this are at it
_UNFIXED = 1e-8  # least singular value of slopes, over the largest, that fixes a parameter
_ALPHA = 0.05  # chance below which a fit is doubted
_SINGULAR = 1e-12  # least eigenvalue of a correlation matrix that can be weighed


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where a curve of straight lines meets a level: ln of the size and its slopes by the values.

    ``log_size`` is None with a ``reason``; ``gradient`` (n,) then holds zeros.
    """

    log_size: float | None
    gradient: Floats
    reason: str = ""


def crossing(
    log_size: Floats, value: Floats, level: float, *, log_value: Floats | None = None
) -> Crossing:
    """Return where straight lines through (log size, value) meet a level, with the slopes.

    Parameters
    ----------
    log_size, value : ndarray, shape (n,)
        ln of sizes in um, descending; the curve's values there, 1 is 100 %.
    level : float
    log_value : ndarray, shape (n,), optional
        ln of ``value``, to draw the lines in it.

    Notes
    -----
    On a line from (u1, v1) to (u2, v2): u = u1 + (u2 - u1) t, t = (level - v1) / (v2 - v1), so
    du/dv1 = -(1 - t) (u2 - u1) / (v2 - v1) and du/dv2 = -t (u2 - u1) / (v2 - v1).
    """
    none, last, met = np.zeros(len(value)), len(value) - 1, []
    side = np.where(np.abs(value - level) <= _SAME, 0.0, np.sign(value - level))
    if not (side.size and side.min() <= 0.0 <= side.max()):
        return Crossing(None, none, _not_reached(log_size, value, level))
    y, goal = (value, level) if log_value is None else (log_value, float(np.log(level)))
    for i in range(len(value)):
        beside = [j for j in (i - 1, i + 1) if 0 <= j <= last]
        if side[i] == 0.0:
            if not beside or any(side[j] == 0.0 for j in beside):
                return Crossing(None, none, _flat(log_size, side, level))
            slopes = [(log_size[i] - log_size[j]) / (y[i] - y[j]) for j in beside]
            corner = none.copy()
            corner[i] = -np.mean(slopes)
            touched = len(beside) == 2 and side[i - 1] == side[i + 1]
            met += [(float(log_size[i]), corner)] * (2 if touched else 1)
        elif i < last and side[i] * side[i + 1] < 0.0:
            run, rise = log_size[i + 1] - log_size[i], y[i + 1] - y[i]
            t = (goal - y[i]) / rise
            line = none.copy()
            line[i], line[i + 1] = -(1.0 - t) * run / rise, -t * run / rise
            met.append((float(log_size[i] + run * t), line))
    if len(met) > 1:
        return Crossing(None, none, _several([u for u, _ in met], level))
    u, gradient = met[0]
    return Crossing(u, gradient if log_value is None else gradient / value)


def chance_of_more(chi_square: float, dof: int) -> float | None:
    """Return the chance of a larger chi-square; None without degrees of freedom."""
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi_square)) if dof > 0 else None


def misfit_in_words(chi_square: float | None, dof: int, p: float | None) -> str:
    """Return what to say of a fit whose chi-square is above chance at 5 %; empty if it is not."""
    if p is None or p >= _ALPHA:
        return ""
    return (f"the curve misses the points by more than their errors explain (chi-square "
            f"{chi_square:.4g} on {dof} degrees of freedom, p = {p:.2g}). Do not trust its sizes "
            "and their sd.")  # fmt: skip


def spread_of(gradient: Floats, covariance: Floats | None) -> float | None:
    """Return the sd of a value from its slopes: root of g V g (GUM, eq. 13); None without V.

    g has shape (n,), V shape (n, n).
    """
    if covariance is None:
        return None
    variance = float(gradient @ covariance @ gradient)
    return float(np.sqrt(max(variance, 0.0)))


def whitening(covariance: Floats) -> Floats | None:
    """Return W with W V W' = 1, V the covariance, shape (n, n); None where V is singular."""
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if not np.all(sd > 0.0):
        return None
    least, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    return None if least[0] < _SINGULAR else (vectors / np.sqrt(least)).T / sd


def parameter_covariance(slopes: Floats) -> Floats | None:
    """Return (J'J)^-1, shape (n, n), of whitened slopes J, shape (m, n).

    None where they do not fix all parameters.
    """
    size = np.linalg.norm(slopes, axis=0)
    if not np.all(size > 0.0):
        return None
    _, s, rows = np.linalg.svd(slopes / size, full_matrices=False)
    if s[-1] < _UNFIXED * s[0]:
        return None
    half = rows.T / s / size[:, None]
    return np.asarray(half @ half.T)


def checked_openings(opening_um: ArrayLike) -> Floats:
    """Return openings in um; a ValueError refuses what does not descend from above to above 0."""
    opening = np.asarray(opening_um, float)
    if opening.ndim != 1 or not len(opening):
        raise ValueError("the openings must be one row of at least 1 number, in um.")
    if not (np.all(np.isfinite(opening)) and np.all(opening > 0.0)):
        raise ValueError("every opening must be a finite number above 0, in um.")
    wrong = np.flatnonzero(np.diff(opening) >= 0.0)
    if len(wrong):
        i = int(wrong[0])
        raise ValueError(f"the openings must descend, coarsest first: {opening[i + 1]:g} um stands "
                         f"behind {opening[i]:g} um. Turn the order of the classes.")  # fmt: skip
    return opening


def checked_masses(name: str, mass: ArrayLike, classes: int) -> Floats:
    """Return masses of classes; a ValueError refuses a wrong number of them, or one below 0."""
    masses = np.asarray(mass, float)
    if masses.shape != (classes,):
        raise ValueError(f"{classes - 1} openings bound {classes} size classes, pan included: the "
                         f"{name} has the shape {masses.shape}. Give one number for each "
                         "class.")  # fmt: skip
    wrong = np.flatnonzero(~(np.isfinite(masses) & (masses >= 0.0)))
    if len(wrong):
        i = int(wrong[0])
        raise ValueError(f"the {name} of class {i + 1} is {masses[i]:g}: it must be a finite "
                         "number not below 0.")  # fmt: skip
    return masses


def checked_covariance(covariance: ArrayLike, n: int) -> Floats:
    """Return a covariance; a ValueError refuses a wrong shape, asymmetry and negative variances."""
    V = np.asarray(covariance, float)
    if V.shape != (n, n):
        raise ValueError(f"the covariance must have the shape {(n, n)}, not {V.shape}.")
    if not np.all(np.isfinite(V)):
        raise ValueError("every number of the covariance must be finite.")
    size = float(np.max(np.abs(V)))
    if np.any(np.abs(V - V.T) > _ROUNDING * size):
        raise ValueError("the covariance is not symmetric.")
    if np.linalg.eigvalsh((V + V.T) / 2.0)[0] < -_ROUNDING * size:
        raise ValueError("the covariance has a negative variance in some direction.")
    return np.asarray((V + V.T) / 2.0)


def checked_level(percent: float) -> float:
    """Return a percentage as a fraction; a ValueError refuses what is not within 0 to 100."""
    if not 0.0 < percent < 100.0:
        raise ValueError(f"the percentage is {percent:g}: it must lie between 0 and 100.")
    return percent / 100.0


def _not_reached(log_size: Floats, value: Floats, level: float) -> str:
    if not len(value):
        return "no size has a value of the curve."
    low, high = 100.0 * value.min(), 100.0 * value.max()
    size = np.exp(log_size)
    return (f"{100.0 * level:g} % is not reached: the curve runs from {low:.4g} to {high:.4g} %, "
            f"at {size[-1]:.4g} to {size[0]:.4g} um.")  # fmt: skip


def _flat(log_size: Floats, side: Floats, level: float) -> str:
    at = np.exp(log_size[side == 0.0])
    if len(side) == 1:
        return f"{100.0 * level:g} % lies at the only size, {at[0]:.4g} um: no line runs there."
    return (f"the curve stays at {100.0 * level:g} % from {at[-1]:.4g} to {at[0]:.4g} um: no one "
            "size can be named.")  # fmt: skip


def _several(log_sizes: list[float], level: float) -> str:
    places = ", ".join(f"{np.exp(u):.4g}" for u in log_sizes)
    return (f"the curve meets {100.0 * level:g} % several times, at {places} um: no one size can "
            "be named.")  # fmt: skip
