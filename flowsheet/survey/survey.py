"""A survey: what was measured on a circuit, each number with its stated error."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

from oretally.flowsheet.faults import Place
from oretally.flowsheet.read_only import freeze
from oretally.flowsheet.survey.error_sources import STATED, ErrorPart, SharedSource
from oretally.flowsheet.survey.size_grid import SizeGrid
from oretally.flowsheet.survey.time_course import TimeCourse
from oretally.flowsheet.units import Dimension, Unit

__all__ = [
    "DECLARED_LOSS",
    "DETECTION_LIMIT",
    "PROPAGATED",
    "RANGE_LIMIT",
    "Analyte",
    "Basis",
    "Measurement",
    "Survey",
    "uniform_ends",
]

DETECTION_LIMIT, RANGE_LIMIT = "detection limit", "range limit"
"""Sources of the error of a value that is only known to lie within bounds."""
PROPAGATED = "propagated"
"""Source of the error of a value that was computed from others, such as a wet mass and moisture."""

DECLARED_LOSS = "declared loss"
"""Source of the error of a loss that nobody measured: 0 with the stated sd, never below."""


class Basis(StrEnum):
    """Whether flows are masses of one batch or rates of a running plant."""

    BATCH = "batch"
    RATE = "rate"

    @property
    def quantity(self) -> str:
        """Name of the flow quantity: 'dry mass' or 'dry rate'."""
        return "dry mass" if self is Basis.BATCH else "dry rate"

    @property
    def dimension(self) -> Dimension:
        """Dimension of the flow quantity."""
        return Dimension.MASS if self is Basis.BATCH else Dimension.RATE


def uniform_ends(mean: float, sd: float) -> tuple[float, float]:
    """Return the ends of the uniform distribution with this mean and sd.

    Source: GUM (JCGM 100:2008), 4.3.7: the sd is half the width over the root of 3.

    Examples
    --------
    >>> uniform_ends(0.25, 0.5 / 12**0.5)
    (0.0, 0.5)
    """
    half = sd * 3.0**0.5
    low = mean - half
    # an end of 0 comes back as a hair more or less
    return (low if abs(low) > 1e-12 * half else 0.0), mean + half


@dataclass(frozen=True, slots=True)
class Analyte:
    """What is assayed.

    Attributes
    ----------
    name : str
    unit : Unit
        Unit in which its grades are shown.
    maximum : float
        Largest grade possible, as mass per mass; 1 unless the mineral's formula says less.
    detection : float or None
        Detection limit of its assay, as mass per mass: what 'trace' and 'nil' are below.
    """

    name: str
    unit: Unit
    maximum: float = 1.0
    detection: float | None = None


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measured number.

    Attributes
    ----------
    stream : str
    quantity : str
        'dry mass', 'dry rate', the name of an analyte, or one that
        `oretally.flowsheet.survey.quantities` makes.
    value, sd : float
        As measured, and its stated error (one standard deviation), both in ``unit``; all sources
        of error are in it.
    unit : Unit
    error_source : str
        Where the stated error came from: 'row', 'stream', 'quantity', or a sentence.
    note : str
        What the reader should know of it: pooled from replicates, below detection.
    place : Place
        Where it was written; takes no part in comparisons.
    parts : tuple of ErrorPart
        What the stated error is made of; empty if it was stated as a whole.
    written : tuple of (float, Unit), or None
        The number that somebody wrote, where ``value`` is in proportion to it: the mass of a size
        class, of which its share was made; the wet mass, or the volume of pulp, of a dry mass.
    readings : int
        How many it is the mean of: they lessen the stated error, not what sources add to it.
    """

    stream: str
    quantity: str
    value: float
    unit: Unit
    sd: float
    error_source: str = "row"
    note: str = ""
    place: Place = field(default=Place(), compare=False)
    parts: tuple[ErrorPart, ...] = ()
    written: tuple[float, Unit] | None = None
    readings: int = 1

    @property
    def bounded(self) -> bool:
        """Whether only bounds are known: below detection, or above the range of the assay."""
        return self.error_source in (DETECTION_LIMIT, RANGE_LIMIT)

    @property
    def bounds(self) -> tuple[float, float]:
        """Ends of the uniform distribution with its mean and sd, in its unit (GUM 4.3.7)."""
        return uniform_ends(self.value, self.sd)

    @property
    def typed(self) -> bool:
        """Whether the value is a number that somebody wrote."""
        return not self.bounded and self.error_source not in (PROPAGATED, DECLARED_LOSS)

    @property
    def value_base(self) -> float:
        """Value in the base unit: kg, kg/h, or mass per mass."""
        return self.unit.to_base(self.value)

    @property
    def sd_base(self) -> float:
        """Stated error in the base unit: kg, kg/h, or mass per mass."""
        return self.unit.to_base(self.sd)


