"""Where each measurement stands in the arrays of the balance problem.

Carriers are the streams, in the circuit's order. A measurement that shares a source of error stands
on a carrier of its own behind them: what was observed is the true value plus what the sources add.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from oretally.flowsheet.circuit import Circuit
from oretally.flowsheet.error_sources import SharedSource
from oretally.flowsheet.survey import Survey

__all__ = ["Arrangement", "Position", "arrangement"]


class Position(NamedTuple):
    """Where a value stands in the arrays: analyte number (None for the flow) and carrier."""

    analyte: int | None
    carrier: int


@dataclass(frozen=True)
class Arrangement:
    """Places of measurements and of shared sources of error.

    Attributes
    ----------
    readings : mapping of (stream, quantity) to Position
        Where the measured number stands.
    sources : mapping of Position to SharedSource
        Where the unknown of each shared source stands, in the order of the carriers.
    observed : mapping of Position to Position
        Of each measurement that shares a source: the true value, to what was observed.
    """

    readings: Mapping[tuple[str, str], Position]
    sources: Mapping[Position, SharedSource]
    observed: Mapping[Position, Position]

    def measured_at(self, place: Position) -> Position:
        """Return where the measurement of a true value stands."""
        return self.observed.get(place, place)


def arrangement(circuit: Circuit, survey: Survey) -> Arrangement:
    """Return where each measurement of a survey stands.

    Behind the streams come, for the flows and then for each analyte with shared sources: one
    carrier a source, one for each measurement that shares one, and for an analyte one more for
    each, which has the true grade.
    """
    column = {name: j for j, name in enumerate(circuit.stream_names)}
    last = len(column)
    readings: dict[tuple[str, str], Position] = {}
    sources: dict[Position, SharedSource] = {}
    observed: dict[Position, Position] = {}
    quantities = [(None, survey.basis.quantity), *enumerate(a.name for a in survey.analytes)]
    for k, quantity in quantities:
        own = [s for s in survey.shared if s.quantity == quantity]
        sources |= {Position(k, last + i): s for i, s in enumerate(own)}
        last += len(own)
        measured = sorted(
            ((column[m.stream], m) for m in survey.measurements if m.quantity == quantity),
            key=lambda pair: pair[0],
        )
        moved = 0
        for j, m in measured:
            true = Position(k, j)
            readings[m.stream, quantity] = true
            if survey.shared_by(m):
                observed[true] = readings[m.stream, quantity] = Position(k, last + moved)
                moved += 1
        last += moved if k is None else 2 * moved
    return Arrangement(readings, sources, observed)
