"""Is the survey consistent, and which measurement stands out: the global and measurement tests.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 7:
global test, measurement test, Sidak's correction for the number of tests. W. Baarda, A testing
procedure for use in geodetic networks (1968): detectable errors. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtr, ndtri

from oretally.recon.balance import BalancedValue, GlobalTest, Suspect
from oretally.recon.covariance import Covariance

__all__ = ["SEEN", "Position", "detectable_error", "global_test", "sidak_p", "suspects"]

POWER = 0.80  # chance of finding an error of the detectable size
_SAME = 1.0 - 1e-6  # adjustments correlated beyond this cannot be told apart
SEEN = 1e-9  # redundancy below this share is rounding


class Position(NamedTuple):
    """Where a value stands in the arrays: analyte number (None for the flow) and carrier."""

    analyte: int | None
    carrier: int


def global_test(objective: float, dof: int, alpha: float) -> GlobalTest:
    """Return the chi-square test of the objective; no verdict without degrees of freedom."""
    if dof <= 0:
        return GlobalTest(objective, 0, None, alpha, None)
    p = float(chdtrc(dof, objective))
    return GlobalTest(objective, dof, p, alpha, p >= alpha)


def detectable_error(sd: float, redundancy: float, alpha: float = 0.05) -> float | None:
    """Return the least error that the measurement test finds with power 80 %, in units of sd.

    Notes
    -----
    sd (z(1 - alpha/2) + z(power)) / sqrt(redundancy number).

    Examples
    --------
    >>> round(detectable_error(1.0, 1.0, alpha=0.001), 2)
    4.13
    """
    if redundancy <= SEEN:
        return None
    return float(sd * (ndtri(POWER) - ndtri(alpha / 2.0)) / redundancy**0.5)


def sidak_p(statistic: float, n_tests: int) -> float:
    """Return the chance that the largest of n normal statistics is at least this large.

    Examples
    --------
    >>> round(sidak_p(1.959964, 1), 3)
    0.05
    """
    single = 2.0 * float(ndtr(-abs(statistic)))
    return float(-np.expm1(n_tests * np.log1p(-min(single, 1.0 - 1e-16))))


def suspects(
    values: Sequence[BalancedValue],
    positions: Sequence[Position],
    covariance: Covariance,
    test: GlobalTest,
) -> tuple[Suspect, ...]:
    """Return the measurements whose adjustment is significant, largest first.

    Measurements whose adjustments are fully correlated leave the same trace in every balance;
    they form one group and are tested once.
    """
    tested = [i for i, v in enumerate(values) if v.standardised is not None]
    limit = test.alpha
    rows: list[Suspect] = []
    grouped: set[int] = set()
    # members of one group differ by rounding alone: the first of them stands for it
    order = sorted(tested, key=lambda i: (-round(abs(values[i].standardised or 0.0), 6), i))
    for i in order:
        v = values[i]
        if i in grouped or v.standardised is None or v.sd is None or v.redundancy is None:
            continue
        p = sidak_p(v.standardised, len(tested))
        if p >= limit or v.measured is None or v.adjusted is None:
            continue
        group = [
            i,
            *(j for j in order if j != i and _inseparable(values, positions, covariance, i, j)),
        ]
        grouped.update(group)
        rows.append(
            Suspect(
                group=tuple((values[j].stream, values[j].quantity) for j in group),
                unit=v.unit,
                estimated_error=(v.measured - v.adjusted) / v.redundancy,
                sd=v.sd / v.redundancy**0.5,
                statistic=abs(v.standardised),
                p=p,
                objective_without=max(test.statistic - v.standardised**2, 0.0),
                dof_without=test.dof - 1,
            )
        )
    return tuple(rows)


def _inseparable(
    values: Sequence[BalancedValue],
    positions: Sequence[Position],
    covariance: Covariance,
    i: int,
    j: int,
) -> bool:
    """Tell whether the adjustments of two measurements are fully correlated.

    Cov(adjustment_i, adjustment_j) = -Cov(adjusted_i, adjusted_j) for independent measurements.
    """
    problem, a, b = covariance.problem, positions[i], positions[j]
    spread = 1.0
    for v, place in ((values[i], a), (values[j], b)):
        stated = _stated_sd(problem.flow_sd, problem.grade_sd, place)
        spread *= stated * (v.redundancy or 0.0) ** 0.5
    return abs(_covariance_of(covariance, a, b)) >= _SAME * spread > 0.0


def _stated_sd(
    flow_sd: NDArray[np.float64], grade_sd: NDArray[np.float64], place: Position
) -> float:
    k, j = place
    return float(flow_sd[j] if k is None else grade_sd[k, j])


def _covariance_of(covariance: Covariance, a: Position, b: Position) -> float:
    if a.analyte is None and b.analyte is None:
        return float(covariance.flow_flow()[a.carrier, b.carrier])
    if a.analyte is None:
        a, b = b, a
    if a.analyte is None:
        raise AssertionError("both positions are flows")
    if b.analyte is None:
        return float(covariance.grade_flow(a.analyte)[a.carrier, b.carrier])
    return float(covariance.grade_other(a.analyte, b.analyte)[a.carrier, b.carrier])
