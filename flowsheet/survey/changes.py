"""Surveys with measurements left out, changed or added."""

from __future__ import annotations

from dataclasses import replace

from oretally.flowsheet.survey.quantities import meanings
from oretally.flowsheet.survey.size_grid import SizeGrid
from oretally.flowsheet.survey.survey import Measurement, Survey

__all__ = ["with_measurement", "without_measurement", "without_sizes"]


def without_measurement(survey: Survey, stream: str, quantity: str) -> Survey:
    """Return the survey without a measurement, and without its part in shared sources."""
    kept = tuple(
        m for m in survey.measurements if (m.stream, m.quantity) != (stream, quantity)
    )  # fmt: skip
    shared = []
    for s in survey.shared:
        loadings = {
            name: size
            for name, size in s.loadings.items()
            if (name, s.quantity) != (stream, quantity)
        }
        if loadings:
            shared.append(replace(s, loadings=loadings))
    return replace(survey, measurements=kept, shared=tuple(shared))


def without_sizes(survey: Survey) -> Survey:
    """Return the survey without its size classes, and all that was measured of them."""
    if not survey.sizes.n_classes:
        return survey
    of_classes = {
        quantity for quantity, meaning in meanings(survey).items() if meaning.run is not None
    }
    return replace(
        survey, sizes=SizeGrid(), stacks=frozenset(),
        measurements=tuple(m for m in survey.measurements if m.quantity not in of_classes),
        shared=tuple(s for s in survey.shared if s.quantity not in of_classes),
    )  # fmt: skip


def with_measurement(survey: Survey, measurement: Measurement) -> Survey:
    """Return the survey with a measurement, in place of one of the same stream and quantity.

    It shares no source of error with others: its sd is all of its error.
    """
    rest = without_measurement(survey, measurement.stream, measurement.quantity)
    at = next(
        (
            i
            for i, m in enumerate(survey.measurements)
            if (m.stream, m.quantity) == (measurement.stream, measurement.quantity)
        ),
        len(rest.measurements),
    )
    kept = list(rest.measurements)
    return replace(rest, measurements=(*kept[:at], measurement, *kept[at:]))
