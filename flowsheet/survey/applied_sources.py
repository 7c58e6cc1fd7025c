"""Sources of error put to the measurements that they concern."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.survey.error_sources import STATED, ErrorPart, SharedSource, combined_sd
from oretally.flowsheet.survey.stated_errors import ErrorSource
from oretally.flowsheet.survey.survey import Measurement

__all__ = ["Sourced", "with_sources"]


@dataclass(frozen=True, slots=True)
class Sourced:
    """Measurements whose stated errors hold all their sources.

    Attributes
    ----------
    measurements : list of Measurement
    shared : list of SharedSource
        Those that concern two measurements or more, here or in other surveys; of one name, one for
        each quantity.
    idle : list of ErrorSource
        Those that concern no measurement at all.
    lone : list of ErrorSource
        Shared ones that concern a single measurement: nothing shares it.
    """

    measurements: list[Measurement]
    shared: list[SharedSource]
    idle: list[ErrorSource]
    lone: list[ErrorSource]


def with_sources(measurements: Sequence[Measurement], sources: Sequence[ErrorSource]) -> Sourced:
    """Add sources to the stated errors of the measurements that they concern.

    The sds are of independent sources, so that their squares add. A value of which only bounds are
    known keeps its interval: its sd says nothing of how it was measured.

    Parameters
    ----------
    measurements : sequence of Measurement
        Replicates pooled: they lessen the stated error, not what comes on top of it.
    sources : sequence of ErrorSource
    """
    found = [_concerned(measurements, source) for source in sources]
    parts: dict[tuple[str, str], list[ErrorPart]] = {}
    shared, idle, lone = [], [], []
    for source, sds in zip(sources, found, strict=True):
        # one cause may move several quantities: weights of wet and of dry material
        alike = sum(len(s) for o, s in zip(sources, found, strict=True) if o.name == source.name)
        # a single number here may share its error with those of other surveys
        together = source.shared and (alike > 1 or bool(source.over))
        for m, sd in sds:
            part = ErrorPart(source.name, sd, together, source.dof)
            parts.setdefault((m.stream, m.quantity), []).append(part)
        if not sds:
            idle.append(source)
        elif source.shared and not together:
            lone.append(source)
        elif together:
            loadings = {m.stream: m.unit.to_base(sd) for m, sd in sds}
            shared.append(SharedSource(source.name, sds[0][0].quantity, loadings, source.over))
    return Sourced(
        [_with(m, parts.get((m.stream, m.quantity))) for m in measurements],
        shared,
        idle,
        lone,
    )


def _concerned(
    measurements: Sequence[Measurement], source: ErrorSource
) -> list[tuple[Measurement, float]]:
    """Return the measurements that a source concerns, with what it adds to each."""
    quantity = fold_name(source.quantity)
    return [
        (m, sd)
        for m in measurements
        if fold_name(m.quantity) == quantity and not m.bounded
        if (sd := source.sd(m.stream, m.value, m.unit)) > 0.0
    ]


def _with(m: Measurement, more: Sequence[ErrorPart] | None) -> Measurement:
    """Return the measurement with further parts of its error."""
    if not more:
        return m
    parts = (*(m.parts or (ErrorPart(STATED, m.sd),)), *more)
    return replace(m, sd=combined_sd(parts), parts=parts)
