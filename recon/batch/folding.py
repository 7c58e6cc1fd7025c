"""Measured grades of many surveys, folded on the groups of carriers that share a grade."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.batch.inner_problem import Lanes
from oretally.recon.batch.lane_grades import GradeData
from oretally.recon.reduction import ReducedProblem

__all__ = ["carrier_weight", "folded", "grade_data", "grade_scale", "reweighted"]


def grade_scale(reduced: ReducedProblem) -> Floats:
    """Return the unit of each analyte's grades, shape (n_analytes,)."""
    return np.array([a.scale for a in reduced.analytes])


def grade_data(reduced: ReducedProblem) -> GradeData:
    """Return the grades as prepared, one survey."""

    def lane(name: str) -> Floats:
        columns = np.array([getattr(a, name) for a in reduced.analytes], dtype=float)
        return np.ascontiguousarray(columns.T[:, :, None])

    weight, fixed = lane("weight"), lane("fixed") > 0.0
    return GradeData(
        lane("target"), weight, (weight == 0.0) & ~fixed, lane("lower"), lane("upper"),
        lane("source"),
    )  # fmt: skip


def carrier_weight(grade: Floats, sd: Floats, scale: Floats) -> Floats:
    """Return 1/sd^2 of grades that are measured and not exact, else 0.

    Shape (n_carriers, n_analytes, n_problems), in units of ``scale``, shape (n_analytes,);
    ``grade`` and ``sd`` have shape (n_problems, n_analytes, n_carriers).
    """
    sd = sd / scale[:, None]
    soft = np.isfinite(grade) & (sd > 0.0)
    weight = np.where(soft, 1.0 / np.where(soft, sd, 1.0) ** 2, 0.0)
    return np.ascontiguousarray(weight.transpose(2, 1, 0))


def reweighted(lanes: Lanes, data: GradeData, weight: Floats) -> GradeData:
    """Return the grades with weights for each survey; nothing measured where a weight is 0.

    ``weight``, shape (n_carriers, n_analytes, n_surveys), as `carrier_weight` has it.
    """
    fixed = (data.weight == 0.0) & ~data.free
    total = weight if lanes.group is None else lanes.on_groups(weight)
    return replace(data, weight=total, free=(total == 0.0) & ~fixed)


def folded(
    lanes: Lanes, data: GradeData, value: Floats, *, weight: Floats, exact: Sequence[Bools]
) -> tuple[GradeData, Floats | float]:
    """Return the grades of surveys on groups, and the part of the objective set aside.

    Parameters
    ----------
    lanes : Lanes
    data : GradeData
        Its weights are those of ``weight`` on groups.
    value : ndarray, shape (n_carriers, n_analytes, n_surveys)
        Measured grades in units of their scale, 0 where unmeasured.
    weight : ndarray, shape (n_carriers, n_analytes, 1) or (n_carriers, n_analytes, n_surveys)
        As `carrier_weight` has it.
    exact : sequence of ndarray of bool, shape (n_carriers,)
        Grades without error, by analyte.
    """
    if lanes.group is None:
        return replace(data, target=value), 0.0
    total = np.where(data.weight > 0.0, data.weight, 1.0)
    target = lanes.on_groups(weight * value) / total
    for k, known in enumerate(exact):
        target[lanes.group[known], k] = value[known, k]
    apart = value - target[lanes.group]
    return replace(data, target=target), 0.5 * np.einsum("cks,cks->s", weight * apart, apart)
