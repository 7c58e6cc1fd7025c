"""Products of a batch test taken one after the other: recovery and grade by each time, curves.

With a_i the amount of an analyte in product i, m_i its mass, A that of all that is fed::

    recovery by time j    (a_1 + ... + a_j) / A
    grade by time j       (a_1 + ... + a_j) / (m_1 + ... + m_j)
    selectivity           root(Ra (1 - Rb) / (Rb (1 - Ra)))

References
----------
A.M. Gaudin, Principles of Mineral Dressing (1939), chapter 10: selectivity index. JCGM 100:2008
(GUM), eq. 13. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceModel
from oretally.flowsheet.circuit import timed_streams
from oretally.recon.kinetics.rate_rows import rate_curves
from oretally.recon.kinetics.timed_test import TimedTest
from oretally.recon.propagation import Adjusted, Derived, estimates
from oretally.recon.result import (
    Estimate,
    RateFit,
    RateModel,
    Selectivity,
    TimedProducts,
    TimedQuantity,
)
from oretally.recon.solver import Covariance

__all__ = ["timed_products"]


def timed_products(
    model: BalanceModel, covariance: Covariance, feeds: Sequence[str]
) -> TimedProducts | None:
    """Return what a balance says of products taken one after the other; None if none has a time.

    Without what their course speaks against: see `oretally.recon.kinetics.course_suspects`.
    """
    timed = timed_streams(model.circuit.streams)
    if not timed:
        return None
    test, analytes = TimedTest(model, covariance, tuple(feeds)), model.survey.analytes
    ks = [k for k in range(len(analytes)) if _is_held(test, k)]
    masses = test.amounts(None)
    fits = {k: test.all_fits[k] for k in ks}
    rows = [_quantity(test, None, masses, ())]
    rows += [_quantity(test, k, masses, fits[k]) for k in ks]
    first, *others = ks or [-1]
    return TimedProducts(
        timed[0].source or "", test.unit, tuple(test.time.tolist()), test.streams, tuple(rows),
        tuple(_selectivity(test, first, k, fits[first], fits[k]) for k in others),
    )  # fmt: skip


def _is_held(test: TimedTest, k: int) -> bool:
    """Return whether some cumulative recovery of an analyte is determined."""
    return any(x is not None for x in estimates(test.covariance, test.recoveries(k)))


def _quantity(
    test: TimedTest, k: int | None, masses: Sequence[Adjusted], fits: Sequence[RateFit]
) -> TimedQuantity:
    survey = test.model.survey
    told = [_times(x, 100.0) for x in estimates(test.covariance, test.recoveries(k))]
    curves = rate_curves(fits, test.unit)
    if k is None:
        none = (None,) * len(told)
        return TimedQuantity(survey.basis.quantity, tuple(told), "", none, curves)
    unit = survey.analytes[k].unit
    grades = [a / m for a, m in zip(test.amounts(k), masses, strict=True)]
    shown = [_times(x, unit.from_base(1.0)) for x in estimates(test.covariance, grades)]
    return TimedQuantity(survey.analytes[k].name, tuple(told), unit.symbol, tuple(shown), curves)


def _selectivity(
    test: TimedTest, k: int, other: int, fits: Sequence[RateFit], others: Sequence[RateFit]
) -> Selectivity:
    """Return the index by each time, and the ratio of the rates of first order.

    Notes
    -----
    With ln S = (ln Ra - ln(1 - Ra) - ln Rb + ln(1 - Rb)) / 2, dS/dRa = S / (2 Ra (1 - Ra)).
    """
    ra, rb = test.recoveries(k), test.recoveries(other)
    index = list[Adjusted]()
    for a, b in zip(ra, rb, strict=True):
        if not (0.0 < a.value < 1.0 and 0.0 < b.value < 1.0):
            index.append(Derived(np.nan, {}))
            continue
        odds = (a / (1.0 - a)) * ((1.0 - b) / b)
        root = float(np.sqrt(odds.value))
        index.append(Derived(root, {p: g / (2.0 * root) for p, g in odds.slopes.items()}))
    names = [test.model.survey.analytes[i].name for i in (k, other)]
    ratio = _rate_ratio(test, (k, other), (fits, others))
    return Selectivity(names[0], names[1], tuple(estimates(test.covariance, index)), ratio)


def _rate_ratio(
    test: TimedTest, ks: tuple[int, int], fits: tuple[Sequence[RateFit], Sequence[RateFit]]
) -> Estimate | None:
    """Return the ratio of two rates of first order, their covariance regarded."""
    first = [next((f for f in each if f.model is RateModel.FIRST_ORDER), None) for each in fits]
    rates = [test.parameter(k, f, "rate") if f else None for k, f in zip(ks, first, strict=True)]
    if rates[0] is None or rates[1] is None:
        return None
    return estimates(test.covariance, [rates[0] / rates[1]])[0]


def _times(found: Estimate | None, factor: float) -> Estimate | None:
    return None if found is None else (found[0] * factor, found[1] * factor)
