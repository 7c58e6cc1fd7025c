"""What a plan leaves open, and all that may be added to it without a change of that.

Let N span what a plan does not see, and p be a direction that matters, such as the gradient of an
answer: it is open as long as its part N'p is not 0. A further measurement with the row t takes
N't out of what is not seen. What leaves a part of some p is added, one after the other; the order
decides which of several such sets is found.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.plan.design import BEYOND, Design

__all__ = ["filled", "least_readings", "open_answers"]


def open_answers(design: Design) -> Floats:
    """Return the gradients of the answers that count, each of length 1, shape (n, n_seen)."""
    wanted = design.wanted[design.weights > 0.0]
    return np.asarray(wanted / np.linalg.norm(wanted, axis=1, keepdims=True))


def least_readings(design: Design) -> int:
    """Return how many measurements beside the given ones it takes at least to know the answers.

    Each closes no more than one direction: as many as the open parts of the answers span.
    """
    unseen = design.decomposed(design.offers.information(design.offers.given)).unseen
    return int(np.linalg.matrix_rank(open_answers(design) @ unseen, tol=BEYOND))


def filled(
    design: Design, readings: Ints, most: Ints, order: Sequence[int], directions: Floats
) -> Ints:
    """Return a plan with the most readings of all that leave one of the directions open.

    Parameters
    ----------
    design : Design
    readings, most : ndarray of int, shape (n,)
    order : sequence of int
        Measurements that are tried.
    directions : ndarray, shape (m, n_seen)
        Unit vectors, of which the plan leaves one open.
    """
    unseen = design.decomposed(design.offers.information(readings)).unseen
    parts = directions @ unseen
    length = np.linalg.norm(design.rows, axis=1, keepdims=True)
    rows = design.rows / np.where(length > 0.0, length, 1.0) @ unseen
    full = readings.copy()
    for i in order:
        size = float(np.linalg.norm(rows[i]))
        if size > BEYOND:
            t = rows[i] / size
            left = parts - np.outer(parts @ t, t)
            if not (np.linalg.norm(left, axis=1) > BEYOND).any():
                continue
            parts, rows = left, rows - np.outer(rows @ t, t)
        full[i] = most[i]
    return full
