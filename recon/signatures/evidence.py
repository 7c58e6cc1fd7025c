"""How well errors explain a survey: what balancing without them leaves, and how likely they are.

For readings in error together, S_0 and S being the objectives with and without them, b the errors
found (a reading minus what the others say) and C their covariance, both in stated errors, and for
each error a way in which it comes about (a normal size, or a slip of known size m), the logarithm
of the odds against 'nothing is wrong' is::

    (S_0 - S)/2 + 1/2 log det C' - 1/2 log det M - 1/2 (b - m)'M^-1 (b - m) + sum log (p/f)
    C' = C + diag(f^2 - 1)    M = C + diag(v)

v being the variance that the way adds to the stated one, p its chance times the derivative of what
was meant with respect to the reading, and f how many times the reading what was meant is, if its
error is in proportion, else 1. A free size has m = 0, v = w^2 and the density
b^2 exp(-b^2/(2w^2)) of `oretally.recon.gross_errors.explanations`; a slip has the size that takes
the reading to what was meant, and v = (sd meant / sd stated)^2 - 1. The ways of one error are added
up, those of the others as they fit best: exact for one error.

Where other surveys of a campaign have the same number, what they say of what was read and of what
was meant is added (`oretally.recon.other_surveys`).

Before looking any scale is as likely: a survey with a number ten times as large is as likely as
with a tenth of it. So a slip that multiplies a number counts by its chance and by the objective
that is left with it undone, whatever the others know of the number: with C' = M all else cancels.

References
----------
A.C. Tamhane, C. Iordache and R.S.H. Mah, A Bayesian approach to gross error detection in chemical
process data, Chemometrics and Intelligent Laboratory Systems 4 (1988) 33-45. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.other_surveys import log_usual
from oretally.recon.propagation import SEEN

__all__ = [
    "ROUNDING",
    "Ways",
    "covariance_known",
    "joined_ways",
    "scale_variance",
    "single_log_evidence",
    "single_variance_known",
    "size_factor",
]


ROUNDING = 1e-15
"""Of a variance: what rounding leaves of it."""

_LEAST = 1e-300
_FIELDS = ("mean", "added", "width", "log_prior", "side", "slip", "scale", "usual")  # of `Ways`


@dataclass(frozen=True, eq=False)
class Ways:
    """Ways in which one error can come about, in stated errors; or those of several errors.

    Attributes
    ----------
    mean, added : ndarray, shape (n_ways,)
        Size that is expected, and variance beyond that of a sound reading (above -1).
    width : ndarray, shape (n_ways,)
        w of a free size; 0 for a slip.
    log_prior : ndarray, shape (n_ways,)
        Logarithm of the odds before looking.
    side : ndarray, shape (n_ways,)
        1 or -1 if the size can only have that sign, else 0.
    slip : ndarray of int, shape (n_ways,)
        Index of the slip; -1 for a free size.
    scale : ndarray, shape (n_ways,)
        log f, f being how many times the reading what was meant is if its error is in proportion.
    usual : ndarray, shape (n_ways, 4)
        What other surveys say of the reading, the same in all its ways: see
        `oretally.recon.other_surveys.log_usual`, its first arguments; 0 where they say nothing.
    """

    mean: Floats
    added: Floats
    width: Floats
    log_prior: Floats
    side: Floats
    slip: Ints
    scale: Floats
    usual: Floats

    @classmethod
    def free(cls, widths: Sequence[float], log_prior: Floats, side: Floats | float = 0.0) -> Ways:
        """Return free sizes, ``log_prior`` of shape (n_ways,)."""
        w = np.array(widths, dtype=float)
        zero = np.zeros(w.size)
        return cls(zero, w**2, w, log_prior, zero + side, np.full(w.size, -1), zero,
                   np.zeros((w.size, 4)))  # fmt: skip

    @classmethod
    def slips(
        cls, mean: Floats, added: Floats, log_prior: Floats, *, slip: Ints, scale: Floats
    ) -> Ways:
        """Return slips, all of shape (n_ways,)."""
        zero = np.zeros(mean.size)
        return cls(mean, added, zero, log_prior, zero, slip, scale, np.zeros((mean.size, 4)))

    def at(self, chosen: Ints | slice) -> Ways:
        """Return some of the ways, in the shape of the numbers that are chosen."""
        return Ways(*(getattr(self, name)[chosen] for name in _FIELDS))

    def log_usual(self, size: Floats | float, variance: Floats | float) -> Floats:
        """Return what the other surveys add to the log odds of each way, in their shape.

        ``size`` and ``variance``, as of `single_log_evidence`: a slip says itself what was meant.
        """
        if not self.usual[..., 3].any():
            return np.zeros(self.mean.shape)
        off, share, spread, dof = np.moveaxis(self.usual, -1, 0)
        slipped = self.slip >= 0
        error = np.where(slipped, self.mean, size)
        v = np.where(slipped, self.added + 1.0, np.asarray(variance) - 1.0)
        sd = share * np.sqrt(np.maximum(v, 0.0))
        return log_usual(off, share, spread, dof, meant=1.0 - share * error, meant_sd=sd)

    def __len__(self) -> int:
        return self.mean.size


def covariance_known(P: Floats, read: Floats, most: Floats) -> Floats:
    """Return the covariance of errors from the inner products of their signatures.

    Parameters
    ----------
    P : ndarray, shape (..., n, n)
        Of any number of sets of errors.
    read : ndarray, shape (..., n)
        1 for readings, 0 for losses.
    most : ndarray, shape (..., n)
        The sd of what the others say where the data tell nothing of it; may be infinite for all.

    Notes
    -----
    P^-1 = D + V, V the covariance of what the others say and D = diag(read), so that V is
    P^-1 (I - P D), which keeps the digits of a small one. With what is known
    beforehand V becomes (V^-1 + diag(most^-2))^-1.
    """
    one = np.eye(P.shape[-1])
    least = SEEN * np.maximum(np.einsum("...ii->...i", P), 1.0)
    V = np.linalg.solve(P + one * least[..., None], one - P * read[..., None, :])
    if np.isfinite(most).all() and V.size:
        V = V - V @ np.linalg.solve(V + one * most[..., None] ** 2, V)
    return np.asarray(0.5 * (V + np.swapaxes(V, -1, -2)) + one * read[..., None])


def single_variance_known(own: Floats, most: Floats) -> Floats:
    """Return the same for readings each by itself, ``own`` being P_ii; all of shape (n,)."""
    V = np.maximum(1.0 - own, 0.0) / np.maximum(own, SEEN)  # digits of a small V are kept
    return np.asarray(V - V**2 / (V + most**2) + 1.0)


def joined_ways(parts: Sequence[Ways]) -> Ways:
    """Return the ways of all parts."""
    return Ways(*(np.concatenate([getattr(p, name) for p in parts]) for name in _FIELDS))


def single_log_evidence(size: Floats | float, variance: Floats | float, ways: Ways) -> Floats:
    """Return the log odds of each way of one error alone, less (S_0 - S)/2.

    ``size`` and ``variance`` are numbers or of a shape that goes with that of the ways.
    """
    # a slip by far more than the stated error: of its own error rounding leaves so much
    M, known = (
        np.maximum(variance + v, ROUNDING * variance)
        for v in (ways.added, scale_variance(ways.scale))
    )
    gap = size - ways.mean
    return np.asarray(
        0.5 * np.log(known / M) - 0.5 * gap**2 / M + ways.log_prior - ways.scale
        + size_factor(ways.width, ways.side, ways.added * gap / M,
                      ways.added * (1.0 - ways.added / M))
        + ways.log_usual(size, variance)
    )  # fmt: skip


def scale_variance(scale: Floats) -> Floats:
    """Return f^2 - 1: what a stated error in proportion adds to the variance."""
    return np.expm1(2.0 * scale)


def size_factor(width: Floats, side: Floats, mean: Floats, variance: Floats) -> Floats:
    """Return log E[b^2]/w^2 of a free size, b normal; of one sign only, if it can have no other.

    0 for a slip, which has no width. ``mean`` and ``variance`` have the shape that is returned.
    """
    free = np.broadcast_to(width > 0.0, variance.shape)
    w2 = np.where(width > 0.0, width, 1.0) ** 2
    v = np.maximum(np.where(free, variance, 1.0), _LEAST)
    m = np.where(free, mean, 0.0)
    v = np.maximum(v, 1e-30 * m**2)  # what rounding leaves
    found = np.log((m**2 + v) / w2)
    sided = np.nonzero(free & (side != 0.0))
    if sided[0].size:
        w2, side = np.broadcast_to(w2, v.shape)[sided], np.broadcast_to(side, v.shape)[sided]
        v = v[sided]
        t = side * m[sided] / np.sqrt(v)
        # E[b^2; b > 0] of a normal b, twice: the density on one side only
        part = (t**2 + 1.0) * ndtr(t) + t * np.exp(-0.5 * t**2) / np.sqrt(2.0 * np.pi)
        # far out on the wrong side the terms cancel; there it falls as the tail does
        far = np.log(2.0) - np.log1p(t**2) + log_ndtr(np.minimum(t, 0.0))
        near = np.log(np.maximum(2.0 * part, _LEAST))
        found[sided] = np.log(v / w2) + np.where(t > -5.0, near, far)
    return np.where(free, found, 0.0)
