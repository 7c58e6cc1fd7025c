"""What a survey will be able to tell of errors, before it is balanced.

Which errors no data can tell apart, and which could go unseen, depends on the circuit, on what was
measured and on the stated errors; on measured values only through the point at which the balances
are linearised, that of the adjusted values.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceModel
from oretally.recon.answers import Answers, balanced_values
from oretally.recon.gross_errors.suspects import Inquiry
from oretally.recon.propagation import LARGEST, global_test
from oretally.recon.result import ErrorRates, GrossErrors
from oretally.recon.solver import propagate, solve

__all__ = ["foresee"]

_ALPHA = 0.05  # of the measurement test
_STILL = 1e-6  # flows below this share of the largest: a stream that the data put at a standstill


def foresee(model: BalanceModel, feed: str, products: Sequence[str]) -> GrossErrors | None:
    """Return groups of errors with one trace, and the errors that could go unseen.

    None where the first flows have no place for it: a stream stands still there, nothing checks
    anything, or the circuit is too large.

    Parameters
    ----------
    model : BalanceModel
        A flow was measured.
    feed, products : str, sequence of str
        Reference stream of the recoveries, and the streams among which they are shared.
    """
    circuit, problem = model.circuit, model.problem
    if len(model.survey.measurements) > LARGEST:
        return None
    point = solve(problem)
    if not point.converged:
        return None
    classes = point.classes
    carry = [s.content.has_solids for s in circuit.streams]
    flow = np.abs(point.flow[: len(circuit.streams)][carry])
    if classes.degrees_of_freedom <= 0 or flow.min() <= _STILL * flow.max():
        return None
    covariance = propagate(problem, point)
    values, found = balanced_values(model, covariance, _ALPHA)
    answers = Answers.of(model, covariance, feed=feed, products=products)
    test = global_test(point.objective, classes.degrees_of_freedom, _ALPHA)
    return Inquiry(values, found, (), answers, test, ErrorRates()).foreseen()
