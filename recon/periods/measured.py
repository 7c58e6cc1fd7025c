"""What was measured, summed over shifts as it was given, and its sd with shared errors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

from oretally.flowsheet import Circuit, Stream, Survey
from oretally.recon.answers import measured_flow, reading, total_amount
from oretally.recon.periods.joint import ShiftReading
from oretally.recon.periods.shifts import Coupled, Shift
from oretally.recon.propagation import Derived, total

__all__ = ["GivenSum", "MeasuredShifts"]

GivenSum = Derived[ShiftReading]
"""Something computed from measured values of several shifts, in base units."""


class MeasuredShifts:
    """Sums over shifts as measured; nothing is filled in.

    Parameters
    ----------
    coupled : Coupled
    """

    def __init__(self, coupled: Coupled) -> None:
        self.coupled = coupled
        self._found: dict[tuple[int, str, str], GivenSum | None] = {}

    def amount(
        self, t: int, stream: str, quantity: str, *, weighed: bool = False
    ) -> GivenSum | None:
        """Return what a stream had in a shift; None if a number is missing.

        A flow that was not measured is taken by difference, where those around it were, unless it
        has to be ``weighed``.
        """
        key = t, stream, quantity
        if weighed:
            return self._amount(*key, weighed=True)
        if key not in self._found:
            self._found[key] = self._amount(*key, weighed=False)
        return self._found[key]

    def by_difference(self, t: int, stream: str, quantity: str) -> bool:
        """Tell whether an amount follows from a flow that was not measured itself."""
        found = self.amount(t, stream, quantity)
        return found is not None and self.amount(t, stream, quantity, weighed=True) is None

    def _amount(self, t: int, stream: str, quantity: str, *, weighed: bool) -> GivenSum | None:
        shift = self.coupled.shifts[t]
        drawn = _drawn(shift.circuit, stream)
        if drawn is None:
            return None
        survey = shift.survey
        found = total_amount(survey, [drawn], quantity)
        flow = survey.basis.quantity
        solid = quantity == flow or quantity not in survey.dissolved
        if found is None and not weighed and solid and drawn.content.has_solids and not drawn.stock:
            mass = _by_difference(shift, drawn)
            grade = None if quantity == flow else reading(survey, stream, quantity)
            if mass is not None and (grade is not None or quantity == flow):
                found = mass if grade is None else mass * grade
        return None if found is None else _of_shift(t, found)

    def variance(self, found: GivenSum) -> float:
        """Return the first-order variance, with the errors that shifts share (GUM, eq. 13)."""
        variance = 0.0
        for key, slope in found.slopes.items():
            variance += (slope * self._own_sd[key]) ** 2
        for adds in self._sources:
            moved = sum(found.slopes.get(key, 0.0) * size for key, size in adds.items())
            variance += moved**2
        return variance

    @cached_property
    def _own_sd(self) -> Mapping[ShiftReading, float]:
        return {
            ShiftReading(t, m.stream, m.quantity): s.survey.own_variance(m) ** 0.5
            for t, s in enumerate(self.coupled.shifts)
            for m in s.survey.measurements
        }

    @cached_property
    def _sources(self) -> Sequence[Mapping[ShiftReading, float]]:
        return [
            {
                ShiftReading(t, stream, s.quantity): size
                for t, s in own
                for stream, size in s.loadings.items()
            }
            for own in self.coupled.sources.values()
        ]


def _of_shift(t: int, found: Derived[tuple[str, str]]) -> GivenSum:
    return Derived(
        found.value, {ShiftReading(t, *name): slope for name, slope in found.slopes.items()}
    )


def _drawn(circuit: Circuit, stream: str) -> Stream | None:
    return next((s for s in circuit.streams if s.name == stream), None)


def _by_difference(shift: Shift, stream: Stream) -> Derived[tuple[str, str]] | None:
    """Return the solids of a stream from those of all others around a part of the circuit.

    The part is the node that it leaves or enters, and grows over each further stream that was not
    measured; stocks are not crossed.
    """
    for node in (stream.source, stream.target):
        if node is None:
            continue
        inside = {node}
        while True:
            found = _around(shift, inside, stream)
            if found is None:
                break
            unmeasured, missing = found
            if not unmeasured:
                return missing
            more = {end for s in unmeasured for end in (s.source, s.target)} - inside
            if None in more or not more or any(s.stock for s in unmeasured):
                break
            inside |= {end for end in more if end is not None}
    return None


def _around(
    shift: Shift, inside: set[str], stream: Stream
) -> tuple[list[Stream], Derived[tuple[str, str]]] | None:
    """Return the streams across a border that were not measured, and what the others leave for one.

    None if that one does not cross it.
    """
    survey: Survey = shift.survey
    flow = survey.basis.quantity
    unmeasured, parts, sign = list[Stream](), list[Derived[tuple[str, str]]](), 0.0
    for s in shift.circuit.streams:
        into, out = s.target in inside, s.source in inside
        if into == out or not s.content.has_solids or s.declared:
            if s is stream:
                return None
            continue
        if s is stream:
            sign = -1.0 if into else 1.0
            continue
        found = measured_flow(survey, s.name, flow)
        if found is None:
            unmeasured.append(s)
        else:
            parts.append(found if into else -1.0 * found)
    return (unmeasured, sign * total(parts)) if sign else None
