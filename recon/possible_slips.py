"""Slips that may have happened to the numbers of a survey, each by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from oretally.flowsheet import Arrangement, Measurement, Position, Survey
from oretally.flowsheet.quantities import Kind, Meaning, meanings
from oretally.recon.slips import Meant, meant

__all__ = ["PossibleSlips"]


@dataclass(frozen=True)
class PossibleSlips:
    """Slips of one survey.

    Attributes
    ----------
    survey : Survey
    places : Arrangement
    rate : callable
        Rate of gross errors of a measurement.
    overall : float
        Rate of gross errors of measurements in general.
    """

    survey: Survey
    places: Arrangement
    rate: Callable[[Position], float]
    overall: float

    @cached_property
    def written(self) -> Mapping[Position, Measurement]:
        """The measurement that stands at each position."""
        at = self.places.readings
        return {at[m.stream, m.quantity]: m for m in self.survey.measurements}

    @cached_property
    def meanings(self) -> Mapping[str, Meaning]:
        """What each quantity means."""
        return dict(meanings(self.survey))

    def of_stack(self, place: Position) -> bool:
        """Whether a reading is a share that was made from the masses of one stack."""
        m = self.written[place]
        share = self.meanings[m.quantity].kind is Kind.SHARE
        return share and m.stream in self.survey.stacks

    def as_read(self, place: Position) -> tuple[float, float]:
        """Return value and error as they stand in the balance problem."""
        return self._as_read[place]

    @cached_property
    def _as_read(self) -> Mapping[Position, tuple[float, float]]:
        variance = self.survey.own_variance
        return {p: (m.value_base, variance(m) ** 0.5) for p, m in self.written.items()}

    def of(self, place: Position) -> tuple[Meant, ...]:
        """Return what one reading may have been meant to be, in base units."""
        m = self.written.get(place)
        if m is None or m.value <= 0.0:
            return ()
        stack = self.of_stack(place)
        if not (m.typed or stack):
            return ()  # no slip of a number that nobody wrote
        value, sd = self.as_read(place)
        dry = m.quantity == self.survey.basis.quantity
        found = meant(m.value, m.unit.from_base(sd), m.unit, self.survey.containers, dry)
        base = m.unit.to_base
        return tuple(
            replace(each, value=base(each.value), sd=base(each.sd))
            for each in found
            # of a class the mass was written, which is not known here: only a factor is
            if not stack or each.kind == "decimal point"
        )

    @cached_property
    def streams(self) -> list[str]:
        """Streams as the survey lists them."""
        return list(dict.fromkeys(m.stream for m in self.survey.measurements))

    @cached_property
    def columns(self) -> dict[str, dict[str, Position]]:
        """By quantity, where each stream's number stands, those that somebody wrote."""
        found: dict[str, dict[str, Position]] = {}
        for place, m in self.written.items():
            if m.typed or self.of_stack(place):
                found.setdefault(m.quantity, {})[m.stream] = place
        return found
