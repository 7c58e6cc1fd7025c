"""How likely the best gain is in campaigns without any error that stays: counted on drawn ones.

The checks of a sound survey are independent normal numbers: g_s = R_s z, R_s R_s' = J_s. What is
counted is the least chance of all candidates by Student's t, each over all first surveys
and drifts: it does not depend on the size of the errors, and so holds too where all stated errors
are too small or too large.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.persistent_bias.effects import LEAST_SURVEYS, log_student

__all__ = ["ChanceGains", "chance_gains"]

DRAWS = 999
_FEW = 5
_CHUNK = 4_000_000  # numbers drawn at once
_MOST = 200  # surveys, beyond which neighbours are drawn together


@dataclass(frozen=True, eq=False)
class ChanceGains:
    """The best of all gains in drawn campaigns.

    Attributes
    ----------
    log_t : ndarray, shape (n_draws,)
        Logarithm of the least chance by Student's t.
    n_places : float
        Candidates times first surveys.
    """

    log_t: Floats
    n_places: float

    def p(self, log_chance: float) -> float:
        """Return the chance of a least chance as small in a sound campaign."""
        count = int((self.log_t <= log_chance).sum())
        p = (count + 1) / (self.log_t.size + 1)
        if count < _FEW:  # that of one place, for each of them: no less than the true one
            p = min(p, math.exp(min(0.0, math.log(2.0 * self.n_places) + log_chance)))
        return p

    def limit(self, alpha: float) -> float:
        """Return the logarithm of the chance that a sound campaign has with chance alpha."""
        return float(np.quantile(self.log_t, alpha))


def chance_gains(J: Floats, sees: Bools, time: Floats, *, seed: int) -> ChanceGains:
    """Draw campaigns with the signatures of this one; arguments as of `gains_of`."""
    J, sees, time = _blocks(J, sees, time)
    n, k = sees.shape
    values, vectors = np.linalg.eigh(J)
    rank = int((values > 1e-9 * values[:, -1:]).sum(axis=1).max(initial=1))
    R = vectors[:, :, -rank:] * np.sqrt(np.maximum(values[:, None, -rank:], 0.0))
    own = np.einsum("njj->nj", J)
    whole = own[::-1].cumsum(axis=0)[::-1]
    counted = sees[::-1].cumsum(axis=0)[::-1]
    possible = (counted >= LEAST_SURVEYS) & (counted[0] - counted >= LEAST_SURVEYS) & sees
    possible[0] = counted[0] >= LEAST_SURVEYS
    ramp = (time - time[0]) / max(time[-1] - time[0], 1e-300)
    of_drift = ramp**2 @ own
    below = np.where(possible, whole, np.inf)
    drift_below = np.where((counted[0] >= 2 * LEAST_SURVEYS) & (of_drift > 0.0), of_drift, np.inf)
    own_below = np.where(sees, own, np.inf)
    dof = np.maximum(counted[0] - 1.0, 1.0)
    generator = np.random.default_rng(seed)
    tails, done = list[Floats](), 0
    while done < DRAWS:
        size = min(DRAWS - done, max(1, _CHUNK // max(n * max(k, rank), 1)))
        z = generator.standard_normal((n, rank, size))
        g = R @ z  # (n, k, size)
        squares = (g**2 / own_below[:, :, None]).sum(axis=0)
        u_drift = np.tensordot(ramp, g, 1)
        best = u_drift**2 / drift_below[:, None]
        u = g[::-1].cumsum(axis=0)[::-1]
        best = np.maximum(best, (u**2 / below[:, :, None]).max(axis=0))
        tails.append(log_student(best, squares - best, dof[:, None]).min(axis=0))
        done += size
    places = float(possible.sum() + np.isfinite(drift_below).sum())
    return ChanceGains(np.concatenate(tails), max(places, 1.0))


def _blocks(J: Floats, sees: Bools, time: Floats) -> tuple[Floats, Bools, Floats]:
    """Return neighbours together, so that a long campaign is drawn in a few hundred steps."""
    n = len(J)
    if n <= _MOST:
        return J, sees, time
    edges = np.linspace(0, n, _MOST + 1).astype(int)[:-1]
    return (
        np.add.reduceat(J, edges, axis=0), np.logical_or.reduceat(sees, edges, axis=0),
        time[edges],
    )  # fmt: skip
