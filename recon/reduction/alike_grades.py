"""The best grades of many analytes for given flows, those measured alike side by side.

The formulas are those of `oretally.recon.reduction.best_grades`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.reduction.analyte_problem import AnalyteProblem
from oretally.recon.reduction.best_grades import BestGrades, best_grades, beyond_bounds
from oretally.recon.reduction.grade_pattern import grade_pattern

__all__ = ["grades_at"]


_FEW = 4  # analytes, fewer of which are quicker one by one


def grades_at(analytes: Sequence[AnalyteProblem], flow: Floats) -> tuple[BestGrades, ...]:
    """Return the best grades of all analytes; flows have shape (n_carriers,)."""
    families: dict[tuple[int, bytes, bytes], list[int]] = {}
    for k, a in enumerate(analytes):
        key = id(a.rows), a.measured.tobytes(), a.fixed.tobytes()
        families.setdefault(key, []).append(k)
    found: dict[int, BestGrades] = {}
    for family in families.values():
        if len(family) >= _FEW:
            found |= zip(family, _side_by_side([analytes[k] for k in family], flow), strict=True)
    return tuple(found[k] if k in found else best_grades(a, flow) for k, a in enumerate(analytes))


def _side_by_side(analytes: Sequence[AnalyteProblem], flow: Floats) -> list[BestGrades]:
    """Return the grades of analytes measured alike; one by one where a bound is met."""
    a = analytes[0]
    C = a.rows.of_grades(flow)
    p = grade_pattern(a, flow, C, a.fixed)
    M, U, D, Dt = p.moving, p.unmeasured, p.quick_D, p.quick_Dt
    target, weight, lower, upper, source = (
        np.array([getattr(b, name) for b in analytes]).T
        for name in ("target", "weight", "lower", "upper", "source")
    )
    V = 1.0 / weight[M]
    factor = p.lanes.factor(V)
    x = target.copy()
    right = source - C[:, a.fixed] @ x[a.fixed] if a.fixed.any() else source
    rest = p.reduced(right) - D @ x[M]
    nu = factor.solve(rest)
    nu += factor.solve(rest - D @ (V * (Dt @ nu)))
    x[M] += V * (Dt @ nu)
    if p.eliminates:
        x[U] = p.unmeasured_grades(right - C[:, M] @ x[M])
    value = 0.5 * (weight[M] * (x[M] - target[M]) ** 2).sum(axis=0)
    lam = -(p.N @ nu) if p.eliminates else -nu
    below, above = beyond_bounds(x, lower, upper, M | U)
    alone = ~factor.definite | (below | above).any(axis=0)
    x = np.where((M | U)[:, None], np.clip(x, lower, upper), x)
    none = np.zeros(M.size, dtype=bool)
    return [
        best_grades(b, flow) if alone[i]
        else BestGrades(b, p, x[:, i], lam[:, i], float(value[i]), none, none)
        for i, b in enumerate(analytes)
    ]  # fmt: skip
