"""What the reader should know of the sources of error once the measurements are known."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import ErrorSource, Fault, Place
from oretally.flowsheet.survey import STATED, Sourced
from oretally.io.definition import Scope

__all__ = ["source_notes"]

_LARGE = 0.2
"""Of the value: above it a normal distribution and first order no longer describe an error
(common practice, no source)."""


def source_notes(
    sources: Sequence[ErrorSource], sourced: Sourced, scope: Scope, faults: list[Fault]
) -> list[str]:
    """Return notes on sources that do less than they say, or more than can be described.

    Parameters
    ----------
    sources : sequence of ErrorSource
        As stated.
    sourced : Sourced
        What they were put to.
    scope : Scope
        Quantities of the case, those of the headers among them.
    faults : list of Fault
        A source of a quantity that there is not is added.
    """
    notes = []
    for s in sourced.idle:
        place = Place(cell=f"error source '{s.name}'", quantity=s.quantity)
        wrong = scope.fault("", s.quantity, place, "An error source")
        if wrong is None:
            notes.append(
                f"The error source '{s.name}' of {s.quantity} concerns nothing that was measured."
            )
        else:
            faults.append(wrong)
    notes += [
        f"The error source '{s.name}' of {s.quantity} is stated as shared, but concerns a single "
        "measurement: nothing shares it."
        for s in sourced.lone
    ]
    for m in sourced.measurements:
        for part in m.parts:
            if part.source != STATED and part.sd > _LARGE * m.value > 0.0:
                notes.append(
                    f"The error source '{part.source}' is {100.0 * part.sd / m.value:.0f} % of "
                    f"{m.quantity} of '{m.stream}': so large an error is not normally "
                    "distributed, and ± and chances that rest on it are rough."
                )
    return [*notes, *(s.note for s in sources if s.note and s not in sourced.idle)]
