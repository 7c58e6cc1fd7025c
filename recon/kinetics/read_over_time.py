"""Which test over time a survey is, if it is one."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import BalanceModel
from oretally.flowsheet.circuit import timed_streams
from oretally.recon.kinetics.over_time import OverTime
from oretally.recon.kinetics.timed_leach import timed_leach
from oretally.recon.kinetics.timed_test import TimedTest
from oretally.recon.solver import Covariance

__all__ = ["over_time"]


def over_time(model: BalanceModel, covariance: Covariance, feeds: Sequence[str]) -> OverTime | None:
    """Return the test over time of a survey: timed products, or a leach; None if it is none."""
    if timed_streams(model.circuit.streams):
        return TimedTest(model, covariance, tuple(feeds))
    return timed_leach(model, covariance)
