"""Look for the best of several minima: many first flows, side by side, kept off their bounds.

Where data are bad or few, the objective has several minima, and a flow that meets its bound early
seldom leaves it. A barrier mu sum (r - log r), with r = (F - lower) / (first F - lower), keeps all
flows moving while mu goes to 0, for all first flows at once; it pulls neither to 0 nor to infinity.
What comes out are first flows near the minima, best first.

References
----------
J. Nocedal and S.J. Wright, Numerical Optimization, 2nd ed. (2006), section 19.6 (barrier methods).
The first flows are scattered about the measured ones and brought into balance by the least
relative entropy, which keeps them positive: S. Kullback, Information Theory and Statistics (1959).
"""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import Rows
from oretally.flowsheet.arrays import Floats
from oretally.recon.batch.curvature import GradeSlopes
from oretally.recon.batch.lane_grades import GradeData
from oretally.recon.batch.newton import Engine, starting_lanes

__all__ = ["balanced_positive", "first_guesses", "scattered", "searched_flows"]


_FAR_OUT = 300.0  # times the size of a flow
_LEAST = 1e-3  # a guess of a flow, as a share of its size, that is not nothing
_SEED = 20_017  # of the scatter of first flows: a fixed one keeps results the same
_SPREAD = (0.3, 1.0)  # sd of the logarithm of first flows, by turns
_BARRIER = (1.0, 1e-9)  # mu at first and at last, in units of the objective
_FALL = 0.15  # of mu, once a step gains less than mu
_LINGER = 6  # steps with the same mu, at most
_ITERATIONS = 90
_INSIDE = 0.99  # share of the way to a bound that a step may go
_DESCENT = 1e-4  # share of the predicted gain that a step must bring (Armijo)
_HALVINGS = 8
_FAR = 1e9  # flows beyond this many times the largest measured one grow without limit


def balanced_positive(A: Rows, b: Floats, guess: Floats) -> Floats:
    """Return flows in balance that differ least from a positive guess, in relative entropy.

    Parameters
    ----------
    A : csr_array, shape (n_rows, n_carriers)
    b : ndarray, shape (n_rows,)
    guess : ndarray, shape (n_carriers, n_surveys)

    Returns
    -------
    ndarray, shape (n_carriers, n_surveys)
        F = guess * exp(A'y), all positive; A F = b as nearly as the iteration came.
    """
    dense = A.toarray()
    y = np.zeros((dense.shape[0], guess.shape[1]))
    F = guess.copy()
    for _ in range(60):
        residual = dense @ F - b[:, None]
        size = np.abs(dense) @ F
        if (np.abs(residual) <= 1e-12 * size).all():
            break
        # F e^(A'dy): Newton's step on the dual, its change of any logarithm at most 2
        H = np.einsum("ic,cs,jc->sij", dense, F, dense)
        diagonal = np.einsum("sii->si", H)
        diagonal += 1e-12 * diagonal + 1e-300
        step = -np.linalg.solve(H, residual.T[:, :, None])[:, :, 0].T
        change = dense.T @ step
        length = np.minimum(1.0, 2.0 / np.maximum(np.abs(change).max(axis=0), 1e-300))
        y += length * step
        F = guess * np.exp(np.clip(dense.T @ y, -60.0, 60.0))
    return np.asarray(F)


def searched_flows(
    engine: Engine, data: GradeData, measured: Floats, *, guesses: Floats
) -> tuple[Floats, Floats]:
    """Return flows near the minima that several guesses lead to, best first.

    Parameters
    ----------
    engine : Engine
        Lanes of the circuit.
    data : GradeData
        Of one survey.
    measured : ndarray, shape (n_carriers,)
        0 where a flow was not measured.
    guesses : ndarray, shape (n_carriers, n_starts)
        Positive, not in balance; counted from the lower bounds of the flows.

    Returns
    -------
    flow : ndarray, shape (n_carriers, n_starts)
        Without the guesses that failed.
    value : ndarray, shape (n_starts,)
        Half the objective there.
    """
    flows, basis = engine.flows, engine.flows.basis
    lower = flows.lower[:, None]
    with np.errstate(all="ignore"):  # a start that fails is left behind
        start = lower + balanced_positive(basis.A, basis.b - basis.A @ flows.lower, guesses)
        start = basis.offset[:, None] + basis.Z @ start[basis.free]
        start = start[:, (start > lower).all(axis=0)]
        if not start.size:
            return start, np.zeros(0)
        F, value = _descend(engine, data, measured[:, None], start)
    good = np.isfinite(value) & np.isfinite(F).all(axis=0)
    order = np.argsort(np.where(good, value, np.inf), kind="stable")[: int(good.sum())]
    return F[:, order], value[order]


