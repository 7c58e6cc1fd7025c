"""Plants for the study of slips: a circuit in balance, and what is read of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Survey,
    Unit,
    parse_unit,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share

__all__ = ["Assay", "Reading", "SlipPlant", "bulk_plant", "classes", "milled", "sized_plant"]

Floats = NDArray[np.float64]
PERCENT, GRAMS_PER_TONNE = parse_unit("%"), parse_unit("g/t")
SHARE, GRAM, KG, RATE = (
    parse_unit("%", Dimension.SHARE), parse_unit("g"), parse_unit("kg"), parse_unit("t/h")
)  # fmt: skip


@dataclass(frozen=True)
class Reading:
    """What is read in one place.

    Attributes
    ----------
    stream, quantity : str
    true : float
        True value, in ``unit``.
    unit : Unit
        In which it is written.
    relative : float
        Stated error, one sd as a share of the value that is written.
    largest : float
        What the reader of a case refuses to exceed, in ``unit``.
    stack : bool
        Whether it is the mass on one of a stack of sieves.
    """

    stream: str
    quantity: str
    true: float
    unit: Unit
    relative: float
    largest: float = np.inf
    stack: bool = False

    @property
    def name(self) -> str:
        """Stream and quantity."""
        return f"{self.quantity} of {self.stream}"


@dataclass(frozen=True, eq=False)
class SlipPlant:
    """A circuit in balance, and what is measured.

    Attributes
    ----------
    name : str
    circuit : Circuit
    plain : Survey
        All but its measurements.
    readings : tuple of Reading
        Numbers that somebody writes.
    feed : str
    fixed : tuple of Measurement
        Those that are the same in every survey: below detection.
    amounts : ndarray, shape (n_streams, 1 + n_analytes)
        True mass and metals of each stream, in kg or kg/h; no rows if there are sizes or water.
    """

    name: str
    circuit: Circuit
    plain: Survey
    readings: tuple[Reading, ...]
    feed: str
    fixed: tuple[Measurement, ...] = ()
    amounts: Floats = field(default_factory=lambda: np.zeros((0, 0)))


@dataclass(frozen=True)
class Assay:
    """An analyte: its unit, and its stated error in percent of the value."""

    unit: Unit
    percent: float
    maximum: float = 1.0


_Values = Mapping[str, Sequence[float]]


def bulk_plant(
    name: str,
    basis: Basis,
    nodes: Mapping[str, str],
    ends: Mapping[str, tuple[str | None, str | None]],
    assays: Mapping[str, Assay],
    leaves: _Values,
    sums: Mapping[str, Sequence[str]],
    weighed: Mapping[str, float],
    missing: Sequence[tuple[str, str]],
    containers: Mapping[str, float] | None = None,
) -> SlipPlant:
    """Return a plant without sizes and water.

    Parameters
    ----------
    leaves : mapping of str to sequence of float
        Flow and grades of the streams that were chosen.
    sums : mapping of str to sequence of str
        The others: what each is the sum of.
    weighed : mapping of str to float
        Streams with a measured flow, and its stated error in percent.
    missing : sequence of (str, str)
        Assays that were not made: stream and analyte, '*' for all.
    """
    circuit = Circuit.build(dict(ends), dict(nodes))
    unit = KG if basis is Basis.BATCH else RATE
    size = [a.unit.to_base(1.0) for a in assays.values()]
    amounts: dict[str, Floats] = {}
    for stream, (flow, *grades) in leaves.items():
        base = unit.to_base(flow)
        amounts[stream] = base * np.array([1.0, *np.multiply(grades, size)])
    for stream, parts in sums.items():
        amounts[stream] = np.sum([amounts[p] for p in parts], axis=0)
    readings = []
    for stream in circuit.stream_names:
        if stream in weighed:
            flow = unit.from_base(float(amounts[stream][0]))
            readings.append(Reading(stream, basis.quantity, flow, unit, weighed[stream] / 100.0))
        for k, (analyte, a) in enumerate(assays.items()):
            if (stream, analyte) not in missing and (stream, "*") not in missing:
                grade = a.unit.from_base(float(amounts[stream][k + 1] / amounts[stream][0]))
                readings.append(
                    Reading(stream, analyte, grade, a.unit, a.percent / 100.0,
                            a.unit.from_base(a.maximum))
                )  # fmt: skip
    plain = Survey(
        basis, unit, tuple(Analyte(n, a.unit, a.maximum) for n, a in assays.items()), (),
        containers=dict(containers or {}),
    )  # fmt: skip
    every = np.array([amounts[s] for s in circuit.stream_names])
    return SlipPlant(name, circuit, plain, tuple(readings), circuit.feeds[0], (), every)


def sized_plant(
    name: str, circuit: Circuit, grid: SizeGrid, by_class: Mapping[str, Floats],
    rates: Sequence[str], bulk: Sequence[str], stacks: Mapping[str, tuple[float, float]],
    assayed: Sequence[str] = (), skipped: Sequence[tuple[str, int]] = (),
) -> SlipPlant:  # fmt: skip
    """Return a plant with sizes and one analyte, Pb.

    Parameters
    ----------
    by_class : mapping of str to ndarray, shape (n_classes, 2)
        Mass and lead of each class, in t/h.
    rates, bulk : sequence of str
        Streams with a measured rate, 2 %; with an assay of the whole, 3 %.
    stacks : mapping of str to (float, float)
        Mass of the sieved sample in g, and the stated error of each sieve's mass in percent.
    assayed, skipped : sequence
        Streams with assays by class, 4 %; the classes that have none.
    """
    readings = []
    largest = PERCENT.from_base(0.866)
    for stream in circuit.stream_names:
        mass, lead = by_class[stream].T
        if stream in rates:
            readings.append(Reading(stream, "dry rate", float(mass.sum()), RATE, 0.02))
        if stream in bulk:
            grade = 100.0 * float(lead.sum() / mass.sum())
            readings.append(Reading(stream, "Pb", grade, PERCENT, 0.03, largest))
        for c, run in enumerate(grid.all_runs):
            label = grid.label(run)
            if stream in stacks:
                sample, percent = stacks[stream]
                grams = sample * float(mass[c] / mass.sum())
                readings.append(
                    Reading(stream, class_share(label), grams, GRAM, percent / 100.0, stack=True)
                )
            if stream in assayed and (stream, c) not in skipped:
                grade = 100.0 * float(lead[c] / mass[c])
                readings.append(
                    Reading(stream, class_grade("Pb", label), grade, PERCENT, 0.04, largest)
                )
    plain = Survey(
        Basis.RATE, RATE, (Analyte("Pb", PERCENT, 0.866),), (), sizes=grid,
        stacks=frozenset(stacks),
    )  # fmt: skip
    return SlipPlant(name, circuit, plain, tuple(readings), circuit.feeds[0])


def classes(masses: Sequence[float], grades: Sequence[float]) -> Floats:
    """Return mass and lead of each class from masses in t/h and grades in percent."""
    return np.column_stack([masses, np.array(masses) * np.array(grades) / 100.0])


def milled(mill_feed: Floats, masses: Sequence[float], grades: Sequence[float]) -> Floats:
    """Return a mill's discharge: its mass and lead, on classes with these shares and grades."""
    made = classes(masses, grades)
    return np.asarray(made * (mill_feed.sum(axis=0) / made.sum(axis=0)))
