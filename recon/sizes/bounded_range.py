"""How far an answer of a least-squares fit may be off where its unknowns have bounds.

Without bounds an answer g'x has the sd root of g C g, and chi-square rises by 1 at one sd to each
side of the best value. Bounds cut the region where it rises by 1 or less; the range of an answer is
what is left, and need not reach as far up as down.

References
----------
The profile likelihood: W.Q. Meeker and L.A. Escobar, Teaching about approximate confidence regions
based on maximum likelihood estimation, The American Statistician 49 (1995) 48-53. Bounds: M.J.
Silvapulle and P.K. Sen, Constrained Statistical Inference (2005). Cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from oretally.flowsheet.arrays import Floats

__all__ = ["BoundedRange", "bounded_range"]


_OFF = 1e-7  # sd by which a point may lie beyond a bound by rounding alone
_FLAT = 1e-12  # share of an answer's slope that is rounding
_UNFIXED = 1e-6  # least singular value of slopes over the largest: what only bounds fix, or hardly


@dataclass(frozen=True, eq=False)
class BoundedRange:
    """The region where chi-square is at most 1 above its least within the bounds, linearised.

    In coordinates z about the least chi-square without bounds, dx = root (z + shift), it is the
    ball |z|^2 <= 1 + |shift|^2, cut by the planes N z >= -offset.

    Attributes
    ----------
    root : ndarray, shape (n, n)
        root root' is the covariance of the unknowns x without bounds.
    shift : ndarray, shape (n,)
        0 where the best values are those without bounds.
    normal, offset : ndarray, shape (K, n), (K,)
        Of planes; the rows of ``normal`` have the length 1.
    """

    root: Floats
    shift: Floats
    normal: Floats
    offset: Floats

    def reach(self, gradient: Floats) -> tuple[float, float]:
        """Return how far below and above its best value an answer g'x may lie.

        Parameters
        ----------
        gradient : ndarray, shape (n,)
            Slopes of the answer by the unknowns at their best values, g.

        Notes
        -----
        The extreme of a linear function over a ball cut by planes lies on some set S of the planes:
        at z_S +- P r (1 + |shift|^2 - |z_S|^2)^(1/2) / |P r| with r = root'g, z_S the point of all
        planes of S that is nearest to 0, and P the projection along them. Of all such points those
        count that lie within the other planes; the farthest of them is the extreme.
        """
        r = self.root.T @ gradient
        best = float(r @ self.shift)
        limit = 1.0 + float(self.shift @ self.shift)
        near = np.flatnonzero(self.offset < np.sqrt(limit)).tolist()
        found = [0.0]
        for S in (list(s) for size in range(len(near) + 1) for s in combinations(near, size)):
            N = self.normal[S]
            inverse = np.linalg.pinv(N)
            z, way = -inverse @ self.offset[S], r - inverse @ (N @ r)
            left, length = limit - float(z @ z), float(np.linalg.norm(way))
            if left < 0.0:
                continue
            # along the planes of S the answer may be one and the same, but for rounding
            way *= np.sqrt(left) / length if length > _FLAT * float(np.linalg.norm(r)) else 0.0
            ends = [p for p in (z - way, z + way) if np.all(self.normal @ p + self.offset >= -_OFF)]
            found += [best + float(r @ p) for p in ends]
            if not S and len(ends) == 2:
                break  # no bound cuts the region along this answer
        return -min(found), max(found)

    def spread(self, gradient: Floats) -> float:
        """Return half the range of an answer g'x: its sd where no bound cuts the region.

        g has shape (n,).
        """
        return sum(self.reach(gradient)) / 2.0


def bounded_range(slopes: Floats, residual: Floats, *, rows: Floats, slack: Floats) -> BoundedRange:
    """Return the region about the best values of a fit that minimises |residual - slopes dx|^2.

    Parameters
    ----------
    slopes, residual : ndarray, shape (m, n), (m,)
        Whitened, at the best values.
    rows, slack : ndarray, shape (K, n), (K,)
        Bounds: slack + rows dx >= 0 for steps dx from the best values.
    """
    scale = np.linalg.norm(slopes, axis=0)
    U, s, rotation = np.linalg.svd(slopes / scale, full_matrices=False)
    root = rotation.T / np.maximum(s, _UNFIXED * s[0]) / scale[:, None]
    shift = U.T @ residual
    normal, offset = rows @ root, slack + rows @ root @ shift
    size = np.linalg.norm(normal, axis=1)
    kept = size > 0.0
    return BoundedRange(root, shift, normal[kept] / size[kept, None], offset[kept] / size[kept])
