"""What a balance problem can say beyond flows and grades, written in its own terms.

The form of `BalanceProblem` has flows F, grades x and products of the two. Ratios, sums, intervals
and shared errors are exact reformulations with further carriers and analytes, so that the solver
knows nothing of them:

======================  ===========================================================================
sum of flows            a carrier T with the balance  sum w F - T = 0
ratio N / D             an analyte whose grade in D is the ratio and in N exactly 1:  D r - N 1 = 0
bounds of a ratio       carriers  N - lower D >= 0  and  upper D - N >= 0
upper bound of a flow   a carrier s >= 0 with  F + s = upper
shared error of flows   a carrier u = 0 +- 1, and for each flow  O - F - L u = 0  with O measured
shared error of grades  carriers of equal flow that hold the observed and the true grade and u
======================  ===========================================================================

Each function returns a longer problem; carriers and analytes of the old one keep their places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
from scipy import sparse

from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.problem.balance_problem import BalanceProblem, Rows

__all__ = [
    "with_flow_upper",
    "with_grade_interval",
    "with_ratio",
    "with_ratio_bounds",
    "with_shared_flow_errors",
    "with_shared_grade_errors",
    "with_sum",
]

_T = TypeVar("_T")


def with_sum(
    problem: BalanceProblem, weights: Mapping[int, float], *, value: float, sd: float,
    lower: float = -np.inf,
) -> BalanceProblem:  # fmt: skip
    """Add a measured sum of flows as a new last carrier.

    Parameters
    ----------
    problem : BalanceProblem
    weights : mapping of int to float
        Weight of each carrier in the sum.
    value, sd : float
        NaN if it is not measured.
    lower : float
        Lower bound of the sum.
    """
    longer = _more_carriers(problem, [value], [sd], [lower])
    return _more_flow_balances(longer, [{**weights, problem.n_carriers: -1.0}], [0.0])


def with_flow_upper(problem: BalanceProblem, carrier: int, upper: float) -> BalanceProblem:
    """Bound a flow from above; the new last carrier is the distance to the bound."""
    longer = _more_carriers(problem, [np.nan], [np.nan], [0.0])
    return _more_flow_balances(longer, [{carrier: 1.0, problem.n_carriers: 1.0}], [upper])


def with_ratio(
    problem: BalanceProblem, numerator: Sequence[int], denominator: int, *, value: float, sd: float
) -> BalanceProblem:
    """Add a measured ratio of flows as the grade of a new last analyte in the denominator.

    Per cent solids, moisture, the share of a size class, a split: the sum of some flows over one
    flow. A ratio over a sum takes `with_sum` first.

    Parameters
    ----------
    problem : BalanceProblem
    numerator : sequence of int
    denominator : int
    value, sd : float
    """
    if problem.tie[denominator] in problem.tie[list(numerator)]:
        # a tie would make the ratio the 1 of the numerator: the flow gets a name of its own
        problem = with_sum(problem, {denominator: 1.0}, value=np.nan, sd=np.nan, lower=0.0)
        denominator = problem.n_carriers - 1
    n = problem.n_carriers
    grade, grade_sd, low, high = (np.full((1, n), fill) for fill in (np.nan, np.nan, 0.0, np.inf))
    grade[0, list(numerator)], grade_sd[0, list(numerator)] = 1.0, 0.0
    grade[0, denominator], grade_sd[0, denominator] = value, sd
    row = _rows([{denominator: 1.0, **dict.fromkeys(numerator, -1.0)}], n)
    return replace(
        problem,
        analyte_balance=(*problem.analyte_balance, row),
        analyte_source=(*problem.analyte_source, np.zeros(1)),
        grade=np.vstack([problem.grade, grade]),
        grade_sd=np.vstack([problem.grade_sd, grade_sd]),
        grade_lower=np.vstack([problem.grade_lower, low]),
        grade_upper=np.vstack([problem.grade_upper, high]),
    )


def with_ratio_bounds(
    problem: BalanceProblem, numerator: Sequence[int], denominator: int, *,
    lower: float, upper: float,
) -> BalanceProblem:  # fmt: skip
    """Bound a ratio of flows; each new last carrier is N - lower D or upper D - N, at least 0.

    Parameters
    ----------
    problem : BalanceProblem
    numerator : sequence of int
    denominator : int
    lower, upper : float
        -inf or inf for none.
    """
    for bound, sign in ((lower, 1.0), (upper, -1.0)):
        if np.isfinite(bound):
            weights = {**dict.fromkeys(numerator, sign), denominator: -sign * bound}
            problem = with_sum(problem, weights, value=np.nan, sd=np.nan, lower=0.0)
    return problem


def with_grade_interval(
    problem: BalanceProblem, analyte: int, carrier: int, *, lower: float, upper: float
) -> BalanceProblem:
    """Take a grade as known to lie in an interval only: below detection, over range."""
    grade, sd, low, high = (
        part.copy()
        for part in (problem.grade, problem.grade_sd, problem.grade_lower, problem.grade_upper)
    )
    grade[analyte, carrier] = sd[analyte, carrier] = np.nan
    low[analyte, carrier], high[analyte, carrier] = lower, upper
    return replace(problem, grade=grade, grade_sd=sd, grade_lower=low, grade_upper=high)


def with_shared_flow_errors(
    problem: BalanceProblem, sources: Sequence[Mapping[int, float]]
) -> BalanceProblem:
    """Let measured flows share sources of error u ~ N(0, 1), e.g. a scale out of true.

    Parameters
    ----------
    problem : BalanceProblem
    sources : sequence of mapping of int to float
        For each source what one sd of u adds to each measured flow, in its unit. The new carriers
        are the sources, in units of their largest loading, and then the measurements that share
        one, in the order of their carriers: their numbers move there.

    Raises
    ------
    ValueError
        If a flow is not measured.
    """
    n, carriers = problem.n_carriers, sorted({c for loadings in sources for c in loadings})
    _require_measured(problem.flow[carriers], carriers)
    flow, sd = problem.flow.copy(), problem.flow_sd.copy()
    observed, observed_sd = flow[carriers].tolist(), sd[carriers].tolist()
    flow[carriers] = sd[carriers] = np.nan
    sizes = [_largest(loadings) for loadings in sources]
    more = [0.0] * len(sources) + observed
    longer = _more_carriers(
        replace(problem, flow=flow, flow_sd=sd), more, [*sizes, *observed_sd], [-np.inf] * len(more)
    )
    rows = [
        {n + len(sources) + i: 1.0, c: -1.0, **_added(sources, sizes, c, n)}
        for i, c in enumerate(carriers)
    ]
    return _more_flow_balances(longer, rows, [0.0] * len(carriers))


def with_shared_grade_errors(
    problem: BalanceProblem, analyte: int, sources: Sequence[Mapping[int, float]]
) -> BalanceProblem:
    """Let measured grades of one analyte share sources of error u ~ N(0, 1): a laboratory's bias.

    Parameters
    ----------
    problem : BalanceProblem
    analyte : int
    sources : sequence of mapping of int to float
        For each source what one sd of u adds to the measured grade of each carrier, in its unit.
        The new carriers are the sources, in units of their largest loading, the measurements that
        share one, in the order of their carriers, and the true grades of those.

    Raises
    ------
    ValueError
        If a grade is not measured.
    """
    n, carriers = problem.n_carriers, sorted({c for loadings in sources for c in loadings})
    _require_measured(problem.grade[analyte, carriers], carriers)
    sizes = [_largest(loadings) for loadings in sources]
    first = n + len(sources)  # carriers: sources, then observed, then true grades
    last = first + len(carriers)
    more = len(sources) + 2 * len(carriers)
    # each carries the same amount, of the order of the flows, so that only grades matter
    measured = problem.flow[problem.flow > 0.0]  # NaN compares as False
    amount = float(np.median(measured)) if measured.size else 1.0
    longer = _more_carriers(problem, [amount] * more, [0.0] * more, [0.0] * more)
    tie = longer.tie.copy()
    tie[last:] = tie[carriers]
    grade, sd, low, high = (
        part.copy()
        for part in (longer.grade, longer.grade_sd, longer.grade_lower, longer.grade_upper)
    )
    grade[analyte, first:last], sd[analyte, first:last] = (
        problem.grade[analyte, carriers], problem.grade_sd[analyte, carriers],
    )  # fmt: skip
    grade[analyte, carriers] = sd[analyte, carriers] = np.nan
    grade[analyte, n:first], sd[analyte, n:first] = 0.0, sizes
    low[analyte, n:last], high[analyte, n:last] = -np.inf, np.inf
    low[analyte, last:], high[analyte, last:] = low[analyte, carriers], high[analyte, carriers]
    rows = [
        {first + i: 1.0, last + i: -1.0, **_added(sources, sizes, c, n)}
        for i, c in enumerate(carriers)
    ]
    own = sparse.csr_array(
        sparse.vstack([longer.analyte_balance[analyte], _rows(rows, longer.n_carriers)])
    )
    source = np.concatenate([longer.analyte_source[analyte], np.zeros(len(carriers))])
    return replace(
        longer,
        tie=tie,
        analyte_balance=_put(longer.analyte_balance, analyte, own),
        analyte_source=_put(longer.analyte_source, analyte, source),
        grade=grade,
        grade_sd=sd,
        grade_lower=low,
        grade_upper=high,
    )


def _largest(loadings: Mapping[int, float]) -> float:
    return max(abs(loading) for loading in loadings.values())


def _added(
    sources: Sequence[Mapping[int, float]], sizes: Sequence[float], carrier: int, n: int
) -> dict[int, float]:
    """Return the entries of the sources, carriers n and on, in the row of one measurement."""
    return {
        n + s: -loadings[carrier] / size
        for s, (loadings, size) in enumerate(zip(sources, sizes, strict=True))
        if carrier in loadings
    }


def _require_measured(values: Floats, carriers: Sequence[int]) -> None:
    missing = [c for c, value in zip(carriers, values, strict=True) if not np.isfinite(value)]
    if missing:
        raise ValueError(f"an error needs a measurement: nothing is measured of carriers {missing}")


def _put(parts: tuple[_T, ...], at: int, part: _T) -> tuple[_T, ...]:
    return (*parts[:at], part, *parts[at + 1 :])


def _rows(entries: Sequence[Mapping[int, float]], n: int) -> Rows:
    """Return a matrix of n columns with the given entries of each row."""
    rows = np.zeros((len(entries), n))
    for row, of_row in zip(rows, entries, strict=True):
        row[list(of_row)] = list(of_row.values())
    return sparse.csr_array(rows)


def _more_carriers(
    problem: BalanceProblem, flow: list[float], sd: list[float], lower: list[float]
) -> BalanceProblem:
    """Return the problem with carriers at the end that take part in no balance yet."""
    m = len(flow)
    flow_balance, analyte_balance = problem.each_balance(
        lambda B: sparse.csr_array(sparse.hstack([B, sparse.csr_array((B.shape[0], m))]))
    )
    beside = np.full((problem.n_analytes, m), np.nan)
    return replace(
        problem,
        flow_balance=flow_balance,
        analyte_balance=analyte_balance,
        tie=np.concatenate([problem.tie, problem.tie.max(initial=-1) + 1 + np.arange(m)]),
        flow=np.concatenate([problem.flow, flow]),
        flow_sd=np.concatenate([problem.flow_sd, sd]),
        flow_lower=np.concatenate([problem.flow_lower, lower]),
        grade=np.hstack([problem.grade, beside]),
        grade_sd=np.hstack([problem.grade_sd, beside]),
        grade_lower=np.hstack([problem.grade_lower, np.zeros(beside.shape)]),
        grade_upper=np.hstack([problem.grade_upper, np.full(beside.shape, np.inf)]),
    )


def _more_flow_balances(
    problem: BalanceProblem, rows: Sequence[Mapping[int, float]], right: Sequence[float]
) -> BalanceProblem:
    added = _rows(rows, problem.n_carriers)
    return replace(
        problem,
        flow_balance=sparse.csr_array(sparse.vstack([problem.flow_balance, added])),
        flow_source=np.concatenate([problem.flow_source, right]),
    )