def first_guesses(engine: Engine, data: GradeData, measured: Floats) -> Floats:
    """Return positive flows, shape (n_carriers, 3): from measured grades, measured, far out.

    Parameters
    ----------
    measured : ndarray, shape (n_carriers,)
        0 where a flow was not measured.
    """
    seen = engine.flows.seen
    sizes = measured[seen & (measured > 0.0)]
    typical = float(np.median(sizes)) if sizes.size else 1.0
    plain = np.where(seen, np.maximum(measured, _LEAST * typical), typical)
    with np.errstate(all="ignore"):
        equations = starting_lanes(engine, data, measured[:, None])[:, 0]
    if not np.isfinite(equations).all():
        return plain[:, None]
    from_grades = np.maximum(equations - engine.flows.lower, _LEAST * plain)
    # a recycle may grow without limit: one guess is far out along what was not measured
    far = np.where(seen, plain, _FAR_OUT * plain)
    return np.array([from_grades, plain, far]).T


def scattered(guesses: Floats, n_starts: int) -> Floats:
    """Return so many guesses: first those given, then others about them by turns.

    Parameters
    ----------
    guesses : ndarray, shape (n_carriers, n_given)
    n_starts : int
    """
    rng = np.random.default_rng(_SEED)
    n, given = guesses.shape
    found = [guesses[:, i] for i in range(min(given, n_starts))]
    for i in range(given, n_starts):
        noise = _SPREAD[(i // given) % 2] * rng.standard_normal(n)
        found.append(guesses[:, i % given] * np.exp(noise))
    return np.array(found).T


def _descend(engine: Engine, data: GradeData, measured: Floats, F: Floats) -> tuple[Floats, Floats]:
    lanes, curvature, flows = engine.lanes, engine.curvature, engine.flows
    W, Z, lower = flows.weight[:, None], flows.Z, flows.lower[:, None]
    n = F.shape[1]

    def cost(F: Floats) -> Floats:
        return 0.5 * (flows.weight @ (F - measured) ** 2)

    around = F - lower

    def barrier(F: Floats) -> Floats:
        ratio = (F - lower) / around
        return np.asarray((ratio - np.log(ratio)).sum(axis=0))

    point = lanes.evaluate(data, F, passes=3)
    value = point.value + cost(F)
    mu = np.full(n, _BARRIER[0])
    finished, spent = np.zeros(n, dtype=bool), np.zeros(n, dtype=int)
    for _ in range(_ITERATIONS):
        gap = F - lower
        slope = Z.T @ (W * (F - measured) + lanes.gradient(point) + mu * (1.0 / around - 1.0 / gap))
        bend = mu / gap**2
        model = curvature.model(GradeSlopes.at(lanes, point, barrier=bend))
        step = -(model.solve(slope))
        if not model.definite.all():
            semidefinite = curvature.model(GradeSlopes.at(lanes, point, exact=False, barrier=bend))
            step = np.where(model.definite, step, -semidefinite.solve(slope))
        gain = -0.5 * (slope * step).sum(axis=0)
        change = Z @ step
        longest = np.where(change < 0.0, -gap / np.where(change < 0.0, change, -1.0), np.inf)
        length = np.minimum(1.0, _INSIDE * longest.min(axis=0))
        merit = value + mu * barrier(F)
        moving = ~finished & np.isfinite(length) & np.isfinite(gain)
        moving &= np.abs(F).max(axis=0) < _FAR
        for _ in range(_HALVINGS):
            trial = np.where(moving, F + length * change, F)
            ahead = lanes.evaluate(data, trial, point, passes=1)
            reached = ahead.value + cost(trial)
            short = moving & ~(
                reached + mu * barrier(trial)
                <= merit - _DESCENT * length * 2.0 * gain + 1e-12 * (1.0 + np.abs(merit))
            )
            if not short.any():
                break
            length = np.where(short, 0.25 * length, length)
        if short.any():
            trial = np.where(short, F, trial)
            ahead = lanes.evaluate(data, trial, point, passes=1)
            reached = ahead.value + cost(trial)
        F, point, value = trial, ahead, reached
        near = ~moving | short | (gain <= np.maximum(mu, _BARRIER[1]))
        spent += 1
        near |= spent >= _LINGER
        spent[near] = 0
        finished |= near & (mu <= _BARRIER[1])
        if finished.all():
            break
        mu = np.where(near, np.maximum(_FALL * mu, _BARRIER[1]), mu)
    return F, value
