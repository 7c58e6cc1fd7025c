"""Products of a test that came one after the other, as they stand in a balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.circuit import timed_streams
from oretally.recon.kinetics.over_time import OverTime
from oretally.recon.propagation import Adjusted, adjusted_amount

__all__ = ["TimedTest"]


@dataclass(frozen=True, eq=False)
class TimedTest(OverTime):
    """Reads a test with timed products from one balance.

    Attributes
    ----------
    feeds : tuple of str
        Streams to which recoveries refer, all together.
    """

    feeds: tuple[str, ...]

    @cached_property
    def streams(self) -> tuple[str, ...]:
        """The timed products, in order of time."""
        return tuple(s.name for s in timed_streams(self.model.circuit.streams))

    @cached_property
    def unit(self) -> str:
        """Unit of the times: that of the first."""
        return next(s.time.unit for s in timed_streams(self.model.circuit.streams) if s.time)

    @cached_property
    def time(self) -> Floats:
        """Times in that unit, shape (n,)."""
        timed = timed_streams(self.model.circuit.streams)
        return np.array([s.time.within(self.unit) for s in timed if s.time])

    def carriers(self, k: int | None, streams: Sequence[str]) -> list[int]:
        """Return the carriers of all that streams have, of solids or of analyte k."""
        at = self.model.circuit.stream_names.index
        return self.model.carriers.wholes(k, [at(name) for name in streams])

    def amounts(self, k: int | None) -> list[Adjusted]:
        """Return what has come by each time, of solids or of analyte k."""
        each = [adjusted_amount(self.covariance, self.carriers(k, [s]), k) for s in self.streams]
        return list(accumulate(each, lambda a, b: a + b))

    def recoveries(self, k: int | None) -> list[Adjusted]:
        """Return the mass pull, or the recovery of analyte k, by each time, as shares."""
        fed = adjusted_amount(self.covariance, self.carriers(k, self.feeds), k)
        return [amount / fed for amount in self.amounts(k)]
