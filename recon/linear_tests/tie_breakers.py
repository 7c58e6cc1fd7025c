"""What to measure so that errors that leave the same signature can be told apart.

What a measurement adds to the signatures stands at `best_measurements`; no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import Position
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.circuit import Content
from oretally.recon.result import BalancedValue
from oretally.recon.signatures import Signatures
from oretally.recon.solver import Covariance

__all__ = ["best_measurements"]

_HELPS = 0.05  # by which the correlation must fall to be worth telling
_TYPICAL = 0.05  # relative sd of a new measurement where its like is not measured anywhere
_MOST = 3


def best_measurements(
    signatures: Signatures,
    rows: Sequence[int],
    covariance: Covariance,
    *,
    values: Sequence[BalancedValue],
    positions: Sequence[Position],
) -> list[tuple[int, float]]:
    """Return unmeasured values that would tell measurements apart, and what correlation is left.

    Parameters
    ----------
    signatures : Signatures
    rows : sequence of int
        Measurements of one group: rows of the signatures.
    covariance : Covariance
    values, positions : sequence
        Rows of the balance, and where each stands in the arrays.

    Returns
    -------
    list of (int, float)
        Index into ``values`` and the largest correlation left between the first measurement and
        each other one; best first, at most three.

    Notes
    -----
    A new measurement m is one more check: against its adjusted value, with the variance of both.
    An error of one sd in measurement i shifts that by Cov(adjusted_m, adjusted_i) / sd_i, which
    lengthens the signature of i by one component.
    """
    held = covariance.held  # as the signatures
    shift = _shifts(held, signatures, rows, positions)
    P = signatures.products.at(rows)
    before = _largest(P)
    sd = _new_sd(values)
    found = []
    for m, v in enumerate(values):
        if v.carrier == Content.DISSOLVED:  # nobody can weigh it
            continue
        if v.measured is not None or v.adjusted is None or v.adjusted_sd is None:
            continue
        scale, new_sd = _base_units(covariance, positions[m], v), sd[m]
        if scale is None or new_sd is None:
            continue
        k, j = positions[m]
        left_sd = held.flow_sd[j] if k is None else held.grade_sd[k, j]
        step = shift[:, m] / np.hypot(new_sd * scale, left_sd)
        if not np.isfinite(step).all():
            continue
        left = _largest(P + np.outer(step, step))
        if left < before - _HELPS:
            found.append((m, left))
    return sorted(found, key=lambda pair: (round(pair[1], 6), pair[0]))[:_MOST]


def _largest(P: Floats) -> float:
    """Return the largest correlation of the first signature with another; 1 if one leaves none."""
    size = np.sqrt(np.maximum(np.diag(P), 0.0))
    both = size[0] * size[1:]
    if (both <= 0.0).any():
        return 1.0
    return float(np.abs(P[0, 1:] / both).max(initial=0.0))


def _shifts(
    covariance: Covariance, signatures: Signatures, rows: Sequence[int],
    positions: Sequence[Position],
) -> Floats:  # fmt: skip
    """Return how far one sd of error in each measurement shifts each adjusted value."""
    flows, grades = covariance.many_with_all([{signatures.readings[i]: 1.0} for i in rows])
    moved = [flows[:, p.carrier] if p.analyte is None else grades[:, p.analyte, p.carrier]
             for p in positions]  # fmt: skip
    return np.asarray(np.array(moved).T / signatures.unit[list(rows), None])


def _base_units(covariance: Covariance, place: Position, v: BalancedValue) -> float | None:
    """Return the base units in one unit of a row, from its adjusted value; None if it is 0."""
    k, j = place
    base = covariance.solution.flow[j] if k is None else covariance.solution.grade[k, j]
    return float(base / v.adjusted) if v.adjusted else None


def _new_sd(values: Sequence[BalancedValue]) -> list[float | None]:
    """Return the sd that a measurement of each value would have: as its like, in proportion."""
    relative: dict[str, list[float]] = {}
    for v in values:
        if v.measured and v.sd:
            relative.setdefault(v.quantity, []).append(v.sd / abs(v.measured))
    return [
        None if v.adjusted is None
        else abs(v.adjusted) * float(np.median(relative.get(v.quantity, [_TYPICAL])))
        for v in values
    ]  # fmt: skip
