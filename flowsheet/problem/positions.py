"""Where each measurement stands in the arrays of the balance problem.

A measurement that shares a source of error stands on a carrier of its own behind those of the
streams: what was observed is the true value plus what the sources add.

Shares of size classes that were made from the masses of one stack stand on a carrier too, the
sample that was sieved. Masses m_i with independent errors s_i, their sum M: the shares m_i/M add up
to 1 whatever the errors are, so that one of them checks nothing. To first order the masses say all
that they can if each m_i/M is a reading, of sd s_i/M, of the true share times a factor that is free
and the same for the whole stack: how much the sample truly weighed, as a share of M. The sum of
squares is then chi-square with one degree of freedom less for each stack, and the true shares of a
stack that nothing checks have the covariance of m_i/M. (With the factor held at 1 the first would
be so only if s_i^2 were in proportion to m_i: the sum of squares of a stack whose true shares are
known would be larger by sum(m_i^2/s_i^2) sum(s_i^2)/M^2 - 1 in the mean.) In the terms of the
balance problem: a carrier with a free flow, whose flow times the reading is the flow of the class.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from oretally.flowsheet.arrays import Bools
from oretally.flowsheet.problem.carriers import Carriers
from oretally.flowsheet.read_only import freeze
from oretally.flowsheet.survey import Meaning, SharedSource, Survey

__all__ = ["Position", "Positions", "Row", "positions_of"]


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
class Positions:
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
        Of each measurement that shares a source: the value without what sources add, to what was
        observed.
    samples : mapping of int to int
        Stream whose shares were made from masses, to the carrier of its sieved sample.
    """

    carriers: Carriers
    rows: tuple[Row, ...]
    readings: Mapping[tuple[str, str], Position]
    sources: Mapping[Position, SharedSource]
    observed: Mapping[Position, Position]
    samples: Mapping[int, int]

    def __post_init__(self) -> None:
        freeze(self, "readings", "sources", "observed", "samples")

    def measured_at(self, place: Position) -> Position:
        """Return where the measurement of a true value stands."""
        reading = _reading(place, self.carriers, self.samples)
        return self.observed.get(reading, reading)

    @cached_property
    def shown(self) -> tuple[Bools, Bools]:
        """Masks of the places with a name, shapes (n_carriers,) and (n_analytes, n_carriers)."""
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


def positions_of(survey: Survey, carriers: Carriers, known: Mapping[str, Meaning]) -> Positions:
    """Return where each value of a survey stands.

    Behind the carriers of the streams come the sieved samples, and then, for the flows and for
    each analyte with shared sources: one carrier a source, one for each measurement that shares
    one, and for an analyte one more for each, which has the true grade.
    """
    rows = []
    for j, stream in enumerate(carriers.streams):
        for quantity, meaning in known.items():
            place = carriers.place(j, meaning)
            if place is not None:
                rows.append(Row(stream, quantity, meaning, Position(*place)))
    sieved = [j for j in carriers.classes if carriers.streams[j] in survey.stacks]
    samples = {j: carriers.n_carriers + i for i, j in enumerate(sieved)}
    at = {(r.stream, r.quantity): _reading(r.place, carriers, samples) for r in rows}
    readings = {
        (m.stream, m.quantity): at[m.stream, m.quantity]
        for m in survey.measurements
        if (m.stream, m.quantity) in at
    }
    sources: dict[Position, SharedSource] = {}
    observed: dict[Position, Position] = {}
    last = carriers.n_carriers + len(samples)
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
    return Positions(carriers, tuple(rows), seen, sources, observed, samples)


def _reading(place: Position, carriers: Carriers, samples: Mapping[int, int]) -> Position:
    """Return where a value is read: shares made from masses on the sample that was sieved."""
    k, j = place
    return Position(k, samples[j]) if j in samples and k in carriers.shares.values() else place
