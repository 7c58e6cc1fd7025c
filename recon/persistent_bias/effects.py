"""Errors that stay, fitted together to the evidence of all surveys; the next one to believe.

An effect is a candidate j with a profile a_s over the surveys: 1 from survey t on, or the share of
time that has passed, for a drift. With A the effects believed so far::

    J_AA = sum_s a_s a_s' * J_s[A, A]      b_A = J_AA^-1 sum_s a_s * g_s[A]
    another one (j, a): u = sum_s a_s (g_s - J_s[:, A] (a_s * b_A))_j
    I = sum_s a_s^2 J_sjj - c'J_AA^-1 c, c_A = sum_s a_s a_sA J_s[j, A]
    its size u / I, what it gains u^2 / I: chi-square with one degree of freedom without it

Which error it is says the gain, as by the stated errors. Whether it is there at all says the
scatter that the candidate itself shows from survey to survey, since stated errors may be wishful:
with S_j what its standardised adjustments in the n_j surveys that see it leave in squares, fitted
by least squares to the effects believed and to its own,

    f_j = S_j / (n_j - rank)        Student's t of the size: its variance is f_j / I

Without other effects S_j is the sum of the squares less u^2 / I. The rank counts every effect that
moves these adjustments, so that each asks for one more survey.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 7
(generalised likelihood ratio, several errors one after the other). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.propagation import SEEN
from oretally.recon.trends import ChangeKind

__all__ = [
    "LEAST_SURVEYS", "Effect", "Fit", "Gains", "fit_of", "gains_of", "log_student", "profile_of",
]  # fmt: skip

LEAST_SURVEYS = 3
"""Surveys with an error, and without it, that make it one that stays."""
_NONE = 1e-12  # of the squares: scatter that is rounding


@dataclass(frozen=True, slots=True)
class Effect:
    """A candidate by its number, and since when: ``since`` is 0 for a drift."""

    candidate: int
    change: ChangeKind
    since: int


@dataclass(frozen=True, eq=False)
class Fit:
    """Effects fitted together.

    Attributes
    ----------
    effects : tuple of Effect
    profiles : ndarray, shape (n_effects, n_surveys)
    b : ndarray, shape (n_effects,)
    inverse : ndarray, shape (n_effects, n_effects)
        J_AA^-1.
    g : ndarray, shape (n_surveys, k)
        What is left of the evidence.
    """

    effects: tuple[Effect, ...]
    profiles: Floats
    b: Floats
    inverse: Floats
    g: Floats


@dataclass(frozen=True, eq=False)
class Gains:
    """What each candidate would gain.

    Attributes
    ----------
    step, drift : ndarray, shape (n_surveys, k) and (k,)
        u^2 / I by first survey, and of a drift; 0 where nothing is seen.
    step_size, drift_size : ndarray, shapes alike
        u / I.
    step_information, drift_information : ndarray, shapes alike
        I.
    step_left, drift_left : ndarray, shapes alike
        S_j.
    n : ndarray, shape (k,)
        Surveys that see it.
    dof : ndarray, shape (k,)
        Degrees of freedom of the scatter, at least 1.
    """

    step: Floats
    drift: Floats
    step_size: Floats
    drift_size: Floats
    step_information: Floats
    drift_information: Floats
    step_left: Floats
    drift_left: Floats
    n: Floats
    dof: Floats

    @property
    def best(self) -> Floats:
        """The larger gain of each candidate, shape (k,)."""
        return np.asarray(np.maximum(self.step.max(axis=0), self.drift))

    @property
    def left(self) -> Floats:
        """S_j beside the larger gain of each candidate, shape (k,)."""
        t, k = self.step.argmax(axis=0), np.arange(self.drift.size)
        drifts = self.drift > self.step[t, k]
        return np.where(drifts, self.drift_left, self.step_left[t, k])

    @property
    def scatter(self) -> Floats:
        """f_j beside the larger gain of each candidate, shape (k,)."""
        return np.asarray(self.left / self.dof)

    def log_chance(self) -> Floats:
        """Return the logarithm of the chance of each best gain by Student's t, shape (k,)."""
        return log_student(self.best, self.left, self.dof)

    def effect(self, j: int) -> Effect:
        """Return how candidate j gains most."""
        if self.drift[j] > self.step[:, j].max():
            return Effect(j, ChangeKind.DRIFT, 0)
        return Effect(j, ChangeKind.LEVEL, int(np.argmax(self.step[:, j])))


def log_student(gain: Floats, left: Floats, dof: Floats) -> Floats:
    """Return the logarithm of the chance, on one side, of a gain against the scatter left by it."""
    left = np.maximum(left, np.maximum(_NONE * gain, 1e-300))
    t = np.sqrt(gain * dof / left)
    return np.asarray(np.log(np.maximum(stdtr(dof, -t), 1e-300)))


def profile_of(effect: Effect, time: Floats) -> Floats:
    """Return a_s of an effect, shape (n_surveys,)."""
    if effect.change is ChangeKind.DRIFT:
        return np.asarray((time - time[0]) / (time[-1] - time[0]))
    return np.asarray(np.arange(time.size) >= effect.since, dtype=float)