@dataclass(frozen=True)
class Survey:
    """One set of measurements; at most one for each stream and quantity.

    Attributes
    ----------
    basis : Basis
    flow_unit : Unit
        Unit in which dry masses or dry rates are shown.
    analytes : tuple of Analyte
    measurements : tuple of Measurement
    title : str
    containers : mapping of str to float
        Names and empty masses of the containers in use, in kg: one that was not taken off is a
        common slip.
    shared : tuple of SharedSource
        Sources of error that several measurements share; each is a part of their stated errors.
    sizes : SizeGrid
        Size classes; none unless something was sieved.
    water : bool
        Whether water or solution is balanced too.
    dissolved : frozenset of str
        Analytes that the solution carries as well.
    stacks : frozenset of str
        Streams whose shares of size classes were made from the masses of one whole stack: they add
        up to 100 % by construction, see `oretally.flowsheet.problem.positions`. Shares of other
        streams are measured each by itself.
    course : TimeCourse or None
        Of a leach that was sampled over time.
    """

    basis: Basis
    flow_unit: Unit
    analytes: tuple[Analyte, ...]
    measurements: tuple[Measurement, ...]
    title: str = ""
    containers: Mapping[str, float] = field(default_factory=dict)
    shared: tuple[SharedSource, ...] = ()
    sizes: SizeGrid = SizeGrid()
    water: bool = False
    dissolved: frozenset[str] = frozenset()
    stacks: frozenset[str] = frozenset()
    course: TimeCourse | None = None

    def __post_init__(self) -> None:
        freeze(self, "containers")

    def measured(self, stream: str, quantity: str) -> Measurement | None:
        """Return the measurement of one quantity in one stream, or None."""
        return self._by_name.get((stream, quantity))

    @cached_property
    def _by_name(self) -> Mapping[tuple[str, str], Measurement]:
        """The first measurement of each stream and quantity."""
        return {(m.stream, m.quantity): m for m in reversed(self.measurements)}

    def shared_by(self, measurement: Measurement) -> list[SharedSource]:
        """Return the shared sources of error that a measurement has a part in."""
        quantity, stream = measurement.quantity, measurement.stream
        return [s for s in self.shared if s.quantity == quantity and s.loadings.get(stream)]

    def own_variance(self, measurement: Measurement) -> float:
        """Return the variance that a measurement shares with no other, in base units squared."""
        shared = (s.loadings[measurement.stream] ** 2 for s in self.shared_by(measurement))
        return measurement.sd_base**2 - sum(shared)

    def reading_sd(self, measurement: Measurement) -> float:
        """Return the stated sd of one reading of a measurement, in base units.

        The stated error alone, without what sources of error add. Of readings that differ in their
        errors it is that of as many equal ones with the same mean error.

        Examples
        --------
        >>> from oretally.flowsheet.units import parse_unit
        >>> percent = parse_unit("%")
        >>> m = Measurement("tailings", "Sn", 0.3, percent, 0.01, readings=4)
        >>> Survey(Basis.BATCH, parse_unit("kg"), (), (m,)).reading_sd(m)
        0.0002
        """
        if measurement.error_source == PROPAGATED:
            return float(self.own_variance(measurement) ** 0.5)
        stated = next((p.sd for p in measurement.parts if p.source == STATED), measurement.sd)
        return float(measurement.unit.to_base(stated) * measurement.readings**0.5)

    def variance(self, slopes: Mapping[tuple[str, str], float]) -> float:
        """Return the first-order variance of something computed from measurements.

        Parameters
        ----------
        slopes : mapping of (stream, quantity) to float
            Its derivatives with respect to the measured values, in base units.

        Notes
        -----
        Law of propagation with correlated inputs: JCGM 100:2008 (GUM), equations 13 and F.1.2.3.
        """
        own, shared = 0.0, dict[int, float]()
        try:
            for name, slope in slopes.items():
                sd, parts = self._errors.get(name, (0.0, ()))
                # slopes before squares: those of a value of 1e-300 have none
                own += (slope * sd) ** 2
                for number, loading in parts:
                    own -= (slope * loading) ** 2
                    shared[number] = shared.get(number, 0.0) + slope * loading
            return own + sum(moved**2 for moved in shared.values())
        except OverflowError:  # an error beyond all numbers
            return math.inf

    @cached_property
    def _errors(self) -> Mapping[tuple[str, str], tuple[float, Sequence[tuple[int, float]]]]:
        """Sd of each measurement, and what shared sources, by number, add to it; base units."""
        adds: dict[tuple[str, str], list[tuple[int, float]]] = {}
        for number, source in enumerate(self.shared):
            for stream, loading in source.loadings.items():
                adds.setdefault((stream, source.quantity), []).append((number, loading))
        return {name: (m.sd_base, adds.get(name, ())) for name, m in self._by_name.items()}
