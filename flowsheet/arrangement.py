"""Where each measurement stands in the arrays of the balance problem.

A measurement that shares a source of error stands on a carrier of its own behind those of the
streams: what was observed is the true value plus what the sources add.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet.carriers import Carriers, carriers_of
from oretally.flowsheet.circuit import Circuit
from oretally.flowsheet.error_sources import SharedSource
from oretally.flowsheet.quantities import Meaning, meanings
from oretally.flowsheet.survey import Survey

__all__ = ["Arrangement", "Position", "Row", "arrangement"]

Bools = NDArray[np.bool_]


class Position(NamedTuple):
    """Where a value stands in the arrays: analyte number (None for the flow) and carrier."""

    analyte: int | None
    carrier: int


class Row(NamedTuple):
    """A value of a stream: its names, what it means, and where it stands."""

    stream: str
    quantity: str
    meaning: Meaning
    place: Position


@dataclass(frozen=True)
class Arrangement:
    """Places of all values, of measurements and of shared sources of error.

    Attributes
    ----------
    carriers : Carriers
    rows : tuple of Row
        Every value that a stream has, stream by stream.
    readings : mapping of (stream, quantity) to Position
        Where each measured number stands.
    sources : mapping of Position to SharedSource
        Where the unknown of each shared source stands, in the order of the carriers.
    observed : mapping of Position to Position
        Of each measurement that shares a source: the true value, to what was observed.
    """

    carriers: Carriers
    rows: tuple[Row, ...]
    readings: Mapping[tuple[str, str], Position]
    sources: Mapping[Position, SharedSource]
    observed: Mapping[Position, Position]

    def measured_at(self, place: Position) -> Position:
        """Return where the measurement of a true value stands."""
        return self.observed.get(place, place)

    @cached_property
    def shown(self) -> tuple[Bools, Bools]:
        """Masks of the places that have a name: of flows, and of grades, analyte by carrier."""
        c = self.carriers
        n_shares = len(c.shares) + (c.solids_share is not None)
        flows = np.zeros(c.n_carriers, dtype=bool)
        grades = np.zeros((c.n_analytes + n_shares, c.n_carriers), dtype=bool)
        for row in self.rows:
            if row.place.analyte is None:
                flows[row.place.carrier] = True
            else:
                grades[row.place] = True
        return flows, grades

    @cached_property
    def named(self) -> Mapping[Position, tuple[str, str]]:
        """Stream and quantity of every place that has them: true values and observed ones."""
        found = {row.place: (row.stream, row.quantity) for row in self.rows}
        return found | {place: name for name, place in self.readings.items()}


def arrangement(circuit: Circuit, survey: Survey) -> Arrangement:
    """Return where each value of a survey stands.

    Behind the carriers of the streams come, for the flows and then for each analyte with shared
    sources: one carrier a source, one for each measurement that shares one, and for an analyte
    one more for each, which has the true grade.
    """
    carriers, known = carriers_of(circuit, survey), meanings(survey)
    rows = []
    for j, stream in enumerate(circuit.stream_names):
        for quantity, meaning in known.items():
            place = carriers.place(j, meaning)
            if place is not None:
                rows.append(Row(stream, quantity, meaning, Position(*place)))
    at = {(row.stream, row.quantity): row.place for row in rows}
    readings = {
        (m.stream, m.quantity): at[m.stream, m.quantity]
        for m in survey.measurements
        if (m.stream, m.quantity) in at
    }
    sources: dict[Position, SharedSource] = {}
    observed: dict[Position, Position] = {}
    last = carriers.n_carriers
    by_analyte: dict[int | None, list[SharedSource]] = {}
    for source in survey.shared:
        analytes = {readings[s, source.quantity].analyte for s in source.loadings}
        by_analyte.setdefault(analytes.pop(), []).append(source)
    for k in sorted(by_analyte, key=lambda k: -1 if k is None else k):
        own = by_analyte[k]
        sources |= {Position(k, last + i): s for i, s in enumerate(own)}
        last += len(own)
        moved = sorted(
            {readings[s, o.quantity] for o in own for s, size in o.loadings.items() if size}
        )
        for i, true in enumerate(moved):
            observed[true] = Position(k, last + i)
        last += len(moved) if k is None else 2 * len(moved)
    seen = {name: observed.get(place, place) for name, place in readings.items()}
    return Arrangement(carriers, tuple(rows), seen, sources, observed)