def fit_of(J: Floats, g: Floats, effects: Sequence[Effect], time: Floats) -> Fit:
    """Fit effects together; ``J`` and ``g`` as of `StackedEvidence`."""
    A = [e.candidate for e in effects]
    a = np.array([profile_of(e, time) for e in effects]).reshape(len(A), len(g))
    if not A:
        return Fit((), a, np.zeros(0), np.zeros((0, 0)), g)
    of = J[:, :, A]
    JAA = np.einsum("is,js,sij->ij", a, a, of[:, A])
    inverse = np.linalg.pinv(JAA, rcond=1e-10, hermitian=True)
    b = inverse @ np.einsum("is,si->i", a, g[:, A])
    return Fit(tuple(effects), a, b, inverse, g - np.einsum("ski,is->sk", of, a * b[:, None]))


def gains_of(J: Floats, fit: Fit, own: Floats, sees: Bools, time: Floats) -> Gains:
    """Return what each further effect would gain beside those fitted.

    ``own`` and ``sees`` as of `StackedEvidence`.
    """
    n, k = fit.g.shape
    A = [e.candidate for e in fit.effects]
    ramp = (time - time[0]) / max(time[-1] - time[0], 1e-300)
    crossed = np.einsum("is,ski->sik", fit.profiles, J[:, :, A])  # a_sA J_s[A, j]

    def backwards(x: Floats) -> Floats:
        return np.asarray(np.cumsum(x[::-1], axis=0)[::-1])

    u, c = backwards(fit.g), backwards(crossed)
    information = backwards(own) - np.einsum("sik,ij,sjk->sk", c, fit.inverse, c)
    u_drift = ramp @ fit.g
    c_drift = np.einsum("s,sik->ik", ramp, crossed)
    of_drift = ramp**2 @ own - np.einsum("ik,ij,jk->k", c_drift, fit.inverse, c_drift)
    # what the effects before it explain to the last part is no effect of its own
    whole = own.sum(axis=0)
    floor = np.maximum(1e-6 * whole, SEEN)
    counted = backwards(sees.astype(float))
    scatter = _Scatter(J, fit, own, sees)
    enough = counted >= LEAST_SURVEYS
    enough[1:] &= (counted[0] - counted[1:]) >= LEAST_SURVEYS
    judged = counted[0] - scatter.rank >= LEAST_SURVEYS
    possible = enough & (information > floor) & sees & judged
    possible[0] = judged & (information[0] > floor)
    step_size = np.where(possible, u / np.where(possible, information, 1.0), 0.0)
    can_drift = judged & (counted[0] >= 2 * LEAST_SURVEYS) & (of_drift > floor)
    drift_size = np.where(can_drift, u_drift / np.where(can_drift, of_drift, 1.0), 0.0)
    return Gains(
        step_size * u, drift_size * u_drift, step_size, drift_size, information, of_drift,
        scatter.left_by_steps(), scatter.left_by(ramp), counted[0],
        np.maximum(counted[0] - scatter.rank - 1.0, 1.0),
    )  # fmt: skip


class _Scatter:
    """The standardised adjustments of each candidate, freed of the effects believed.

    ``rank`` is how many of the effects move them, shape (k,).
    """

    def __init__(self, J: Floats, fit: Fit, own: Floats, sees: Bools) -> None:
        self.root = np.sqrt(np.where(sees, own, 0.0))  # what one unit adds, (n, k)
        below = np.where(sees, self.root, np.inf)
        A = [e.candidate for e in fit.effects]
        X = np.einsum("is,ski->ksi", fit.profiles, J[:, :, A]) / below.T[:, :, None]
        values, vectors = np.linalg.eigh(X.swapaxes(1, 2) @ X)
        kept = values > 1e-10 * np.maximum(values.max(axis=1, initial=0.0, keepdims=True), SEEN)
        self.Q = (X @ vectors) * np.where(kept, np.where(kept, values, 1.0) ** -0.5, 0.0)[:, None]
        self.rank = kept.sum(axis=1)
        y = fit.g / below
        self.y = y - np.einsum("ksi,kri,rk->sk", self.Q, self.Q, y, optimize=True)
        self.squares = (self.y**2).sum(axis=0)

    def left_by(self, profile: Floats) -> Floats:
        """Return the squares that an effect of each candidate with one profile leaves, (k,)."""
        return self._left(
            profile @ (self.root * self.y), profile**2 @ self.root**2,
            np.einsum("s,sk,ksi->ki", profile, self.root, self.Q),
        )  # fmt: skip

    def left_by_steps(self) -> Floats:
        """Return the same for effects from each survey on, shape (n, k)."""

        def backwards(x: Floats) -> Floats:
            return np.asarray(np.cumsum(x[::-1], axis=0)[::-1])

        explained = backwards(np.einsum("sk,ksi->ski", self.root, self.Q))
        return self._left(backwards(self.root * self.y), backwards(self.root**2), explained)

    def _left(self, along: Floats, size: Floats, explained: Floats) -> Floats:
        own = size - (explained**2).sum(axis=-1)
        moved = own > 1e-6 * np.maximum(size, SEEN)
        gain = np.where(moved, along**2 / np.where(moved, own, 1.0), 0.0)
        return np.asarray(np.maximum(self.squares - gain, _NONE * self.squares))
