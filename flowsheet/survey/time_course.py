"""A leach over time: where each time stands in the chain of leaches, and the reagents put in.

The chain itself is a circuit (`oretally.flowsheet.circuit.time_chain`), its volumes and assays are
measurements like any others. Here stands what no balance holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["CourseTime", "Reagent", "ReagentReading", "TimeCourse"]


class ReagentReading(NamedTuple):
    """A number with its stated sd."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class CourseTime:
    """One time of a leach.

    Attributes
    ----------
    time : float
        In the unit of the course.
    node : str
        The leach of the interval that ends with it.
    liquid : str
        A stream whose solution is that of this time.
    sample, added : str
        Streams: what was drawn off, and what was put in behind it; empty if nothing was.
    ph, ph_sd : float or None
        As read.
    note : str
    """

    time: float
    node: str
    liquid: str
    sample: str = ""
    added: str = ""
    ph: float | None = None
    ph_sd: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reagent:
    """What was put in of a reagent and found left, at the start and at each time.

    Attributes
    ----------
    name : str
    added : tuple of ReagentReading or None
        As weighed: kg, or kg of a stock solution (at 1 kg/L), at the start and behind each sample
        but the last; None if nothing was added.
    left : tuple of ReagentReading or None
        Found in the solution at each time, in kg per kg of solution; None where not read.
    content, content_sd : float
        Mass of reagent in a mass of what was added: purity times the strength of the stock
        solution. One error for all additions.
    by_volume : bool
        Whether what was added is a stock solution, whose volume counts as added too.
    """

    name: str
    added: tuple[ReagentReading | None, ...]
    left: tuple[ReagentReading | None, ...]
    content: float = 1.0
    content_sd: float = 0.0
    by_volume: bool = False


@dataclass(frozen=True, slots=True)
class TimeCourse:
    """A leach over time.

    Attributes
    ----------
    node : str
        The leach as the case calls it: the last of the chain.
    unit : str
        Of the times.
    times : tuple of CourseTime
        In order; above 0.
    reagents : tuple of Reagent
    ph_at_start : float or None
    started : str
        The stream of what was put in at the start beside the streams of the circuit; empty if that
        is nothing.
    """

    node: str
    unit: str
    times: tuple[CourseTime, ...]
    reagents: tuple[Reagent, ...] = ()
    ph_at_start: float | None = None
    started: str = ""

    @property
    def nodes(self) -> tuple[str, ...]:
        """The leaches of the chain, in order of time."""
        return tuple(t.node for t in self.times)

    @property
    def made(self) -> frozenset[str]:
        """The streams that the table of times brought."""
        drawn = (name for t in self.times for name in (t.sample, t.added))
        return frozenset(name for name in (self.started, *drawn) if name)
